"""The edit log of one page: append-only, written through to the disk, undo and redo without end.

One line of JSON an entry. What was done is never taken out of the file: undo and redo are
entries too. A line that a dying process left unfinished is skipped.
"""

from __future__ import annotations

import json
import os
import threading
from pathlib import Path
from typing import Any

Act = dict[str, Any]
# where the system has it: the entry and its length, not when it was written, in half the time
_write_through = getattr(os, "fdatasync", os.fsync)


class EditLog:
    """The edits of a page in their order, kept in one file."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._lock = threading.Lock()
        self.done: list[Act] = []
        self.undone: list[Act] = []
        self.count = 0
        self._whole = True
        if path.exists():
            self._read()

    def _read(self) -> None:
        data = self._path.read_bytes()
        self._whole = data.endswith(b"\n") or not data
        for line in data.split(b"\n"):
            try:
                entry = json.loads(line)
            except ValueError:
                continue
            if isinstance(entry, dict):
                self._follow(entry)

    def _follow(self, entry: Act) -> None:
        self.count += 1
        if "do" in entry:
            self.done.append(entry["do"])
            self.undone.clear()
        elif "undo" in entry and self.done:
            self.undone.append(self.done.pop())
        elif "redo" in entry and self.undone:
            self.done.append(self.undone.pop())

    def do(self, act: Act) -> None:
        """Add an edit; it is on the disk when this returns."""
        self._append({"do": act})

    def undo(self) -> bool:
        """Undo the last edit; False if there is none."""
        return bool(self.done) and self._append({"undo": True})

    def redo(self) -> bool:
        """Redo what was undone last; False if there is nothing."""
        return bool(self.undone) and self._append({"redo": True})

    def _append(self, entry: Act) -> bool:
        with self._lock:
            line = json.dumps(entry, separators=(",", ":"), ensure_ascii=False) + "\n"
            if not self._whole:
                line = "\n" + line
            handle = os.open(self._path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
            try:
                os.write(handle, line.encode())
                _write_through(handle)
            finally:
                os.close(handle)
            self._whole = True
            self._follow(entry)
        return True
