"""One page on its way through the chain: everything that is made of a photo is asked of it."""

from __future__ import annotations

import hashlib
import sys
import threading
from collections.abc import Callable, Collection, Mapping
from contextlib import suppress
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import cv2
import numpy as np

from inkclean.base.arrays import F32
from inkclean.base.aside import Aside
from inkclean.base.stopwatch import Stopwatch
from inkclean.ink.edits import InkEdits
from inkclean.ink.values import Doubt, Ink, Pencil
from inkclean.pipeline import EVERYTHING, MAKERS, PASSING, STEPS, Asked, Step
from inkclean.settings import Settings, Texts
from inkclean.sheet.framing.squaring import Squared
from inkclean.sheet.values import Capture, Frame, Photo, Sheet

if TYPE_CHECKING:
    from inkclean.curves.values import Curves, Strokes
    from inkclean.flats.colour.colours import Colouring
    from inkclean.flats.colour.hints import Hints
    from inkclean.flats.colour.shade import Relief, Shading
    from inkclean.flats.lettering.values import Lettering
    from inkclean.flats.values import Flats
    from inkclean.ink.wash import Washed


class Page:
    """A page whose results are made when they are asked for.

    Each step of the chain (``pipeline.STEPS``) runs when something needs it, and again only
    where what it rests on was changed. What no step to come needs is let go, but for the results
    and what is to be kept.

    Args:
        photo: the photo, or a file to read it from.
        settings: what is asked for; ``asked`` are further fields of ``pipeline.Asked``.
        number: which picture of the file, from 1.
        given: values that stand already and are not made, by the names of the table.
        keep: names of values to be kept all the same, ``EVERYTHING`` for a page that is worked on.
        spare: names of results, or of values given, that are let go all the same once no step to
            come needs them; what was given cannot be made again.
        before: called before each step; what it raises ends the work between two steps.
        watch: counts the time.
    """

    def __init__(
        self,
        photo: Photo | Path | None = None,
        settings: Settings | None = None,
        *,
        number: int = 1,
        given: Mapping[str, object] | None = None,
        keep: Collection[str] = (),
        spare: Collection[str] = (),
        before: Callable[[Step], None] = lambda step: None,
        watch: Stopwatch | None = None,
        **asked: Any,
    ) -> None:
        file = photo if isinstance(photo, Path) else None
        self._asked = Asked(settings or Settings(), file=file, number=number, **asked)
        self._given = dict(given or {})
        if isinstance(photo, Photo):
            self._given |= {"photo": photo, "joined": photo}
        self._origin = frozenset(self._given)
        self._keep = EVERYTHING - PASSING - set(spare) | set(keep)
        self._spare = frozenset(spare)
        self._name = photo.name if isinstance(photo, Photo) else ""
        self._before = before
        self._values: dict[str, Any] = dict(self._given)
        # what each value was made from, and, worked out once, what it would be made from now
        self._made_from: dict[str, str] = {}
        self._keys: dict[str, str] = {}
        self._texts = Texts()
        self.watch = watch or Stopwatch()

    # what is asked

    @property
    def asked(self) -> Asked:
        """All that decides what the page becomes."""
        return self._asked

    @property
    def settings(self) -> Settings:
        """The settings asked for."""
        return self._asked.settings

    def change(self, **asked: Any) -> None:
        """Ask for something else, by the names of ``Settings`` and ``pipeline.Asked``.

        Results that do not rest on it stay; the others are let go and made again when needed.
        """
        self._asked = self._asked.changed(**asked)
        self._keys.clear()
        for name in list(self._made_from):
            if not self.has(name):
                self._drop(name)

    def key(self, name: str) -> str:
        """Return what tells one making of a value from another: equal if it would be the same."""
        if name in self._origin:
            return "given"
        if name not in self._keys:
            step = MAKERS[name]
            parts = [self.key(need) for need in step.needs]
            asks = [self._texts.of(ask, self._asked.value(ask)) for ask in step.asks]
            text = "\n".join([step.name, *parts, *asks])
            key = hashlib.sha256(text.encode("utf-8", "surrogateescape")).hexdigest()[:16]
            self._keys.update(dict.fromkeys(step.makes, key))
        return self._keys[name]

    # what is made

    def has(self, name: str) -> bool:
        """Tell whether a value stands as it is asked for now."""
        if name in self._given:
            return True
        return name in self._values and self._made_from[name] == self.key(name)

    def bring(self, *names: str) -> None:
        """Make these values, with all they need; each stays at least until something else is made.

        Raises:
            InkcleanError: the page cannot be used, or a setting is wrong; says why in one line.
        """
        plan = self._plan(names)
        for step in plan:
            _load_meanwhile(step.loads)
        aside: dict[Step, Aside] = {}
        try:
            for at, step in enumerate(plan):
                self._before(step)
                for other in [other for other in aside if _waits(step, other)]:
                    self._hold(other, aside.pop(other).result())
                wanted = self._keep.union(names, *(map(self._needs, plan[at + 1 :])))
                work = self._work(step, wanted)
                if step.aside:
                    aside[step] = Aside(work, list(aside.values()))
                else:
                    self._hold(step, work())
                for name in set(self._values) - wanted:
                    self._drop(name)
            for step in list(aside):
                self._hold(step, aside.pop(step).result())
        finally:
            for left in aside.values():
                left.wait()

    def get(self, name: str) -> Any:
        """Return a value of the table, made if it does not stand."""
        if not self.has(name):
            self.bring(name)
        return self._values[name]

    def _plan(self, names: Collection[str]) -> list[Step]:
        """Return the steps that must run for these values, in their order."""
        chosen: set[str] = set()

        def choose(name: str) -> None:
            step = MAKERS[name]
            if step.name not in chosen and not self.has(name):
                chosen.add(step.name)
                for need in self._needs(step):
                    choose(need)

        for name in names:
            choose(name)
        return [step for step in STEPS if step.name in chosen]

    def _needs(self, step: Step) -> tuple[str, ...]:
        spared = step.spared(self._asked)
        return tuple(need for need in step.needs if need not in spared)

    def _work(self, step: Step, wanted: Collection[str]) -> Callable[[], Any]:
        """Return the work of a step, which holds what it needs."""
        for name in step.makes:
            self._drop(name)
        spared = step.spared(self._asked)
        values = [None if need in spared else self._values[need] for need in step.needs]
        for at, name in enumerate(step.needs):
            if name in step.spends and (name in wanted or name in self._given):
                values[at] = self._values[name].copy()
            elif name in step.spends:
                self._drop(name)
        asks = {ask: self._asked.value(ask) for ask in step.asks}
        given = iter(values)  # let go as soon as the step does
        del values

        def work() -> Any:
            with self.watch.stage(step.stage):
                return step.run(*given, **asks)

        return work

    def _hold(self, step: Step, made: Any) -> None:
        for name, value in zip(step.makes, made if len(step.makes) > 1 else (made,), strict=True):
            self._values[name] = value
            self._made_from[name] = self.key(name)
            if name == "photo":
                self._name = value.name

    def _drop(self, name: str) -> None:
        if name in self._spare:
            self._given.pop(name, None)
        if name not in self._given:
            self._values.pop(name, None)
            self._made_from.pop(name, None)

    # other pages from this one

    def branch(self, **asked: Any) -> Page:
        """Return a page of its own that begins with all that this one has, to try something else.

        What is asked of the one leaves the other as it is.
        """
        other = Page(given=self._given, keep=EVERYTHING, before=self._before)
        other._asked = self._asked
        other._values, other._made_from = dict(self._values), dict(self._made_from)
        other.change(**asked)
        return other

    def reduced(self, megapixels: float) -> Page:
        """Return the page of a photo so much smaller, framed alike, without edits: a quick look."""
        photo, frame = self.photo, self.frame
        height, width = photo.pixels.shape[:2]
        factor = (megapixels * 1e6 / (height * width)) ** 0.5
        size = (max(1, round(width * factor)), max(1, round(height * factor)))
        scale = np.array([size[0] / width, size[1] / height])
        less = cv2.resize(photo.pixels, size, interpolation=cv2.INTER_AREA)
        small = Photo(np.asarray(less, np.uint8), None, photo.name)
        given = {"photo": small, "joined": small, "frame": frame.scaled(scale)}
        return Page(None, self.settings, given=given, before=self._before, ink_edits=InkEdits())

    # the results

    @property
    def photo(self) -> Photo:
        """The photo: upright, (H, W, 3) uint8 sRGB."""
        return cast("Photo", self.get("photo"))

    @property
    def name(self) -> str:
        """What the photo is called in messages and in names of files."""
        return self._name or self.photo.name

    @property
    def frame(self) -> Frame:
        """Where the paper lies in the photo (px), and its size in mm."""
        return cast("Frame", self.get("frame"))

    @property
    def squared(self) -> Squared:
        """The paper squared up, its light as it was: (H, W, 3) uint8 sRGB."""
        return cast("Squared", self.get("squared"))

    @property
    def sheet(self) -> Sheet:
        """The paper, squared up and evenly lit: (H, W, 3) reflectance, 1.0 = bare paper."""
        return cast("Sheet", self.get("sheet"))

    @property
    def capture(self) -> Capture:
        """How well the page was photographed."""
        return cast("Capture", self.get("capture"))

    @property
    def pencil(self) -> Pencil:
        """The underdrawing that was removed."""
        return cast("Pencil", self.get("pencil"))

    @property
    def removed(self) -> F32:
        """Specks that went, none brought back: (N, 3) x, y and diameter in mm."""
        return cast("F32", self.get("removed"))

    @property
    def doubts(self) -> tuple[Doubt, ...]:
        """Places to check in the ink."""
        return cast("tuple[Doubt, ...]", self.get("doubts"))

    @property
    def ink(self) -> Ink:
        """The ink: (H, W) coverage 0..1, at the sheet's px/mm."""
        return cast("Ink", self.get("ink"))

    @property
    def weight(self) -> float:
        """The weight of the ink, moved for a book or not."""
        return cast("float", self.get("used_weight"))

    @property
    def curves(self) -> Curves:
        """The ink's outlines: (S, 4, 2) cubic control points in mm."""
        return cast("Curves", self.get("curves"))

    @property
    def washed(self) -> Washed:
        """The ink without the dark washes that were cut with it, for a screen."""
        return cast("Washed", self.get("washed"))

    @property
    def lines(self) -> Curves:
        """The outlines of the ink without dark washes."""
        return cast("Curves", self.get("lines"))

    @property
    def strokes(self) -> Strokes:
        """The ink's centrelines with widths, in mm."""
        return cast("Strokes", self.get("strokes"))

    @property
    def lettering(self) -> Lettering:
        """What the ink belongs to: text, the outlines of balloons and boxes, or the art."""
        return cast("Lettering", self.get("lettering"))

    def flats(self, gap_mm: float | None = None, smallest_mm: float | None = None) -> Flats:
        """Return the areas: a label map (H, W) uint16 at the ink's px/mm, and a row an area.

        ``gap_mm`` is the widest gap that may be bridged, ``smallest_mm`` the size below which an
        area joins a neighbour; None leaves what was asked before.
        """
        asked = {"gap_mm": gap_mm, "smallest_mm": smallest_mm}
        self.change(**{name: value for name, value in asked.items() if value is not None})
        return cast("Flats", self.get("flats"))

    @property
    def coloured(self) -> Flats:
        """The areas as the colours asked for left them: split where two lie in one."""
        return cast("Flats", self.get("coloured"))

    @property
    def colouring(self) -> Colouring:
        """The palette, and which area has which colour."""
        return cast("Colouring", self.get("colouring"))

    @property
    def followed(self) -> Hints | None:
        """The colours that were given, None if none were."""
        return cast("Hints | None", self.get("followed"))

    @property
    def shading(self) -> Shading | None:
        """How much shade and light lies on each pixel, None where none was asked for."""
        return cast("Shading | None", self.get("shading"))

    @property
    def relief(self) -> Relief:
        """Which way the drawing's surface looks."""
        return cast("Relief", self.get("relief"))


def _waits(step: Step, other: Step) -> bool:
    """Tell whether a step must wait for another, which runs aside."""
    return bool({*step.needs} & {*other.makes} or {*step.spends} & {*other.needs})


def _load_meanwhile(module: str) -> None:
    """Load a module that is needed later in a thread of its own, while pictures are worked on.

    A function named after a colon makes more ready. What goes wrong is told where it is needed.
    """
    name, _, ready = f"inkclean.{module}".partition(":")

    def load() -> None:
        with suppress(Exception):
            loaded = import_module(name)
            if ready:
                getattr(loaded, ready)()

    if module and (ready or name not in sys.modules):
        threading.Thread(target=load).start()
