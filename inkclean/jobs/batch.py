"""Many pages: files and folders, one after another or several processes at once."""

from __future__ import annotations

import os
import socket
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from importlib import import_module
from itertools import count
from pathlib import Path
from typing import Generic, Protocol, TypeVar

from inkclean.base.aside import Aside
from inkclean.base.errors import TRACE, InkcleanError, InputError, fault, printable
from inkclean.base.memory import keep_what_is_free
from inkclean.base.stopwatch import Span, Stopwatch
from inkclean.deliver.files import finish_moves
from inkclean.jobs.crew.foresight import Foresight
from inkclean.jobs.inputs import SEVERAL_PAGES, TICKET, photo_of
from inkclean.jobs.reports import CleanReport, Report
from inkclean.jobs.results import (
    ENDINGS,
    Evening,
    Order,
    Origin,
    Target,
    by_hand,
    done_before,
    edits_kept,
)
from inkclean.jobs.ticket import file_hash, read_ticket

# What a page takes at its peak, measured by tests.benchmarks.cost on photos of 3, 12 and 48 MP
# (500, 480, 1210 MB) and a scan of 70 MP (1840 MB), with a tenth to spare: to start with in MB,
# and bytes a pixel. More results than the usual, or centrelines, hold more pictures at once
# (12 MP 1200 MB, 70 MP 3270 MB).
_USUAL = (450.0, 24.0)
_MORE = (800.0, 42.0)
# Of more photos of a page, bytes a pixel.
_EACH_MORE = 16.0
# An A4 page at 600 dpi, for files whose size the header does not tell.
_UNKNOWN_PIXELS = 35_000_000


@dataclass(frozen=True)
class Work:
    """The stages of one page as they ran, and the process (``host:id``) that ran them."""

    page: str
    process: str
    spans: tuple[Span, ...]


@dataclass(frozen=True)
class Outcome:
    """What became of one input file: a report a page, and a failure if there was one.

    ``begun`` is when work on it began, s since the epoch; ``seconds`` is how long it took.
    """

    source: str
    reports: tuple[Report, ...]
    error: str | None = None
    exit_code: int = 0
    work: tuple[Work, ...] = ()
    begun: float = 0.0
    seconds: float = 0.0


_Order = TypeVar("_Order")


@dataclass(frozen=True)
class FileTask(Generic[_Order]):
    """One input file, where its results go (None: beside it), and what is made of it.

    ``others`` are more photos of the same page.
    """

    path: Path
    folder: Path | None
    order: _Order
    replace: bool
    others: tuple[Path, ...] = ()

    @property
    def name(self) -> str:
        """What to call the file in a line of progress."""
        return self.path.name

    @property
    def source(self) -> str:
        """The file as it was named."""
        return str(self.path)

    def megapixels(self) -> float:
        """Return how many megapixels are worked on, about: of its first page, and more photos."""
        found = [pixels_of(path) or _UNKNOWN_PIXELS for path in (self.path, *self.others)]
        return sum(found) / 1e6


@dataclass(frozen=True)
class Job(FileTask[Order]):
    """One photo or scan to be cleaned.

    ``evening`` gives, by the number of the page in the file, the lines that its pages get
    for the book; results of the same order that stand there are then replaced. ``passing`` is as
    for ``Origin``.
    """

    evening: tuple[tuple[int, Evening], ...] = ()
    passing: bool = False

    def run(self) -> Outcome:
        """Clean the file."""
        return clean_file(self)

    def evened(self, evening: Mapping[int, Evening]) -> Job:
        """Return the job with the lines that its pages get for the book."""
        return replace(self, evening=tuple(evening.items()))

    def need_mb(self) -> float:
        """Return the memory in MB that its largest page is predicted to take."""
        return need_mb(self.path, self.order) + need_together(self.others)


class Task(Protocol):
    """What a batch is made of: a file here, or one at an address, and what is made of it."""

    @property
    def name(self) -> str:
        """What to call the file in a line of progress."""

    @property
    def source(self) -> str:
        """The file as it was named."""

    def run(self) -> Outcome:
        """Do the work; a failure is told in the outcome, never raised."""

    def need_mb(self) -> float:
        """Return the memory in MB that its largest page is predicted to take."""

    def megapixels(self) -> float:
        """Return how many megapixels are worked on, about."""


class BookTask(Task, Protocol):
    """A task whose pages can be evened out with the rest of their book."""

    def evened(self, evening: Mapping[int, Evening]) -> BookTask:
        """Return the task with the lines that its pages get for the book."""


@dataclass
class Log:
    """What a file has come to so far: kept when a later page of it fails."""

    reports: list[Report] = field(default_factory=list)
    work: list[Work] = field(default_factory=list)


def clean_file(job: Job) -> Outcome:
    """Clean every page of one file; a failure is told in the outcome, never raised."""
    return outcome_of(job.source, lambda log: _clean_pages(job, log))


def outcome_of(source: str, work: Callable[[Log], None]) -> Outcome:
    """Return what ``work`` came to: what it put into its log, and how it failed if it did."""
    log = Log()

    def outcome(error: str | None = None, exit_code: int = 0) -> Outcome:
        return Outcome(source, tuple(log.reports), error, exit_code, tuple(log.work))

    try:
        work(log)
    except InkcleanError as error:
        return outcome(str(error), error.exit_code)
    except MemoryError:
        return outcome(no_memory(source), InputError.exit_code)
    except Exception as error:
        if os.environ.get(TRACE):
            raise
        return outcome(f"{printable(source)} failed by {fault(error)}", InputError.exit_code)
    return outcome()


def no_memory(source: str) -> str:
    """Return the message for a page that does not fit in memory."""
    name = printable(source)
    return f"{name} needs more memory than there is: close other programs or scale it down"


def run(task: Task) -> Outcome:
    """Run a task; the processes of a batch call this."""
    begun, start = time.time(), time.perf_counter()
    outcome = task.run()
    return replace(outcome, begun=begun, seconds=time.perf_counter() - start)


def lost(task: Task) -> Outcome:
    """Return the outcome of a file whose process died twice, most likely out of memory."""
    return Outcome(task.source, (), no_memory(task.source), InputError.exit_code)


def _clean_pages(job: Job, log: Log) -> None:
    keep_what_is_free()
    place = job.folder or job.path.parent
    others = tuple((path, file_hash(path)) for path in job.others)
    origin = Origin(job.path, file_hash(job.path), 1, job.passing, others)
    if job.others:
        _clean_together(job, origin, Target(place, job.path.stem, job.replace), log)
        return
    if job.path.suffix.lower() not in SEVERAL_PAGES:
        # one picture, one name: no need to open it to see whether it is done
        report = _standing(job, origin, Target(place, job.path.stem, job.replace))
        if report is not None:
            log.reports.append(report)
            return
    from inkclean.sheet.read import read_photos

    Aside(partial(import_module, "inkclean.page"))  # loaded while the first photo is decoded
    photos = read_photos(job.path, budget_mp=job.order.settings.budget_mp)
    process = f"{socket.gethostname()}:{os.getpid()}"
    for number in count(1):
        watch = Stopwatch()
        with watch.stage("read"):
            photo = next(photos, None)
        if photo is None:
            return
        from inkclean.jobs.results import write_results
        from inkclean.kept import keep, picture_key
        from inkclean.page import Page

        origin = replace(origin, page=number)
        target = Target(place, photo.name, job.replace)
        report = _standing(job, origin, target)
        if report is None:
            order = _order(job, number)
            if order.evening is not None and done_before(job.order, origin, target) is not None:
                target = replace(target, replace=True)  # our own, at another weight
            target.check(order.kinds)
            edits = edits_kept(origin, target)
            page = Page(
                photo,
                order.settings,
                spare=("photo", "joined"),
                watch=watch,
                keep_pencil=order.keep_pencil,
                line_mm=None if order.evening is None else order.evening.line_mm,
                **by_hand(edits),
            )
            photo = None  # the page lets go of it
            report = write_results(page, order, origin, target, edits)
            keep(page, picture_key(origin, number))
            log.work.append(Work(target.name, process, tuple(watch.spans)))
        log.reports.append(report)


def _clean_together(job: Job, origin: Origin, target: Target, log: Log) -> None:
    """Clean the one page that several photos show."""
    from inkclean.jobs.results import write_results
    from inkclean.kept import keep, picture_key
    from inkclean.page import Page

    report = _standing(job, origin, target)
    if report is None:
        target.check(job.order.kinds)
        edits = edits_kept(origin, target)
        watch = Stopwatch()
        page = Page(
            # begun with the joined photo, as by whoever goes on from the ticket: so what is kept
            # of the page is found again
            Page(job.path, job.order.settings, watch=watch, others=job.others).photo,
            job.order.settings,
            spare=("photo", "joined"),
            watch=watch,
            keep_pencil=job.order.keep_pencil,
            **by_hand(edits),
        )
        report = write_results(page, job.order, origin, target, edits)
        keep(page, picture_key(origin, origin.page))
        process = f"{socket.gethostname()}:{os.getpid()}"
        log.work.append(Work(target.name, process, tuple(watch.spans)))
    log.reports.append(report)


def _order(job: Job, page: int) -> Order:
    return replace(job.order, evening=dict(job.evening).get(page))


def _standing(job: Job, origin: Origin, target: Target) -> CleanReport | None:
    """Return the report of a finished page, after tidying up what an interrupted run left."""
    finish_moves(target.folder, target.name, tuple(ENDINGS.values()))
    return done_before(_order(job, origin.page), origin, target)


def need_mb(path: Path, order: Order) -> float:
    """Return the memory in MB that a file's first page is predicted to take."""
    return need_of(pixels_of(path), order)


def pixels_of(path: Path) -> int | None:
    """Return the pixels of a file's first picture, or of a ticket's photo; None if not told."""
    from inkclean.sheet.read import largest_pixels

    if path.name.endswith(TICKET):
        try:
            path = photo_of(path, read_ticket(path))
        except InputError:
            return None
    return largest_pixels(path)


def need_together(others: Sequence[Path]) -> float:
    """Return the memory in MB that more photos of a page are predicted to take."""
    from inkclean.sheet.read import largest_pixels

    pixels = [largest_pixels(path) or _UNKNOWN_PIXELS for path in others]
    return sum(pixels) * _EACH_MORE / 2.0**20


def need_of(pixels: int | None, order: Order) -> float:
    """Return the memory in MB for a page of ``pixels``; None: as large as one is likely to be."""
    base, each = _MORE if order.also or order.settings.strokes else _USUAL
    return base + (_UNKNOWN_PIXELS if pixels is None else pixels) * each / 2.0**20


Tell = Callable[[int, Task, float | None], None]
Clean = Callable[[Sequence[Task]], Iterator[Outcome]]


def timed(
    jobs: Sequence[Task], outcomes: Iterator[Outcome], tell: Tell, workers: int = 1
) -> Iterator[Outcome]:
    """Yield the outcomes, one a job; ``tell(done, job, seconds_left)`` is called before each.

    ``workers`` jobs are worked on at once, 0 if nobody knows how many.
    """
    foresight = Foresight([job.megapixels() for job in jobs], workers)
    for done, job in enumerate(jobs):
        tell(done, job, foresight.left(time.time()))
        outcome = next(outcomes)
        stood = all(report.done_before for report in outcome.reports) and not outcome.error
        foresight.learn(outcome.begun, outcome.seconds, stood)
        yield outcome


def run_tasks(jobs: Sequence[Task], *, workers: int = 1) -> Iterator[Outcome]:
    """Do the tasks and yield their outcomes in the order of ``jobs``.

    ``workers`` processes work side by side, fewer where memory would not hold them.
    """
    if workers <= 1 or len(jobs) <= 1:
        yield from map(run, jobs)
        return
    from inkclean.jobs.processes import Pool

    pool = Pool(run, lost, jobs=min(workers, len(jobs)))
    yield from pool.run(jobs, [job.need_mb() for job in jobs])
