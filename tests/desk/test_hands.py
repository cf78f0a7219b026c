"""Pages side by side: which process does what, told without any real work."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from queue import Queue
from typing import Any

import pytest

from inkclean.desk.edits import PageEdits
from inkclean.desk.work import bench
from inkclean.desk.work.bench import Hands, Worker
from inkclean.desk.work.task import PageTask
from inkclean.settings import Settings


class Still:
    """A worker that keeps what it is asked and never gets done."""

    made: list[Still]

    def __init__(self, publish: Any, side_by_side: int = 1) -> None:
        self.page: str | None = None
        self.busy = False
        self.asked: list[str] = []
        Still.made.append(self)

    def has(self, key: str) -> bool:
        return self.page == key

    def ask(self, key: str, task: PageTask) -> None:
        self.page, self.busy = key, True
        self.asked.append(key)


def _task(page: str) -> PageTask:
    path = Path("page.jpg")
    return PageTask(page, path, 1, path, PageEdits(Settings()), "ink", 300.0, need_mb=500.0)


@pytest.fixture
def still(monkeypatch: pytest.MonkeyPatch) -> list[Still]:
    Still.made = []
    monkeypatch.setattr(bench, "Worker", Still)
    monkeypatch.setattr(bench, "free_memory_mb", lambda: 4000.0)
    return Still.made


def test_each_page_has_a_process_and_goes_on_in_it(still: list[Still]) -> None:
    hands = Hands(lambda event: None, 2)
    for page in ("a", "b", "a", "b", "a"):
        hands.ask(page, _task(page))
    assert [worker.asked for worker in still] == [["a", "a", "a"], ["b", "b"]]


def test_a_third_page_takes_the_place_of_the_one_asked_longest_ago(still: list[Still]) -> None:
    hands = Hands(lambda event: None, 2)
    for page in ("a", "b", "a"):
        hands.ask(page, _task(page))
    still[0].busy = still[1].busy = False
    hands.ask("c", _task("c"))
    assert [worker.page for worker in still] == ["a", "c"]


def test_without_memory_for_two_pages_there_is_one_process(
    still: list[Still], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bench, "free_memory_mb", lambda: 600.0)
    hands = Hands(lambda event: None, 4)
    for page in ("a", "b"):
        hands.ask(page, _task(page))
    assert [worker.asked for worker in still] == [["a", "b"]]


class Line:
    """Stands for a process: keeps what it is sent, and says what the test puts in."""

    def __init__(self) -> None:
        self.tasks: Queue[tuple[int, PageTask]] = Queue()
        self.events: Queue[Any] = Queue()
        self.stopped: list[int] = []

    def send(self, what: Any) -> None:
        if isinstance(what, tuple):
            self.tasks.put(what)
        else:
            self.stopped.append(what)

    def recv(self) -> Any:
        return self.events.get(timeout=20)

    def is_alive(self) -> bool:
        return True

    def terminate(self) -> None:
        pass

    def join(self, timeout: float = 0) -> None:
        pass


def test_work_is_stopped_unless_the_newer_task_wants_all_of_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    line = Line()

    def start(worker: Worker) -> None:
        worker._process = worker._pipe = worker._cancels = line

    monkeypatch.setattr(Worker, "_start", start)
    worker = Worker(lambda event: None)
    worker.ask("a", _task("a"))
    assert line.tasks.get(timeout=20)[1].goal == "ink"
    worker.ask("a", replace(_task("a"), goal="marks"))
    assert line.stopped == []
    line.events.put(None)
    assert line.tasks.get(timeout=20)[1].goal == "marks"
    worker.ask("a", replace(_task("a"), goal="flats"))  # wants no marks
    assert line.stopped == [2]
    line.events.put(None)
    assert line.tasks.get(timeout=20)[1].goal == "flats"
    worker.ask("a", replace(_task("a"), goal="shade", count=1))  # after an edit all is other
    assert line.stopped == [2, 3]
    line.events.put(None)
    assert line.tasks.get(timeout=20)[1].count == 1
    worker.ask("a", replace(_task("a"), goal="take", count=1))
    assert line.stopped == [2, 3, 4]
    line.events.put(None)
    worker.close()
