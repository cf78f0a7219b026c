"""Curves and lettering kept on this computer, so that printing need not clean a photo again.

They are the very values that the chain made, each in a file named by all that it was made from:
the photo, the settings and edits that count, the program's own files. So what was made
otherwise is never found. The folder is the user's for things that may be deleted; it is kept
under a size, what was used longest ago goes first. Where it cannot be used, nothing is kept.
"""

from __future__ import annotations

import hashlib
import json
import os
import secrets
import sys
import zipfile
import zlib
from contextlib import suppress
from dataclasses import fields
from functools import lru_cache
from pathlib import Path
from typing import Any, Protocol

import cv2
import numpy as np

import inkclean
from inkclean.curves.values import Curves
from inkclean.flats.lettering.values import Lettering
from inkclean.page import Page

PLACE = "INKCLEAN_KEPT"  # the folder; empty for none
LIMIT_MB = 300.0
_ENDING = ".npz"
_KINDS: dict[str, type[Curves] | type[Lettering]] = {"curves": Curves, "lettering": Lettering}
_WHAT_GOES_WRONG = (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile, zlib.error)


class Source(Protocol):
    """The file of a page, with other photos of the same page: paths and their SHA-256."""

    @property
    def sha256(self) -> str:
        """The SHA-256 of the file."""

    @property
    def others(self) -> tuple[tuple[Path, str], ...]:
        """More photos of the page."""

    @property
    def newer(self) -> tuple[tuple[Path, str], ...]:
        """Those made later."""


def picture_key(source: Source, number: int) -> str:
    """Return what tells picture ``number`` of a file, from 1, from all other pictures."""
    more = [[one for _, one in photos] for photos in (source.others, source.newer)]
    return json.dumps([source.sha256, number, more])


def keep(page: Page, photo: str) -> None:
    """Keep what the page has of curves and lettering; ``photo`` as of ``picture_key``."""
    place = _place()
    names = [name for name in _KINDS if page.has(name) and page.key(name) != "given"]
    if place is None or not names:
        return
    with suppress(OSError):
        place.mkdir(parents=True, exist_ok=True)
        for name in names:
            path = place / _file(photo, page, name)
            if not path.exists():
                _write(path, page.get(name))
        _prune(place)


def recall(page: Page, photo: str) -> dict[str, object]:
    """Return what is kept of the page, by the names of the chain."""
    place = _place()
    values: dict[str, object] = {}
    if place is None or not place.is_dir():
        return values
    for name, kind in _KINDS.items():
        path = place / _file(photo, page, name)
        with suppress(*_WHAT_GOES_WRONG):
            values[name] = _read(path, kind)
            os.utime(path)
    return values


def _place() -> Path | None:
    named = os.environ.get(PLACE)
    if named is not None:
        return Path(named) if named else None
    try:
        home = Path.home()
    except RuntimeError:
        return None
    if sys.platform == "darwin":
        return home / "Library" / "Caches" / "inkclean"
    if sys.platform == "win32":
        return Path(os.environ.get("LOCALAPPDATA") or home / "AppData" / "Local") / "inkclean"
    return Path(os.environ.get("XDG_CACHE_HOME") or home / ".cache") / "inkclean"


def _file(photo: str, page: Page, name: str) -> str:
    text = json.dumps([photo, page.settings.budget_mp, name, page.key(name), _program()])
    return hashlib.sha256(text.encode()).hexdigest() + _ENDING


@lru_cache(maxsize=1)
def _program() -> str:
    """Return what tells this program from every other state of it."""
    own, state = os.path.dirname(inkclean.__file__), []  # noqa: PTH120 - paths take four times as long
    for folder, _, names in os.walk(own):
        for name in names:
            if not name.endswith(".pyc"):
                found = os.stat(f"{folder}{os.sep}{name}")  # noqa: PTH116
                state.append((folder[len(own) :], name, found.st_size, found.st_mtime_ns))
    state.sort()
    text = json.dumps([inkclean.__version__, np.__version__, cv2.__version__, state])
    return hashlib.sha256(text.encode()).hexdigest()


def _write(path: Path, value: Curves | Lettering) -> None:
    values: dict[str, Any] = {item.name: getattr(value, item.name) for item in fields(value)}
    if isinstance(value, Lettering):
        packed = zlib.compress(np.ascontiguousarray(value.kind).data, 1)
        values |= {"kind": np.frombuffer(packed, np.uint8), "shape": value.kind.shape}
    draft = path.with_name(f".{secrets.token_hex(8)}{_ENDING}")
    try:
        np.savez(draft, **values)
        draft.replace(path)
    finally:
        draft.unlink(missing_ok=True)


def _read(path: Path, kind: type[Curves] | type[Lettering]) -> Curves | Lettering:
    with path.open("rb") as file, np.load(file, allow_pickle=False) as held:
        values = {name: held[name] for name in held.files}
    if kind is Lettering:
        plane = np.frombuffer(zlib.decompress(values["kind"].data), np.uint8)
        values["kind"] = plane.reshape(values.pop("shape"))
    return kind(**{name: value if value.ndim else value.item() for name, value in values.items()})


def _prune(place: Path) -> None:
    """Let go of what was used longest ago where there is too much."""
    held = []
    for path in place.glob(f"*{_ENDING}"):
        with suppress(OSError):
            held.append((path.stat().st_mtime, path.stat().st_size, path))
    left = sum(size for _, size, _ in held) - LIMIT_MB * 1e6
    for _, size, path in sorted(held):
        if left <= 0:
            return
        path.unlink(missing_ok=True)
        left -= size
