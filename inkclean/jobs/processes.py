"""Work over several processes on one machine, with its memory in mind, results in order."""

from __future__ import annotations

import os
import signal
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field
from multiprocessing import get_context
from typing import Generic, TypeVar

from inkclean.jobs.crew.room import SHARE, cores, free_memory_mb

Item = TypeVar("Item")
Result = TypeVar("Result")


@dataclass
class _State(Generic[Result]):
    """Where every item stands: still waiting, suspected of a death, in work, or done."""

    waiting: deque[int]
    suspects: deque[int] = field(default_factory=deque)
    running: dict[Future[Result], int] = field(default_factory=dict)
    done: dict[int, Result] = field(default_factory=dict)
    alone: int | None = None

    @property
    def next_from(self) -> deque[int] | None:
        """The queue whose first item comes next: suspects go before all others."""
        return self.suspects or self.waiting or None


class Pool(Generic[Item, Result]):
    """Runs ``work`` on every item and yields the results in the items' order.

    ``need_mb`` is what each item takes; no more items run side by side than fit in
    ``room_mb``, though always one. An item whose process dies is tried once more by itself;
    if it dies again, ``lost(item)`` stands for its result.
    """

    def __init__(
        self,
        work: Callable[[Item], Result],
        lost: Callable[[Item], Result],
        *,
        jobs: int,
        room_mb: float | None = None,
    ) -> None:
        self._work, self._lost, self._jobs = work, lost, jobs
        self._room_mb = free_memory_mb() * SHARE if room_mb is None else room_mb

    def run(self, items: Sequence[Item], need_mb: Sequence[float]) -> Iterator[Result]:
        """Yield a result for each item, in order, as soon as it and those before are done."""
        state: _State[Result] = _State(deque(range(len(items))))
        shown = 0
        while shown < len(items):
            executor = self._executor()
            try:
                broken = False
                while not broken and shown < len(items):
                    broken = not self._fill(executor, items, need_mb, state)
                    broken |= self._collect(items, state)
                    while shown in state.done:
                        yield state.done.pop(shown)
                        shown += 1
            finally:
                executor.shutdown(wait=True, cancel_futures=True)

    def _executor(self) -> ProcessPoolExecutor:
        threads = max(1, cores() // self._jobs)
        # spawn: a forked copy of a process with threads in it can lock up
        return ProcessPoolExecutor(
            self._jobs, get_context("spawn"), initializer=_begin, initargs=(os.getpid(), threads)
        )

    def _fill(
        self,
        executor: ProcessPoolExecutor,
        items: Sequence[Item],
        need_mb: Sequence[float],
        state: _State[Result],
    ) -> bool:
        """Hand out what fits; False if the processes are gone."""
        while state.next_from is not None and len(state.running) < self._jobs:
            queue = state.next_from
            taken = sum(need_mb[index] for index in state.running.values())
            if state.running and (
                state.alone is not None
                or queue is state.suspects
                or taken + need_mb[queue[0]] > self._room_mb
            ):
                break
            try:
                future = executor.submit(self._work, items[queue[0]])
            except BrokenProcessPool:
                return False
            index = queue.popleft()
            state.running[future] = index
            if queue is state.suspects:
                state.alone = index
        return True

    def _collect(self, items: Sequence[Item], state: _State[Result]) -> bool:
        """Wait for the next results; True if a process died meanwhile."""
        if not state.running:
            return False
        finished, _ = wait(state.running, return_when=FIRST_COMPLETED)
        broken: list[int] = []
        for future in finished:
            index = state.running.pop(future)
            try:
                state.done[index] = future.result()
            except BrokenProcessPool:
                broken.append(index)
        if not broken:
            state.alone = None if not state.running else state.alone
            return False
        # the death of one process ends them all; who was alone is to blame, else all are suspects
        if state.alone is not None:
            state.done[state.alone] = self._lost(items[state.alone])
        else:
            state.suspects.extend(sorted([*broken, *state.running.values()]))
        state.running.clear()
        state.alone = None
        return True


def _begin(parent: int, threads: int) -> None:
    """Set a worker up: few threads, no Ctrl-C of its own, no life after its parent."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    import cv2

    cv2.setNumThreads(threads)

    def watch() -> None:
        while os.getppid() == parent:
            time.sleep(1.0)
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()
