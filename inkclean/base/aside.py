"""Work done aside: in a thread of its own, until somebody asks what came of it."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from typing import Any

import cv2


class Aside:
    """Work that runs beside the caller, who asks for its ``result`` later.

    Where OpenCV may use one thread alone, it is done before the caller goes on. No more runs at
    once than there are threads for beside the caller: of ``others``, given in their order, it
    waits for the last that leaves it one.
    """

    def __init__(self, work: Callable[[], Any], others: Sequence[Aside] = ()) -> None:
        self._thread = threading.Thread(target=self._run)
        beside = max(1, cv2.getNumThreads() - 1)
        running = [other for other in others if other._thread.is_alive()]
        self._first = running[-beside] if len(running) >= beside else None
        self._work = work
        self._made: Any = None
        self._failed: BaseException | None = None
        if cv2.getNumThreads() > 1:
            self._thread.start()
        else:
            self._thread.run()

    def _run(self) -> None:
        if self._first is not None:
            self._first.wait()
            self._first = None
        try:
            self._made = self._work()
        except BaseException as error:  # told by whoever asks
            self._failed = error

    def wait(self) -> None:
        """Wait until the work is no longer running."""
        if self._thread.ident is not None:
            self._thread.join()

    def result(self) -> Any:
        """Return what the work made, or raise what it raised."""
        self.wait()
        if self._failed is not None:
            raise self._failed
        return self._made
