"""What was told of a page the last time, kept beside its pictures: it is there again at once.

All of it may be deleted: the page is then worked out anew.
"""

from __future__ import annotations

import json
from contextlib import suppress
from pathlib import Path
from typing import Any

from inkclean import __version__
from inkclean.deliver.files import placed
from inkclean.desk.work.task import More

TOLD = "told.json"
MOST_BYTES = 3_000_000_000  # that the pictures of all pages may take on the disk
Said = dict[str, Any]


def read_told(folder: Path, more: More) -> dict[str, Said]:
    """Return what was told of each stage whose pictures are still there, its key with it.

    ``folder`` holds the page's pictures; ``more`` are more photos of it.
    """
    try:
        kept = json.loads((folder / TOLD).read_text("utf-8"))
        if kept["of"] != _of(more):
            return {}
        return {
            str(stage): dict(said) for stage, said in kept["stages"].items() if _there(folder, said)
        }
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return {}


def write_told(folder: Path, more: More, stages: dict[str, Said]) -> None:
    """Keep what was told of each stage."""
    folder.mkdir(parents=True, exist_ok=True)
    with placed(folder / TOLD, True) as draft:
        draft.write_text(json.dumps({"of": _of(more), "stages": stages}), "utf-8")


def _of(more: More) -> list[Any]:
    return [__version__, *([sha for _, sha in photos] for photos in (more.others, more.newer))]


def _there(folder: Path, said: Said) -> bool:
    names = (said.get("picture"), said.get("flat"))
    return all((folder / name / "picture.json").is_file() for name in names if name)


def trim(folders: list[Path], most_bytes: int = MOST_BYTES) -> None:
    """Delete the pictures of the pages that were left longest, until the rest is small enough.

    ``folders`` hold the pictures of a page each. Numbers of pictures stay taken, so that no
    browser takes a new one for one that it has.
    """
    sizes: dict[Path, int] = {}
    left: dict[Path, float] = {}
    for folder in folders:
        files = [path for path in folder.rglob("*") if path.is_file()]
        with suppress(OSError):
            sizes[folder] = sum(path.stat().st_size for path in files)
            left[folder] = max((path.stat().st_mtime for path in files), default=0.0)
    total = sum(sizes.values())
    for folder in sorted(left, key=lambda one: left[one]):
        if total <= most_bytes:
            return
        (folder / TOLD).unlink(missing_ok=True)
        for path in folder.glob("*/*"):
            path.unlink(missing_ok=True)
        total -= sizes[folder]
