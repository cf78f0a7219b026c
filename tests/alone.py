"""What only one of the processes that share a run does, while the others wait for it."""

from __future__ import annotations

import fcntl
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


@contextmanager
def alone(path: Path) -> Iterator[None]:
    """Let one process at a time make the file at ``path``; the lock goes with its process."""
    with path.with_name(path.name + ".lock").open("a") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield
