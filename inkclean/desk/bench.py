"""Processes that do the heavy work: one for the page in hand, one for errands.

A newer request for the same page stops the older one between two stages. A process that
dies costs its page a message, and another takes its place.
"""

from __future__ import annotations

import multiprocessing
import threading
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from inkclean.desk.acts import Work

Publish = Callable[[dict[str, Any]], None]
# Pages whose stages a process keeps at hand; each may hold half a gigabyte.
_AT_HAND = 1


@dataclass(frozen=True)
class Task:
    """What to do with a page: ``goal`` is look, ink or flats, or take with ``extra``.

    ``count`` is how long the page's log was: tasks of one count and goal are the same.
    """

    page: str
    source: Path
    number: int
    folder: Path
    work: Work
    goal: str
    budget_mp: float
    count: int = 0
    extra: dict[str, Any] | None = None


class Worker:
    """One process and the thread that feeds it; the latest task of a page is the one done."""

    def __init__(self, publish: Publish) -> None:
        self._publish = publish
        self._ready = threading.Condition()
        self._waiting: dict[str, Task] = {}
        self._now: str | None = None
        self._task: Task | None = None
        self._closed = False
        self._context = multiprocessing.get_context("spawn")
        self._serial = 0
        self._cancels: Any = None
        self._process: Any = None
        self._pipe: Any = None
        self._thread = threading.Thread(target=self._feed, daemon=True)
        self._thread.start()

    def ask(self, key: str, task: Task) -> None:
        """Do ``task`` in place of any older one under ``key``."""
        with self._ready:
            doing = self._task if self._now == key else None
            if doing is not None and _same(doing, task) and key not in self._waiting:
                return
            self._waiting.pop(key, None)
            self._waiting[key] = task
            if self._now == key:
                self._cancel()
            self._ready.notify()

    def close(self) -> None:
        """End the process."""
        with self._ready:
            self._closed = True
            self._cancel()
            self._ready.notify()
        self._thread.join(timeout=5)
        if self._process is not None:
            self._process.terminate()
            self._process.join(timeout=5)

    def _cancel(self) -> None:
        if self._cancels is not None:
            with suppress(OSError):
                self._cancels.send(self._serial)

    def _start(self) -> None:
        self._pipe, theirs = self._context.Pipe()
        heard, self._cancels = self._context.Pipe(duplex=False)
        self._process = self._context.Process(
            target=_serve, args=(theirs, heard), daemon=True, name="inkclean-desk"
        )
        self._process.start()
        theirs.close()
        heard.close()

    def _feed(self) -> None:
        self._start()  # its imports are done before the first page comes
        while True:
            with self._ready:
                while not self._waiting and not self._closed:
                    self._ready.wait()
                if self._closed:
                    return
                # the latest first: it is what somebody looks at
                key = next(reversed(self._waiting))
                task = self._waiting.pop(key)
                self._now, self._task = key, task
                self._serial += 1
            try:
                if self._process is None or not self._process.is_alive():
                    self._start()
                self._pipe.send((self._serial, task))
                while True:
                    event = self._pipe.recv()
                    if event is None:
                        break
                    self._publish({"page": task.page, **event})
            except (EOFError, OSError):
                self._process = None
                if not self._closed:
                    why = "this page needs more memory than there is: close other programs"
                    self._publish({"page": task.page, "event": "failed", "why": why})
            with self._ready:
                self._now = None


def _same(one: Task, other: Task) -> bool:
    return (one.goal, one.count, one.extra) == (other.goal, other.count, other.extra)


def _serve(pipe: Any, cancels: Any) -> None:
    """Run in the process: take tasks until the server is gone."""
    with suppress(EOFError, OSError):
        _take_tasks(pipe, cancels)


def _take_tasks(pipe: Any, cancels: Any) -> None:
    import signal

    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the server says when to end
    from inkclean.desk.stages import Bench, CancelledError
    from inkclean.desk.take import take_away
    from inkclean.errors import InkcleanError

    benches: dict[str, Bench] = {}

    serial = 0

    def check() -> None:
        while cancels.poll():
            if cancels.recv() == serial:
                raise CancelledError

    while True:
        task: Task
        serial, task = pipe.recv()
        try:
            bench = benches.pop(task.page, None)
            if bench is None:
                bench = Bench(task.source, task.number, task.folder, task.budget_mp)
            while len(benches) >= _AT_HAND:
                benches.pop(next(iter(benches)))
            benches[task.page] = bench

            def tell(stage: str, said: dict[str, Any]) -> None:
                pipe.send({"event": "stage", "stage": stage, "said": said})

            if task.goal == "take":
                take_away(bench, task, pipe.send, check)
            else:
                bench.run(task.work, task.goal, tell, check)
                pipe.send({"event": "done", "goal": task.goal})
        except CancelledError:
            pass
        except InkcleanError as error:
            pipe.send({"event": "failed", "why": _plain(str(error), task)})
        except MemoryError:
            benches.clear()
            why = "this page needs more memory than there is: close other programs"
            pipe.send({"event": "failed", "why": why})
        except (BrokenPipeError, ConnectionError):
            return
        except Exception as error:
            benches.clear()
            why = f"a fault of the program ({type(error).__name__}: {error})"
            pipe.send({"event": "failed", "why": " ".join(why.split())[:300]})
        pipe.send(None)


def _plain(text: str, task: Task) -> str:
    """Return the message with the file's name in place of its path."""
    return text.replace(str(task.source), task.source.name)
