"""Processes that do the heavy work, each for the page that it has at hand.

A newer request for the same page stops the older one between two stages, unless it wants all that
the older one makes. A process that
dies costs its page a message, and another takes its place.
"""

from __future__ import annotations

import multiprocessing
import os
import threading
from collections.abc import Callable
from contextlib import suppress
from typing import Any

from inkclean.desk.work.task import GOALS, PageTask
from inkclean.jobs.crew.room import free_memory_mb

Publish = Callable[[dict[str, Any]], None]
# More pages at hand than this are not worth their memory.
MOST_HANDS = 4
# What a page needs on its way, imported before the first one comes.
AHEAD = (
    "inkclean.sheet.read",
    "inkclean.sheet.together.join",
    "inkclean.flats.lettering.find",
    "inkclean.flats.find",
    "inkclean.flats.colour.hints",
    "inkclean.flats.colour.shade",
)
# Share of the free memory that a page may need to get a process of its own.
ROOM = 0.6


class Hands:
    """A few processes, each with one page at hand; the latest task of a page is the one done.

    A page goes on in the process that has it. Another page gets a process of its own while
    there is memory for it; else the one that nobody has asked for longest.
    """

    def __init__(self, publish: Publish, most: int | None = None) -> None:
        self._publish = publish
        self._most = most or max(2, min(MOST_HANDS, os.cpu_count() or 1))
        self._lock = threading.Lock()
        self._closed = False
        # the last asked stands last
        self._workers: list[Worker] = [Worker(publish, self._most)]

    def ask(self, key: str, task: PageTask) -> None:
        """Do ``task`` in place of any older one under ``key``."""
        with self._lock:
            if self._closed:
                return
            worker = self._for(key, task)
            self._workers.remove(worker)
            self._workers.append(worker)
            worker.ask(key, task)

    def close(self) -> None:
        """End the processes."""
        with self._lock:
            self._closed = True
        for worker in self._workers:
            worker.close()

    def _for(self, key: str, task: PageTask) -> Worker:
        for worker in self._workers:
            if worker.has(key):
                return worker
        idle = [worker for worker in self._workers if not worker.busy]
        fresh = [worker for worker in idle if worker.page is None]
        if fresh:
            return fresh[0]
        room = free_memory_mb() * ROOM > task.need_mb
        if len(self._workers) < self._most and room:
            self._workers.append(Worker(self._publish, self._most))
            return self._workers[-1]
        return (idle or self._workers)[0]


class Worker:
    """One process and the thread that feeds it."""

    def __init__(self, publish: Publish, side_by_side: int = 1) -> None:
        self._publish = publish
        self._threads = max(1, -(-(os.cpu_count() or 1) // side_by_side) + 1)
        self._ready = threading.Condition()
        self._waiting: dict[str, PageTask] = {}
        self._now: str | None = None
        self._task: PageTask | None = None
        self._closed = False
        self._settling = False  # all was told: what is done now is for later
        self._context = _context()
        self._serial = 0
        self._cancels: Any = None
        self._process: Any = None
        self._pipe: Any = None
        self.page: str | None = None
        self._thread = threading.Thread(target=self._feed, daemon=True)
        self._thread.start()

    @property
    def busy(self) -> bool:
        """Whether something is done or waits to be."""
        with self._ready:
            return (self._now is not None and not self._settling) or bool(self._waiting)

    def has(self, key: str) -> bool:
        """Tell whether the page is at hand here, or will be."""
        with self._ready:
            if key in self._waiting or self._now == key:
                return True
            return self.page == key and not self._waiting

    def ask(self, key: str, task: PageTask) -> None:
        """Do ``task`` in place of any older one under ``key``."""
        with self._ready:
            doing = self._task if self._now == key and not self._settling else None
            if doing is not None and _same(doing, task) and key not in self._waiting:
                return
            self._waiting.pop(key, None)
            self._waiting[key] = task
            if self._settling or (self._now == key and not _leads_on(self._task, task)):
                self._cancel()
            self._ready.notify()

    def close(self) -> None:
        """End the process."""
        with self._ready:
            self._closed = True
            self._cancel()
            self._ready.notify()
        self._thread.join(timeout=2)
        if self._process is not None:
            self._process.terminate()
            self._process.join(timeout=5)

    def _cancel(self) -> None:
        if self._cancels is not None:
            with suppress(OSError):
                self._cancels.send(self._serial)

    def _start(self) -> None:
        from inkclean.desk.work.process import serve_tasks

        self._pipe, theirs = self._context.Pipe()
        heard, self._cancels = self._context.Pipe(duplex=False)
        process = self._context.Process(
            target=serve_tasks, args=(theirs, heard, self._threads), daemon=True
        )
        process.start()
        self._process = process
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
                self._now, self._task, self.page = key, task, key
                self._serial += 1
            try:
                if self._process is None or not self._process.is_alive():
                    self._start()
                self._pipe.send((self._serial, task))
                while True:
                    event = self._pipe.recv()
                    if event is None:
                        break
                    with self._ready:
                        self._settling = event["event"] == "done"
                        if self._settling and self._waiting:
                            self._cancel()
                    self._publish({"page": task.page, **event})
            except (EOFError, OSError):
                self._process = None
                if not self._closed:
                    why = "this page needs more memory than is free; close other programs"
                    self._publish({"page": task.page, "event": "failed", "why": why})
            with self._ready:
                self._now, self._settling = None, False


def _context() -> Any:
    """Return how processes are started: forked off a clean one that has all imports done.

    That one has no threads at work, so nothing can lock up as in a fork of the server; where
    the system has no forks, each process starts anew.
    """
    if "forkserver" not in multiprocessing.get_all_start_methods():
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["inkclean.desk.work.process", *AHEAD])
    return context


def _leads_on(one: PageTask | None, other: PageTask) -> bool:
    """Tell whether all that a task brings about is wanted by another one too."""
    if one is None or one.goal not in GOALS or other.goal not in GOALS:
        return False
    alike = (one.count, one.more) == (other.count, other.more)
    return alike and set(GOALS[one.goal]) <= set(GOALS[other.goal])


def _same(one: PageTask, other: PageTask) -> bool:
    return (one.goal, one.count, one.purpose, one.more) == (
        other.goal,
        other.count,
        other.purpose,
        other.more,
    )
