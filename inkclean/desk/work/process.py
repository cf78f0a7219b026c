"""What runs in a worker process: tasks in, events out, until the server is gone."""

from __future__ import annotations

import os
import signal
from contextlib import suppress
from typing import Any

from inkclean.base.errors import InkcleanError
from inkclean.base.memory import hand_back, keep_what_is_free
from inkclean.desk.work.stages import Bench, CancelledError
from inkclean.desk.work.take import make_files
from inkclean.desk.work.task import More, PageTask

# Seconds without work after which memory goes back: while a hand is at work, it is needed again,
# and taking it anew costs the next edit up to a tenth of a second.
RESTED_S = 30.0


def serve_tasks(pipe: Any, cancels: Any, threads: int) -> None:
    """Take tasks until the server is gone; ``threads`` is what OpenCV may use."""
    import cv2

    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the server says when to end
    keep_what_is_free()  # else a page of 12 MP takes 100 MB more with every dozen edits
    cv2.setNumThreads(threads)
    with suppress(EOFError, OSError):
        _take_tasks(pipe, cancels)
    os._exit(0)  # nothing here is worth tidying up


def _take_tasks(pipe: Any, cancels: Any) -> None:
    bench: Bench | None = None
    page: tuple[str, More] = ("", More())
    serial = 0

    def check() -> None:
        while cancels.poll():
            if cancels.recv() == serial:
                raise CancelledError

    def tell(stage: str, said: dict[str, Any]) -> None:
        pipe.send({"event": "stage", "stage": stage, "said": said})

    def taking(stage: str) -> None:
        pipe.send({"event": "taking", "stage": stage})

    while True:
        task: PageTask
        if not pipe.poll(RESTED_S):
            hand_back()
        serial, task = pipe.recv()
        try:
            if bench is None or page != (task.page, task.more):
                bench = None  # the old page's memory goes before the new one's comes
                bench = Bench(task.source, task.number, task.folder, task.budget_mp, task.more)
                page = task.page, task.more
            if task.goal == "take":
                pipe.send(make_files(bench, task, taking, check).json())
            else:
                bench.run(task.work, task.goal, tell, check)
                pipe.send({"event": "done", "goal": task.goal})
                bench.settle(task.work, task.goal)
        except CancelledError:
            pass
        except InkcleanError as error:
            pipe.send({"event": "failed", "why": _plain(str(error), task)})
        except MemoryError:
            bench = None
            why = "this page needs more memory than is free; close other programs"
            pipe.send({"event": "failed", "why": why})
        except (BrokenPipeError, ConnectionError):
            return
        except Exception as error:
            bench = None
            why = f"unexpected error ({type(error).__name__}: {error}); please report it"
            pipe.send({"event": "failed", "why": " ".join(why.split())[:300]})
        pipe.send(None)


def _plain(text: str, task: PageTask) -> str:
    """Return the message with the file's name in place of its path."""
    return text.replace(str(task.source), task.source.name)
