"""The way through: photo → sheet → ink → curves. The only module that strings the stages."""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from importlib import import_module

import numpy as np

from inkclean.base.arrays import F64
from inkclean.base.errors import InputError, UsageError
from inkclean.base.units import parse_paper
from inkclean.curves.values import Curves, Strokes
from inkclean.ink.edits import InkEdits
from inkclean.ink.find import find_ink_of_line
from inkclean.ink.values import Ink
from inkclean.settings import Settings
from inkclean.sheet.check import check_capture
from inkclean.sheet.framing.frame import Squared, find_frame, given_frame, square_up, whole_frame
from inkclean.sheet.light import even_light
from inkclean.sheet.values import Capture, Frame, Photo, Sheet

# Smaller or narrower pictures show no page, and nothing could be told of their light.
LEAST_PX = 16
NARROWEST = 50


@dataclass(frozen=True)
class Span:
    """When a stage ran: its start in seconds since 1970, its length in seconds."""

    stage: str
    start: float
    seconds: float


@dataclass
class Stopwatch:
    """Seconds a stage, in the order of the stages, and when each ran."""

    seconds: dict[str, float] = field(default_factory=dict)
    spans: list[Span] = field(default_factory=list)

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        """Add the time that the block takes to ``name``."""
        clock, start = time.time(), time.perf_counter()
        yield
        spent = time.perf_counter() - start
        self.seconds[name] = self.seconds.get(name, 0.0) + spent
        self.spans.append(Span(name, clock, spent))


@dataclass(frozen=True)
class Cleaned:
    """Everything one page became; ``strokes`` only where centrelines were asked for.

    ``weight`` is what the ink was cut with.
    """

    sheet: Sheet
    capture: Capture
    ink: Ink
    curves: Curves
    strokes: Strokes | None
    seconds: dict[str, float]
    weight: float = 0.0


def frame_photo(photo: Photo, settings: Settings) -> Frame:
    """Return where the paper lies, as found, taken whole or given.

    Raises:
        UsageError: ``settings.frame`` or ``settings.paper`` cannot be understood.
    """
    paper = parse_paper(settings.paper)
    asked = settings.frame.strip().lower()
    if asked == "auto":
        return find_frame(photo, paper)
    if asked == "whole":
        return whole_frame(photo, paper)
    corners, between = parse_outline(asked)
    return given_frame(photo, corners, paper, between)


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


def _load_meanwhile(module: str) -> None:
    """Load a module that is needed later in a thread of its own, while pictures are worked on.

    What goes wrong with it is told where it is needed.
    """

    def load() -> None:
        with suppress(Exception):
            import_module(module)

    if module not in sys.modules:
        threading.Thread(target=load).start()


def _check_size(photo: Photo) -> None:
    height, width = photo.pixels.shape[:2]
    if min(height, width) < LEAST_PX or max(height, width) > NARROWEST * min(height, width):
        raise InputError(
            f"{photo.name}: {width} × {height} px is too small for a page; use a larger picture"
        )


def clean_photo(
    photo: Photo,
    settings: Settings,
    watch: Stopwatch | None = None,
    *,
    keep_pencil: bool = False,
    line_mm: float | None = None,
    edits: InkEdits | None = None,
) -> Cleaned:
    """Take one photo through to ink and curves.

    ``keep_pencil`` keeps the picture of the underdrawing in ``ink.pencil.layer``. ``line_mm``
    moves the weight until the page's typical line is as wide as that. ``edits`` are what
    was mended in the ink by hand.

    Raises:
        InkcleanError: the page cannot be used, or a setting is wrong; says why in one line.
    """
    watch = watch or Stopwatch()
    _check_size(photo)
    _load_meanwhile("inkclean.curves.trace")
    with watch.stage("frame"):
        frame = frame_photo(photo, settings)
        squared: Squared = square_up(photo, frame)
    with watch.stage("light"):
        sheet = even_light(squared.pixels, squared.px_per_mm, frame, squared.inside)
        capture = check_capture(sheet, photo)
        del squared
    with watch.stage("ink"):
        ink, weight = find_ink_of_line(
            sheet,
            drop=settings.drop,
            weight=settings.weight,
            speck_mm=settings.speck_mm,
            keep_pencil=keep_pencil,
            line_mm=line_mm,
            edits=edits,
        )
    with watch.stage("curves"):
        from inkclean.curves.trace import trace

        curves = trace(ink.coverage, ink.px_per_mm, settings.within_mm)
        strokes: Strokes | None = None
        if settings.strokes:
            from inkclean.curves.centrelines.strokes import centrelines

            strokes = centrelines(ink.coverage, ink.px_per_mm, settings.within_mm)
    return Cleaned(sheet, capture, ink, curves, strokes, watch.seconds, weight)
