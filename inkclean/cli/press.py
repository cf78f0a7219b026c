"""The command ``press``: print files from a ticket or a photo."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from click.core import ParameterSource

from inkclean.base.errors import UsageError
from inkclean.cli.options import (
    as_one_option,
    finish,
    jobs_option,
    option_group,
    result_options,
    shower,
    told_as_done,
    work_through,
)

if TYPE_CHECKING:
    from inkclean.jobs.press_pages import PressOrder
    from inkclean.jobs.reports import PrintReport

_FILE = click.Path(path_type=Path)
# what has no effect on a poster, and what has one only beside another option
_NOT_ON_POSTERS = (
    *("trim", "bleed", "safe", "side", "fit", "scale", "marks", "standard", "intent", "profile"),
    *("ink_limit", "thinnest", "also", "dpi", "screen", "plates"),
)
_ONLY_WITH = {
    **dict.fromkeys(("on", "overlap", "margin"), ("poster",)),
    "dpi": ("also", "screen"),
    **dict.fromkeys(("grey", "shade", "least_dot"), ("screen",)),
    "gain": ("screen", "plates"),
    "spread": ("plates",),
    "intent": ("standard",),
    "profile": ("standard", "under"),
    "ink_limit": ("under",),
}


# the check's verdicts as they are printed, and the options that a finding's cure speaks of
_VERDICTS = {"passes": "passes", "look": "needs a look", "fails": "fails"}
_MARKS = {"passes": "passes  ", "look": "to check", "fails": "fails   "}
_CURED_BY = {
    "thinnest line": "--scale, clean --weight",
    "bleed": "--bleed, --fit bleed, --scale",
    "safe area": "--fit safe, --scale",
    "colour bleed": "--fit bleed, --bleed",
    "screen": "--screen, --dpi",
    "plate colours": "--plates",
    "smallest dot": "--screen, --least-dot",
}


_options = option_group(
    click.option(
        "--trim",
        metavar="SIZE",
        help="Size of the trimmed page: comic, comic-short, digest, A4 … or 6.625x10.25in "
        "(default: the sheet's own size).",
    ),
    click.option(
        "--bleed",
        default="3mm",
        show_default=True,
        metavar="LENGTHS",
        help="Bleed: one length, or four: top,outer,bottom,inner.",
    ),
    click.option(
        "--safe",
        default="5mm",
        show_default=True,
        metavar="LENGTHS",
        help="Distance of the safe area from the trim: one length, or four.",
    ),
    click.option(
        "--side",
        type=click.Choice(("recto", "verso")),
        default="recto",
        show_default=True,
        help="Right-hand (recto) or left-hand (verso) page: decides which edge is the inner one.",
    ),
    click.option(
        "--fit",
        type=click.Choice(("trim", "bleed", "safe")),
        help="Fit the whole sheet inside the trim, let the sheet fill the bleed, or fit "
        "the ink inside the safe area.",
    ),
    click.option(
        "--scale",
        metavar="PER_CENT",
        help="Size of the art, such as 66.7%; the art is centred.",
    ),
    click.option("--marks", is_flag=True, help="Add crop marks."),
    click.option("--standard", type=click.Choice(("x1a",)), help="x1a: write PDF/X-1a:2003."),
    click.option(
        "--intent",
        metavar="NAME",
        help="Registered name of the printing condition, as your printer states it.",
    ),
    click.option("--profile", type=_FILE, metavar="FILE", help="The printer's CMYK profile (ICC)."),
    click.option(
        "--under",
        type=_FILE,
        metavar="FILE",
        help="Colour under the lines: a picture, a folder of layers, or an OpenRaster file.",
    ),
    click.option(
        "--ink-limit",
        type=click.FloatRange(100, 400),
        default=280,
        show_default=True,
        metavar="PER_CENT",
        help="Most ink allowed in one place: the sum of the four inks.",
    ),
    click.option(
        "--thinnest",
        default="0.25pt",
        show_default=True,
        metavar="LENGTH",
        help="Thinnest line your printer can print.",
    ),
    click.option(
        "--also",
        metavar="KINDS",
        default="",
        help="tiff: also write the lines as a one-bit TIFF.",
    ),
    click.option(
        "--dpi",
        type=click.Choice(("600", "800", "1200", "2400")),
        help="Resolution of the TIFF, and of a screen (default: 600; for a screen 1200 or 2400, "
        "whichever its ruling needs).",
    ),
    click.option(
        "--screen",
        metavar="LPI[@ANGLE]",
        help="Print grey in one ink: as dots (or 60@45,lines) of so many lines per inch, under "
        "the solid lines.",
    ),
    click.option(
        "--grey",
        metavar="KINDS",
        default="",
        help="What the screen is made of: wash (all grey beside the ink), pencil (the coloured "
        "pencil), or both (default: wash, without --under or --shade).",
    ),
    click.option(
        "--shade",
        type=float,
        metavar="DEGREES",
        help="Add a soft first shade to the screen: light from 0 above, 90 the right.",
    ),
    click.option(
        "--least-dot",
        default="3%",
        show_default=True,
        metavar="PER_CENT",
        help="Smallest dot your printer can print.",
    ),
    click.option(
        "--gain",
        metavar="PER_CENT",
        help="Dot gain of your printer at mid-tone, taken back (default: 0% for grey, 20% for the "
        "tints of plates).",
    ),
    click.option(
        "--plates",
        metavar="INKS",
        help="Print the page's colours (or those of --under) in spot inks, such as "
        "blue=#2a5db0,red=#d03030, under black lines; with --also tiff a file for each plate.",
    ),
    click.option(
        "--spread",
        default="0.2mm",
        show_default=True,
        metavar="LENGTH",
        help="How far colours run on under the lines.",
    ),
    click.option(
        "--poster", metavar="SIZE", help="Print this large, over several sheets (see --on)."
    ),
    click.option(
        "--on",
        default="A4",
        show_default=True,
        metavar="SIZE",
        help="Paper in your printer.",
    ),
    click.option(
        "--overlap",
        default="10mm",
        show_default=True,
        metavar="LENGTH",
        help="Smallest overlap between sheets.",
    ),
    click.option(
        "--margin",
        default="5mm",
        show_default=True,
        metavar="LENGTH",
        help="Edge your printer cannot print.",
    ),
    click.option(
        "--paper",
        default="auto",
        show_default=True,
        metavar="SIZE",
        help="Paper in the photo (a ticket already says it; what you type wins).",
    ),
)


@click.command()
@click.argument("pages", nargs=-1, required=True, metavar="TICKET|PHOTO…", type=_FILE)
@_options
@as_one_option
@jobs_option
@result_options
def press(pages: tuple[Path, ...], **options: Any) -> None:
    """Write print files of inked pages, and check them before they go out.

    For a folder, its tickets are used, or its photos if it holds no tickets.
    """
    from inkclean.jobs.inputs import gather_pages, together
    from inkclean.jobs.press_pages import PressJob

    _check_effect(options)
    order = order_of(options)
    paths = gather_pages(pages)
    more: tuple[Path, ...] = ()
    if options["as_one"]:
        first, more = together(paths)
        paths = [first]
    if order.settings.under is not None and len(paths) > 1:
        raise UsageError("--under fits one page only; run press once for each page")
    jobs = [PressJob(path, options["folder"], order, options["replace"], more) for path in paths]
    finish(*work_through(told_as_done(jobs, options), shower(options, summary)))


def _check_effect(options: dict[str, Any]) -> None:
    """Refuse options that were typed but would have no effect."""
    source = click.get_current_context().get_parameter_source
    typed = {name for name in options if source(name) is ParameterSource.COMMANDLINE}
    idle = [f"--{name.replace('_', '-')}" for name in _NOT_ON_POSTERS if name in typed]
    _check_inks(options, typed)
    if options["poster"] and idle:
        raise UsageError(f"--poster is for a home printer: leave out {', '.join(idle)}")
    for name, others in _ONLY_WITH.items():
        if name in typed and not any(options[other] for other in others):
            wanted = " or ".join(f"--{other}" for other in others)
            raise UsageError(f"--{name.replace('_', '-')} has no effect without {wanted}")


def _check_inks(options: dict[str, Any], typed: set[str]) -> None:
    """Refuse options for four-colour print beside a screen or plates."""
    without = [name for name in ("ink_limit",) if name in typed]
    if options["profile"] and not options["standard"]:
        without.append("profile")
    if options["plates"]:
        without += [name for name in ("grey", "shade", "least_dot") if name in typed]
    names = ", ".join(f"--{name.replace('_', '-')}" for name in without)
    if options["plates"] and without:
        raise UsageError(f"--plates prints the page's colours in spot inks: leave out {names}")
    if options["screen"] and without:
        raise UsageError(f"--screen prints in one ink: leave out {names}")


def order_of(options: dict[str, Any]) -> PressOrder:
    """Return what the options ask for.

    Raises:
        UsageError: a size, length or share is not understood, or options exclude each other.
    """
    from inkclean.base.units import MM_PER_PT, parse_length_mm
    from inkclean.deliver.plates.inks import GAIN, parse_plates
    from inkclean.deliver.press.files import DPI, PressSettings
    from inkclean.deliver.press.tile_plan import PosterSettings
    from inkclean.deliver.press.trim import parse_edges, parse_trim
    from inkclean.deliver.screens.ruling import dpi_for, parse_screen
    from inkclean.jobs.press_pages import PressOrder, parse_greys

    screen = None
    gain = _per_cent(options["gain"], "gain") if options["gain"] else None
    if gain is not None and not 0.0 <= gain <= 0.4:
        raise UsageError("--gain must be between 0% and 40%")
    if options["screen"]:
        least = _per_cent(options["least_dot"], "least_dot")
        screen = parse_screen(options["screen"], least=least, gain=gain or 0.0)
    dpi = int(options["dpi"]) if options["dpi"] else None
    kinds = {part.strip().lower() for part in options["also"].split(",") if part.strip()}
    if kinds - {"tiff"}:
        raise UsageError(f"--also '{options['also']}' is unknown; press can add: tiff")
    settings = PressSettings(
        trim=parse_trim(options["trim"]) if options["trim"] else None,
        bleed=parse_edges(options["bleed"], "--bleed"),
        safe=parse_edges(options["safe"], "--safe"),
        side=options["side"],
        fit=options["fit"],
        scale=_share(options["scale"]) if options["scale"] else None,
        marks=options["marks"],
        standard=options["standard"],
        intent=options["intent"] or None,
        profile=options["profile"],
        under=options["under"],
        ink_limit=options["ink_limit"],
        thinnest_pt=parse_length_mm(options["thinnest"]) / MM_PER_PT,
        screen=screen,
        screen_dpi=dpi,
        plates=parse_plates(options["plates"]) if options["plates"] else (),
        spread_mm=_spread(options["spread"]),
        plate_gain=GAIN if gain is None else gain,
    )
    poster = None
    if options["poster"]:
        poster = PosterSettings(
            parse_trim(options["poster"]),
            parse_trim(options["on"]),
            parse_length_mm(options["overlap"]),
            parse_length_mm(options["margin"]),
        )
    greys = parse_greys(options["grey"])
    bare = screen is not None and not settings.plates
    if bare and not greys and options["under"] is None and options["shade"] is None:
        greys = ("wash",)
    tiff_dpi = dpi or (dpi_for(screen) if screen else DPI[0])
    return PressOrder(
        settings, poster, tiff_dpi if kinds else None, options["paper"], greys, options["shade"]
    )


def _spread(text: str) -> float:
    from inkclean.base.units import parse_length_mm

    spread = parse_length_mm(text)
    if spread > 2.0:
        raise UsageError("--spread must be between 0 and 2 mm")
    return spread


def _per_cent(text: str, name: str) -> float:
    try:
        return float(text.strip().removesuffix("%")) / 100
    except ValueError:
        raise UsageError(
            f"--{name.replace('_', '-')} '{text}' is not understood; write per cent, such as 3%"
        ) from None


def _share(text: str) -> float:
    try:
        share = float(text.strip().removesuffix("%")) / 100
    except ValueError:
        share = 0.0
    if not 0.01 <= share <= 100:
        raise UsageError(f"--scale '{text}' is not a size; write per cent, from 1% to 10000%")
    return share


def summary(report: PrintReport) -> Iterator[str]:
    """Yield the lines that tell a person what was written and what the check found."""
    from inkclean.deliver.press.report import PosterReport

    name, made = Path(report.input).name, report.made
    size = f"{made.width_mm:g} × {made.height_mm:g} mm"
    if isinstance(made, PosterReport):
        yield (
            f"{name}: poster {size} on {made.sheets} sheets, {made.columns} across, "
            f"{made.rows} down"
        )
        if made.colour_ppi:
            yield (
                f"  colour at {made.colour_ppi:.0f} px per inch, sharp from "
                f"{made.sharp_from_m:.2g} m; the lines are sharp from any distance"
            )
    else:
        yield f"{name}: trim {size}, check: {_VERDICTS[made.verdict]}"
        for finding in made.check:
            yield f"  {_MARKS[finding.verdict]}  {finding.name}: {finding.measured}"
            if finding.cure:
                options = _CURED_BY.get(finding.name)
                yield f"            {finding.cure}" + (f" ({options})" if options else "")
        yield from (f"  {note}" for note in made.notes)
    yield from (f"  {words}" for words in report.overrides)
    for kind, path in report.outputs.items():
        dpi = kind.removeprefix("tiff")
        yield f"  {path} ({dpi} dpi)" if dpi.isdigit() else f"  {path}"
