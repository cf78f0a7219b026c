"""Work done aside: in a thread of its own, until somebody asks what came of it."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any

import cv2


class Aside:
    """Work that runs beside the caller, who asks for its ``result`` later.

    Where OpenCV may use one thread alone, it is done before the caller goes on.
    """

    def __init__(self, work: Callable[[], Any]) -> None:
        self._work = work
        self._made: Any = None
        self._failed: BaseException | None = None
        self._thread = threading.Thread(target=self._run)
        if cv2.getNumThreads() > 1:
            self._thread.start()
        else:
            self._thread.run()

    def _run(self) -> None:
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
