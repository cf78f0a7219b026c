"""Many pages: files and folders, one after another or several processes at once."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import count
from pathlib import Path
from typing import Any

from inkclean.deliver.files import finish_moves
from inkclean.errors import InkcleanError, InputError
from inkclean.inputs import SEVERAL_PAGES
from inkclean.results import ENDINGS, Order, Origin, Target, done_before
from inkclean.ticket import file_hash

# set to anything, faults of the program are shown in full
TRACE = "INKCLEAN_TRACE"

# What a page takes at its peak, measured on photos of 3 to 48 MP with room to spare.
_BASE_MB = 350.0
_BYTES_PER_PIXEL = 90.0
# An A4 page at 600 dpi, for files whose size the header does not tell.
_UNKNOWN_PIXELS = 35_000_000


@dataclass(frozen=True)
class Outcome:
    """What became of one input file: a report a page, and a failure if there was one."""

    path: Path
    reports: tuple[dict[str, Any], ...]
    error: str | None = None
    exit_code: int = 0


@dataclass(frozen=True)
class Job:
    """One input file, where its results go (None: beside it), and what is made of it."""

    path: Path
    folder: Path | None
    order: Order
    replace: bool


def clean_file(job: Job) -> Outcome:
    """Clean every page of one file; a failure is told in the outcome, never raised."""
    reports: list[dict[str, Any]] = []
    try:
        for report in _clean_pages(job):
            reports.append(report)  # what was done before a failure is kept
    except InkcleanError as error:
        return Outcome(job.path, tuple(reports), str(error), error.exit_code)
    except MemoryError:
        return lost_file(job, tuple(reports))
    except Exception as error:
        if os.environ.get(TRACE):
            raise
        why = (
            f"{job.path} failed by a fault of the program ({type(error).__name__}: {error}): "
            f"report it; {TRACE}=1 shows where"
        )
        return Outcome(job.path, tuple(reports), " ".join(why.split()), InputError.exit_code)
    return Outcome(job.path, tuple(reports))


def lost_file(job: Job, reports: tuple[dict[str, Any], ...] = ()) -> Outcome:
    """Return the outcome of a page that memory does not hold."""
    why = f"{job.path} needs more memory than there is: close other programs or scale it down"
    return Outcome(job.path, reports, why, InputError.exit_code)


def _clean_pages(job: Job) -> Iterator[dict[str, Any]]:
    place, order = job.folder or job.path.parent, job.order
    origin = Origin(job.path, file_hash(job.path), 1)
    if job.path.suffix.lower() not in SEVERAL_PAGES:
        # one picture, one name: no need to open it to see whether it is done
        target = Target(place, job.path.stem, job.replace)
        finish_moves(place, target.name, tuple(ENDINGS.values()))
        report = done_before(order, origin, target)
        if report is not None:
            yield report
            return
    from inkclean.pipeline import Stopwatch, clean_photo
    from inkclean.results import write_results
    from inkclean.sheet.read import read_photos

    photos = read_photos(job.path, budget_mp=order.settings.budget_mp)
    for number in count(1):
        watch = Stopwatch()
        with watch.stage("read"):
            photo = next(photos, None)
        if photo is None:
            return
        origin = Origin(job.path, origin.sha256, number)
        target = Target(place, photo.name, job.replace)
        finish_moves(place, target.name, tuple(ENDINGS.values()))
        report = done_before(order, origin, target)
        if report is None:
            target.check(order.kinds)
            page = clean_photo(photo, order.settings, watch, keep_pencil=order.keep_pencil)
            report = write_results(page, photo, order, origin, target)
        yield report


def need_mb(path: Path) -> float:
    """Return the memory in MB that a file's largest page is predicted to take."""
    from inkclean.sheet.read import largest_pixels

    pixels = largest_pixels(path)
    return _BASE_MB + (_UNKNOWN_PIXELS if pixels is None else pixels) * _BYTES_PER_PIXEL / 2.0**20


def clean_files(
    jobs: Sequence[Job],
    *,
    workers: int = 1,
    tell: Callable[[int, Job, float | None], None] = lambda done, job, left: None,
) -> Iterator[Outcome]:
    """Clean the files and yield their outcomes in the order of ``jobs``.

    ``workers`` processes work side by side, fewer where memory would not hold them.
    ``tell(done, job, seconds_left)`` is called before each outcome's turn.
    """
    start = time.monotonic()
    spared = 0
    outcomes = _outcomes(jobs, workers)
    for done, job in enumerate(jobs):
        made = done - spared
        left = (time.monotonic() - start) / made * (len(jobs) - done) if made else None
        tell(done, job, left)
        outcome = next(outcomes)
        spared += all(report["done_before"] for report in outcome.reports) and not outcome.error
        yield outcome


def _outcomes(jobs: Sequence[Job], workers: int) -> Iterator[Outcome]:
    if workers <= 1 or len(jobs) <= 1:
        yield from map(clean_file, jobs)
        return
    from inkclean.pool import Pool

    pool = Pool(clean_file, lost_file, jobs=min(workers, len(jobs)))
    yield from pool.run(jobs, [need_mb(job.path) for job in jobs])
