"""The command ``clean``: photos or scans to clean ink and curves."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from inkclean.base.errors import UsageError
from inkclean.base.units import counted
from inkclean.cli.options import (
    as_one_option,
    clean_options,
    crew_of,
    doubts,
    finish,
    option_group,
    page_options,
    result_options,
    settings_of,
    shower,
    spent,
    teller,
    typed_settings,
    work_through,
)

if TYPE_CHECKING:
    from inkclean.jobs.batch import BookTask, Outcome, Task
    from inkclean.jobs.reports import CleanReport
    from inkclean.jobs.results import Order
    from inkclean.settings import Settings

_FILE = click.Path(path_type=Path, dir_okay=False)
_SCHEME = re.compile(r"([a-z][a-z0-9+.-]+):/(.*)")


# Options for whole books and many machines
_batch_options = option_group(
    click.option(
        "--like",
        type=_FILE,
        metavar="TICKET",
        help="Clean every page with the settings and paper in this ticket; options you "
        "type override the ticket.",
    ),
    click.option(
        "--even",
        is_flag=True,
        help="Give every page the same line weight (the batch's median).",
    ),
    click.option(
        "--contact",
        type=_FILE,
        metavar="FILE",
        help="Also write a contact sheet: one PNG with a small picture of every page.",
    ),
    click.option(
        "--timings",
        type=_FILE,
        metavar="FILE",
        help="Also write where the time went, as trace events in JSON.",
    ),
    click.option(
        "--cluster",
        metavar="ADDRESS",
        help="Clean the pages on the Dask cluster with its scheduler at ADDRESS.",
    ),
)


@click.command()
@click.argument("photos", nargs=-1, required=True, metavar="PHOTO…")
@page_options
@result_options
@clean_options
@click.option(
    "--also",
    default="",
    metavar="KINDS",
    help="More results, separated by commas: lines, pencil, grey, lettering, tiff, pdf, proof.",
)
@as_one_option
@_batch_options
def clean(photos: tuple[str, ...], also: str, **options: Any) -> None:
    """Turn photos or scans (files or folders) into clean ink and curves."""
    from inkclean.jobs.results import Order, parse_also

    order = Order(_settings(options), parse_also(also))
    _check_places(options)
    tasks = _tasks(photos, order, options)
    # a hundred thousand reports would fill the memory: kept only for who looks at all of them
    overviews = options["contact"] is not None or options["timings"] is not None
    outcomes: list[Outcome] = []
    done, failures = work_through(
        _outcomes(tasks, options),
        shower(options, summary),
        outcomes.append if overviews else lambda outcome: None,
    )
    _leave_overviews(outcomes, options)
    finish(done, failures)


def _settings(options: dict[str, Any]) -> Settings:
    settings = replace(settings_of(options), even=options["even"])
    if options["like"] is None:
        return settings
    from inkclean.jobs.book import like
    from inkclean.settings import check_settings

    settings = like(options["like"], settings, typed_settings())
    check_settings(settings)
    return settings


def _check_places(options: dict[str, Any]) -> None:
    """Refuse, before any work, overviews whose files already exist."""
    if options["contact"] is not None:
        from inkclean.deliver.pictures.contact import check_contact

        check_contact(options["contact"], options["replace"])
    if options["timings"] is not None:
        from inkclean.jobs.timings import check_timings

        check_timings(options["timings"], options["replace"])


def _tasks(photos: Sequence[str], order: Order, options: dict[str, Any]) -> list[BookTask]:
    from inkclean.jobs.batch import Job
    from inkclean.jobs.inputs import TICKET, check_names, gather
    from inkclean.jobs.remote import RemoteJob, gather_remote, is_address

    folder, again = place_of(options["folder"]), options["replace"]
    for photo in photos:
        if photo.endswith(TICKET):
            raise UsageError(
                f"{photo} is a ticket: give its photo, with --like for the ticket's settings and "
                "--replace to make its files anew"
            )
    far = [photo for photo in photos if is_address(photo)]
    paths = gather([Path(photo) for photo in photos if not is_address(photo)])
    sources = gather_remote(far)
    if options["as_one"]:
        return [_as_one(paths, sources, order, options)]
    if not sources and not isinstance(folder, str):
        place = folder
        if options["cluster"]:
            # the machines of a cluster share the files, not the folder one stands in
            paths = [path.absolute() for path in paths]
            place = None if place is None else place.absolute()
        check_names(paths, place)
        return [Job(path, place, order, again) for path in paths]
    sources += [path.absolute().as_uri() for path in paths]
    if isinstance(folder, Path):
        folder = folder.absolute().as_uri()
    pairs = [(source, (folder or source.rpartition("/")[0]).rstrip("/")) for source in sources]
    check_names([Path(place, source.rpartition("/")[2]) for source, place in pairs], None)
    return [RemoteJob(source, place, order, again) for source, place in pairs]


def _as_one(
    paths: Sequence[Path], sources: Sequence[str], order: Order, options: dict[str, Any]
) -> BookTask:
    """Return the one task of several photos of a page."""
    from inkclean.jobs.batch import Job
    from inkclean.jobs.inputs import together

    if sources or options["cluster"] or options["even"]:
        raise UsageError(
            "--as-one joins photos in folders of this machine, one page at a time: leave out "
            "addresses, --cluster and --even"
        )
    first, others = together(paths)
    return Job(first, options["folder"], order, options["replace"], others)


def place_of(folder: Path | None) -> Path | str | None:
    """Return the folder for the results, as an address again if it was one.

    A path drops the second slash of ``s3://bucket/book``, and two of ``file:///book``.
    """
    found = _SCHEME.match("" if folder is None else folder.as_posix())
    if folder is None or found is None or folder.exists():
        return folder
    slashes = "///" if found[1] in ("file", "local") else "//"
    return f"{found[1]}:{slashes}{found[2]}"


def _outcomes(tasks: Sequence[BookTask], options: dict[str, Any]) -> Iterator[Outcome]:
    from inkclean.jobs.batch import run_tasks, timed
    from inkclean.jobs.book import even_files

    workers = 0 if options["cluster"] else crew_of(tasks, options).workers
    tell = teller(len(tasks), options["quiet"])

    def cleaned(some: Sequence[Task]) -> Iterator[Outcome]:
        if options["cluster"]:
            from inkclean.jobs.cluster import clean_on_cluster

            return clean_on_cluster(some, options["cluster"])
        return run_tasks(some, workers=workers)

    def say(text: str) -> None:
        if not options["quiet"]:
            click.echo(text, err=True)

    if options["even"]:
        return even_files(tasks, cleaned, tell, say, workers)
    return timed(tasks, cleaned(tasks), tell, workers)


def _leave_overviews(outcomes: Sequence[Outcome], options: dict[str, Any]) -> None:
    """Write the contact sheet and the trace where they were asked for."""
    if options["contact"] is not None:
        from inkclean.deliver.pictures.contact import write_contact
        from inkclean.jobs.overview import cells

        write_contact(cells(outcomes), options["contact"], options["replace"])
    if options["timings"] is not None:
        from inkclean.jobs.timings import write_timings

        works = [work for outcome in outcomes for work in outcome.work]
        write_timings(works, options["timings"], options["replace"])


def summary(report: CleanReport) -> list[str]:
    """Return the few lines that tell a person what became of a page."""
    sheet, ink, curves = report.sheet, report.ink, report.curves
    paper = sheet.paper or "sheet"
    size = f"{sheet.width_mm:.0f} × {sheet.height_mm:.0f} mm"
    lines = [
        f"{Path(report.input).name}: {paper} ({size}, {sheet.framed}), "
        f"{100 * ink.share:.1f} % ink, {curves.shapes} shapes, {spent(report)}"
    ]
    lines += doubts(report)
    if ink.to_check:
        proof = report.outputs.get("proof")
        where = f", numbered in {Path(proof).name}" if proof else "; add --also proof to see them"
        lines.append(f"  {counted(len(ink.to_check), 'place')} to check{where}")
    lines += [f"  {path}" for path in report.outputs.values()]
    return lines
