"""Many pages: files and folders, one after another or several processes at once."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from itertools import count
from multiprocessing import get_context
from pathlib import Path
from typing import Any

from inkclean.deliver.files import finish_moves
from inkclean.errors import InkcleanError, InputError, UsageError
from inkclean.results import ENDINGS, Order, Origin, Target, done_before
from inkclean.ticket import file_hash

PICTURES = {".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".heic", ".heif", ".pdf"}
# set to anything, faults of the program are shown in full
TRACE = "INKCLEAN_TRACE"
_SEVERAL_PAGES = {".tif", ".tiff", ".pdf"}
# what the tool itself leaves beside a photo is no photo
_OWN = (*ENDINGS.values(), ".flats.png", ".areas.png", ".press.pdf", ".tiles.pdf")


@dataclass(frozen=True)
class Outcome:
    """What became of one input file: a report a page, and a failure if there was one."""

    path: Path
    reports: tuple[dict[str, Any], ...]
    error: str | None = None
    exit_code: int = 0


def gather(inputs: Sequence[Path]) -> list[Path]:
    """Return the picture files named, folders replaced by the pictures in them, by name.

    Raises:
        InputError: an input is not there, or a folder holds no pictures.
    """
    found: list[Path] = []
    for path in inputs:
        if not path.is_dir():
            found.append(path)
            continue
        held = sorted(
            item
            for item in path.iterdir()
            if item.suffix.lower() in PICTURES and not _is_result(item)
        )
        if not held:
            raise InputError(f"{path} holds no photos: name a folder with JPEG, PNG, HEIC or PDF")
        found.extend(held)
    return list(dict.fromkeys(found))


def _is_result(path: Path) -> bool:
    name = path.name
    if any(name.endswith(ending) for ending in _OWN if ending != ".pdf"):
        return True
    # NAME.pdf beside NAME.ticket.json was written by the tool; any other PDF is a scan
    return path.suffix == ".pdf" and path.with_name(path.stem + ENDINGS["ticket"]).exists()


def check_names(paths: Sequence[Path], folder: Path | None) -> None:
    """Refuse inputs whose results would bear the same names.

    Raises:
        UsageError: two inputs share a name.
    """
    taken: dict[Path, Path] = {}
    for path in paths:
        place = (folder or path.parent) / path.stem
        if place in taken:
            raise UsageError(
                f"{taken[place]} and {path} would leave results of the same name: "
                "rename one, or clean them into different folders with -o"
            )
        taken[place] = path


def clean_file(path: Path, folder: Path | None, order: Order, replace: bool) -> Outcome:
    """Clean every page of one file; a failure is told in the outcome, never raised."""
    reports: list[dict[str, Any]] = []
    try:
        for report in _clean_pages(path, folder, order, replace):
            reports.append(report)
    except InkcleanError as error:
        return Outcome(path, tuple(reports), str(error), error.exit_code)
    except MemoryError:
        why = f"{path} needs more memory than there is: close other programs or scale it down"
        return Outcome(path, tuple(reports), why, InputError.exit_code)
    except Exception as error:
        if os.environ.get(TRACE):
            raise
        why = (
            f"{path} failed by a fault of the program ({type(error).__name__}: {error}): "
            f"report it; {TRACE}=1 shows where"
        )
        return Outcome(path, tuple(reports), " ".join(why.split()), InputError.exit_code)
    return Outcome(path, tuple(reports))


def _clean_pages(
    path: Path, folder: Path | None, order: Order, replace: bool
) -> Iterator[dict[str, Any]]:
    place = folder or path.parent
    origin = Origin(path, file_hash(path), 1)
    if path.suffix.lower() not in _SEVERAL_PAGES:
        # one picture, one name: no need to open it to see whether it is done
        target = Target(place, path.stem, replace)
        finish_moves(place, target.name, tuple(ENDINGS.values()))
        report = done_before(order, origin, target)
        if report is not None:
            yield report
            return
    from inkclean.pipeline import Stopwatch, clean_photo
    from inkclean.results import write_results
    from inkclean.sheet.read import read_photos

    photos = read_photos(path, budget_mp=order.settings.budget_mp)
    for number in count(1):
        watch = Stopwatch()
        with watch.stage("read"):
            photo = next(photos, None)
        if photo is None:
            return
        origin = Origin(path, origin.sha256, number)
        target = Target(place, photo.name, replace)
        finish_moves(place, target.name, tuple(ENDINGS.values()))
        report = done_before(order, origin, target)
        if report is None:
            target.check(order.kinds)
            page = clean_photo(photo, order.settings, watch, keep_pencil=order.keep_pencil)
            report = write_results(page, photo, order, origin, target)
        yield report


def clean_files(
    paths: Sequence[Path],
    folder: Path | None,
    order: Order,
    *,
    replace: bool = False,
    jobs: int = 1,
    tell: Callable[[int, Path], None] = lambda done, path: None,
) -> Iterator[Outcome]:
    """Clean the files and give their outcomes in the order of ``paths``.

    ``jobs`` processes work side by side. ``tell(number, path)`` is called as each file's
    turn comes to be reported.
    """
    if jobs <= 1 or len(paths) <= 1:
        for number, path in enumerate(paths):
            tell(number, path)
            yield clean_file(path, folder, order, replace)
        return
    with ProcessPoolExecutor(min(jobs, len(paths)), mp_context=get_context("spawn")) as pool:
        waiting = [pool.submit(clean_file, path, folder, order, replace) for path in paths]
        for number, (path, future) in enumerate(zip(paths, waiting, strict=True)):
            tell(number, path)
            yield future.result()
