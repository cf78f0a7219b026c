"""The chain from a photo to ink, curves, areas and colours: a table of steps.

Only this module calls the functions of the steps; ``page.Page`` runs the table.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from inkclean.base.arrays import F32, F64, Bool
from inkclean.base.errors import InputError, UsageError
from inkclean.base.units import parse_paper
from inkclean.flats.lettering.edits import LetterEdits
from inkclean.flats.values import FlatEdits, Flats
from inkclean.ink.cut import cut
from inkclean.ink.edits import InkEdits, mend
from inkclean.ink.pencil.inks import tell_inks
from inkclean.ink.pencil.separate import separate
from inkclean.ink.specks import clean_specks
from inkclean.ink.to_line import weight_for
from inkclean.ink.values import Doubt, Grey, Ink, InkColour, Pencil
from inkclean.ink.wash import Washed, without_washes
from inkclean.settings import Settings
from inkclean.sheet.check import check_capture, edge_blur_px
from inkclean.sheet.framing.frame import find_frame, given_frame, square_up, whole_frame
from inkclean.sheet.framing.squaring import Squared
from inkclean.sheet.light import even_light
from inkclean.sheet.values import Frame, Photo, Sheet

if TYPE_CHECKING:
    from inkclean.curves.values import Curves, Strokes
    from inkclean.flats.colour.colours import Colouring
    from inkclean.flats.colour.hints import Hints
    from inkclean.flats.colour.shade import Relief, Shading
    from inkclean.flats.lettering.values import Lettering
    from inkclean.flats.prepared import Looked, Prepared

# Smaller or narrower pictures show no page, and nothing could be told of their light.
LEAST_PX = 16
NARROWEST = 50


@dataclass(frozen=True)
class Asked:
    """All that decides what a page becomes.

    ``file`` and ``number`` name the photo, if it is to be read, ``others`` more photos of the same
    page, ``newer`` photos of it made later, each in place of those before; ``line_mm`` is the
    width that the typical line is brought to for a book; ``keep_pencil`` keeps the picture of the
    underdrawing; ``ink_edits``, ``letter_edits`` and ``flat_edits`` were made by hand; ``gap_mm``
    is the widest gap that may be bridged, ``smallest_mm`` the size below which an area joins a
    neighbour; ``colours`` is a file of colours to follow, ``hints`` such colours themselves,
    ``palette`` a file of the book's colours that they may refer to;
    ``shade`` is where the light comes from in degrees clockwise from the top of the sheet, None
    for no shade.
    """

    settings: Settings = field(default_factory=Settings)
    file: Path | None = None
    number: int = 1
    others: tuple[Path, ...] = ()
    newer: tuple[Path, ...] = ()
    line_mm: float | None = None
    keep_pencil: bool = False
    ink_edits: InkEdits = field(default_factory=InkEdits)
    letter_edits: LetterEdits = field(default_factory=LetterEdits)
    flat_edits: FlatEdits = field(default_factory=FlatEdits)
    gap_mm: float = 5.0
    smallest_mm: float = 2.0
    colours: Path | None = None
    hints: Hints | None = None
    palette: Path | None = None
    shade: float | None = None

    def value(self, name: str) -> Any:
        """Return what is asked under a name, of these fields or of the settings'."""
        return getattr(self.settings if name in OF_SETTINGS else self, name)

    def changed(self, **values: Any) -> Asked:
        """Return the same with other values, by the names that ``value`` knows."""
        ours = {name: value for name, value in values.items() if name not in OF_SETTINGS}
        theirs = {name: value for name, value in values.items() if name in OF_SETTINGS}
        changed = replace(self, **ours)
        return replace(changed, settings=replace(changed.settings, **theirs)) if theirs else changed


OF_SETTINGS = frozenset(item.name for item in fields(Settings))


@dataclass(frozen=True)
class Step:
    """A step of the chain.

    ``run`` is given the values that the step ``needs``, in their order, and by name what it
    ``asks`` (see ``Asked.value``); it returns what the step ``makes``: one value, or a tuple of
    several. Of ``needs``, those in ``spends`` are changed in place. ``stage`` is the name under
    which its time is told; ``loads`` a module of ours (and ``:`` a function) to be loaded while
    earlier steps run. A step ``aside`` may run beside those after it, until its result is needed.
    ``spared`` are those of ``needs`` not counting for what is asked: None is given in their place.
    """

    name: str
    needs: tuple[str, ...]
    asks: tuple[str, ...]
    makes: tuple[str, ...]
    run: Callable[..., Any]
    stage: str
    spends: tuple[str, ...] = ()
    loads: str = ""
    aside: bool = False
    spared: Callable[[Asked], tuple[str, ...]] = lambda asked: ()


# The functions of the steps: what a step needs in its order, then by name what it asks.


def _read(
    *, file: Path | None, number: int, others: tuple[Path, ...], budget_mp: float
) -> tuple[Photo, ...]:
    from inkclean.sheet.read import read_photo

    if file is None:
        raise UsageError("this page has no photo; give it one")
    first = read_photo(file, number, budget_mp=budget_mp)
    return (first, *(read_photo(path, budget_mp=budget_mp) for path in others))


def _join(views: tuple[Photo, ...]) -> Photo:
    from inkclean.sheet.together.join import join

    return views[0] if len(views) == 1 else join(views).photo


def _renew(joined: Photo, *, newer: tuple[Path, ...], budget_mp: float) -> Photo:
    from inkclean.sheet.read import read_photo
    from inkclean.sheet.together.join import renew

    photo = joined
    for path in newer:
        photo = renew(photo, read_photo(path, budget_mp=budget_mp)).photo
    return photo


def _differ(photo: Photo, frame: Frame) -> tuple[Doubt, ...]:
    from inkclean.ink.checks import differing_doubts

    return differing_doubts(photo, frame)


def _frame(joined: Photo, photo: Photo, *, paper: str, frame: str) -> Frame:
    # a newer photo is laid over the older: the page lies where it was found there
    found = _framed(joined, paper, frame)
    if photo is joined:
        return found
    scale = np.divide(photo.pixels.shape[1::-1], joined.pixels.shape[1::-1])
    return found.scaled(np.asarray(scale, np.float64))


def _framed(photo: Photo, paper: str, frame: str) -> Frame:
    height, width = photo.pixels.shape[:2]
    if min(height, width) < LEAST_PX or max(height, width) > NARROWEST * min(height, width):
        raise InputError(
            f"{photo.name}: {width} × {height} px is too small for a page; use a larger picture"
        )
    size = parse_paper(paper)
    asked = frame.strip().lower()
    if asked == "auto":
        return find_frame(photo, size)
    if asked == "whole":
        return whole_frame(photo, size)
    corners, between = parse_outline(asked)
    return given_frame(photo, corners, size, between)


def parse_outline(text: str) -> tuple[F64, list[F64]]:
    """Return (4, 2) corners in photo px from ``x,y;x,y;x,y;x,y``, and points between them.

    A corner may be followed by points, parted by spaces, that its bowed edge passes on the way
    to the next corner: each of the four gives (N, 2), N = 0 for a straight edge.

    Raises:
        UsageError: the text gives no four corners.
    """
    try:
        sides = [
            np.array([[float(part) for part in pair.split(",")] for pair in side.split()])
            for side in text.split(";")
        ]
        sound = len(sides) == 4 and all(side.ndim == 2 and side.shape[1] == 2 for side in sides)
    except ValueError:
        sound = False
    if not sound or not all(np.isfinite(side).all() for side in sides):
        raise UsageError(
            f"the frame '{text[:80]}' is not understood; write auto, whole, or four corners in "
            "photo pixels from the top left clockwise, as x,y;x,y;x,y;x,y"
        )
    return np.stack([side[0] for side in sides]), [side[1:] for side in sides]


def _square(photo: Photo, frame: Frame) -> Squared:
    return square_up(photo, frame)


def _light(squared: Squared, frame: Frame) -> Sheet:
    return even_light(squared.pixels, squared.px_per_mm, frame, squared.inside)


def _separate(sheet: Sheet, *, drop: Sequence[str], keep_pencil: bool) -> tuple[Grey, Pencil]:
    return separate(sheet, drop, keep_layer=keep_pencil)


def _blur(grey: Grey) -> float:
    return edge_blur_px(grey.ink)


def _cut(sheet: Sheet, grey: Grey, blur_px: float) -> tuple[F32, Bool]:
    raw = cut(grey, noise=sheet.noise, blur_px=blur_px, scale_known=sheet.frame.scale_known)
    return raw, raw >= np.float32(0.5)


def _specks(
    raw: F32, grey: Grey, sheet: Sheet, *, speck_mm: float
) -> tuple[F32, F32, tuple[Doubt, ...]]:
    return clean_specks(raw, grey, speck_mm=speck_mm, unsure=sheet.shade_edge, in_place=True)


def _weigh(cleaned: F32, sheet: Sheet, *, weight: float, line_mm: float | None) -> float:
    # dust was judged as it lies on the paper, before any weight
    return weight if line_mm is None else weight_for(cleaned, weight, line_mm, sheet.px_per_mm)


def _mend(
    cleaned: F32,
    raw: F32 | None,
    removed: F32,
    doubts: tuple[Doubt, ...],
    differing: tuple[Doubt, ...],
    pencil: Pencil,
    inks: tuple[InkColour, ...],
    sheet: Sheet,
    used_weight: float,
    *,
    ink_edits: InkEdits,
) -> Ink:
    before, scale = cleaned if raw is None else raw, sheet.px_per_mm
    coverage, removed = mend(cleaned, before, removed, ink_edits, scale, used_weight)
    return Ink(coverage, scale, pencil, removed, doubts + differing, inks)


def _trace(ink: Ink, *, within_mm: float) -> Curves:
    from inkclean.curves.trace import trace

    return trace(ink.coverage, ink.px_per_mm, within_mm)


def _wash(ink: Ink, grey: Grey, curves: Curves, *, within_mm: float) -> tuple[Washed, Curves]:
    washed = without_washes(ink, grey)
    return washed, curves if washed.ink is ink else _trace(washed.ink, within_mm=within_mm)


def _strokes(ink: Ink, *, within_mm: float) -> Strokes:
    from inkclean.curves.centrelines.strokes import centrelines

    return centrelines(ink.coverage, ink.px_per_mm, within_mm)


def _letter(ink: Ink) -> Lettering:
    from inkclean.flats.lettering.find import find_lettering

    return find_lettering(ink)


def _sort(lettered: Lettering, ink: Ink, *, letter_edits: LetterEdits) -> Lettering:
    from inkclean.flats.lettering.find import sort_lettering

    return sort_lettering(lettered, ink, letter_edits)


def _look(ink: Ink) -> Looked:
    from inkclean.flats.prepared import look

    return look(ink)


def _prepare(ink: Ink, lettered: Lettering, looked: Looked) -> Prepared:
    from inkclean.flats.prepared import prepare

    return prepare(ink, lettered, looked)


def _split(
    ink: Ink, prepared: Prepared, *, gap_mm: float, smallest_mm: float, flat_edits: FlatEdits
) -> Flats:
    from inkclean.flats.find import find_flats

    return find_flats(
        ink, gap_mm=gap_mm, smallest_mm=smallest_mm, edits=flat_edits, prepared=prepared
    )


def _hints(
    sheet: Sheet, *, colours: Path | None, hints: Hints | None, palette: Path | None
) -> Hints | None:
    from inkclean.deliver.book_file import read_book
    from inkclean.flats.colour.book import BookColours

    book = BookColours() if palette is None else read_book(palette)
    if colours is None:
        return None if hints is None else book.followed(hints)
    from inkclean.deliver.layers.hints_read import read_hints

    return read_hints(colours, sheet.width_mm, sheet.height_mm, book)


def _colour(flats: Flats, ink: Ink, followed: Hints | None) -> tuple[Flats, Colouring]:
    from inkclean.flats.colour.colours import colour_areas
    from inkclean.flats.colour.hints import colour_by_hints

    if followed is None:
        return flats, colour_areas(flats)
    return colour_by_hints(flats, ink, followed)


def _shade(coloured: Flats, ink: Ink, *, shade: float | None) -> Shading | None:
    from inkclean.flats.colour.shade import shade_areas

    return None if shade is None else shade_areas(coloured, ink, shade)


def _relief(flats: Flats, ink: Ink) -> Relief:
    from inkclean.flats.colour.shade import relief_of

    return relief_of(flats, ink)


def _step(
    name: str,
    needs: str,
    asks: str,
    makes: str,
    run: Callable[..., Any],
    stage: str,
    spends: str = "",
    **more: Any,
) -> Step:
    words = [tuple(text.split()) for text in (needs, asks, makes, spends)]
    return Step(name, words[0], words[1], words[2], run, stage, words[3], **more)


def _raw_spared(asked: Asked) -> tuple[str, ...]:
    """Without specks to bring back nobody looks at the ink as it was before."""
    return () if asked.ink_edits.kept else ("raw",)


_MENDED = "cleaned raw removed doubts differing pencil inks sheet used_weight"
# fmt: off
STEPS = (
    # name, needs, asks, makes, run, stage, spends; of two aside what is waited for first
    _step("read", "", "file number others budget_mp", "views", _read, "read"),
    _step("join", "views", "", "joined", _join, "join"),
    _step("renew", "joined", "newer budget_mp", "photo", _renew, "join"),
    _step("frame", "joined photo", "paper frame", "frame", _frame, "frame"),
    _step("differ", "photo frame", "", "differing", _differ, "frame"),
    _step("square", "photo frame", "", "squared", _square, "frame"),
    _step("light", "squared frame", "", "sheet", _light, "light"),
    _step("check", "sheet photo", "", "capture", check_capture, "light", aside=True),
    _step("separate", "sheet", "drop keep_pencil", "grey pencil", _separate, "ink"),
    _step("blur", "grey", "", "blur_px", _blur, "ink"),
    _step("cut", "sheet grey blur_px", "", "raw inked", _cut, "ink", loads="ink.seen.places:ready"),
    _step("inks", "inked grey sheet blur_px", "", "inks", tell_inks, "ink", aside=True),
    _step("specks", "raw grey sheet", "speck_mm", "cleaned removed doubts", _specks, "ink", "raw"),
    _step("weigh", "cleaned sheet", "weight line_mm", "used_weight", _weigh, "ink"),
    _step("mend", _MENDED, "ink_edits", "ink", _mend, "ink", "cleaned", spared=_raw_spared),
    _step("letter", "ink", "", "lettered", _letter, "lettering", loads="flats.find", aside=True),
    _step("trace", "ink", "within_mm", "curves", _trace, "curves",
          loads="curves.trace", aside=True),
    _step("wash", "ink grey curves", "within_mm", "washed lines", _wash, "curves"),
    _step("strokes", "ink", "within_mm", "strokes", _strokes, "curves"),
    _step("look", "ink", "", "looked", _look, "flats"),
    _step("sort", "lettered ink", "letter_edits", "lettering", _sort, "lettering"),
    _step("prepare", "ink lettered looked", "", "prepared", _prepare, "flats"),
    _step("split", "ink prepared", "gap_mm smallest_mm flat_edits", "flats", _split, "flats"),
    _step("hints", "sheet", "colours hints palette", "followed", _hints, "colours"),
    _step("colour", "flats ink followed", "", "coloured colouring", _colour, "colours"),
    _step("shade", "coloured ink", "shade", "shading", _shade, "shade"),
    _step("relief", "flats ink", "", "relief", _relief, "shade"),
)
# fmt: on
# The step that makes each value.
MAKERS = {value: step for step in STEPS for value in step.makes}
EVERYTHING = frozenset(MAKERS)
# What a page lets go of, unless it is asked to keep it, once no step to come needs it.
PASSING = frozenset(("views", "squared", "grey", "blur_px", "raw", "cleaned", "removed", "doubts"))
PASSING |= {"inked", "lettered", "looked", "prepared", "relief"}
