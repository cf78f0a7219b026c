"""What the browser is told of a page, stage by stage, as the chain brings it about."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from inkclean.base.arrays import F32, F64, U8
from inkclean.base.colour import to_srgb
from inkclean.desk import pictures
from inkclean.desk.colouring import hex_of, hints_of, named
from inkclean.desk.edits import DUST_SIZES_MM, PageEdits
from inkclean.desk.work.before import read_told, write_told
from inkclean.desk.work.flats_told import flats_told
from inkclean.desk.work.task import GOALS, More
from inkclean.desk.work.told import (
    ColoursTold,
    CutTold,
    FirstTold,
    FlatsTold,
    FrameTold,
    InkCheckTold,
    InkTold,
    LetteringTold,
    LinesTold,
    MarksTold,
    PencilTold,
    ReliefTold,
    SheetTold,
    Shown,
    SpecksTold,
    ThingsTold,
    Told,
    plain,
)
from inkclean.flats.colour.colours import Colouring
from inkclean.flats.colour.things import things_of
from inkclean.flats.laid import ready
from inkclean.ink.checks import ink_checks
from inkclean.page import Page
from inkclean.pipeline import EVERYTHING

# The values of the chain that each stage tells of; the first tells one making from another.
_OF = {
    "photo": ("photo",),
    "frame": ("frame",),
    "first": ("frame",),
    "sheet": ("sheet", "capture", "squared"),
    "pencil": ("pencil",),
    "cut": ("raw", "blur_px"),
    "specks": ("doubts",),
    "ink": ("ink",),
    "lit": ("sheet",),
    "marks": ("raw", "grey", "sheet"),
    "lettering": ("lettering", "ink"),
    "lines": ("prepared",),
    "labels": ("flats",),
    "flats": ("flats",),
    "colours": ("flats",),
    "things": ("flats",),
    "relief": ("relief",),
}
FIRST_MP = 0.6  # megapixels of a photo reduced for the first look: enough for a few seconds
LEAST_MP = 6.0  # megapixels of a photo that gets a first look: below, the page is there as soon
_MOST_MARKS = 3000  # marks that are told one by one
_MOST_RINGS = 2000  # rings that are
EDGE_STEP = 4  # points of a bowed edge, one of which is told: 17 of 65, both corners among them
# colours of nothing, art, text and balloons on the screen
_PARTS_RGB = ((0, 0, 0), (20, 20, 20), (190, 30, 30), (20, 90, 190))
Tell = Callable[[str, dict[str, Any]], None]


class CancelledError(Exception):
    """Something newer is asked for."""


class Bench:
    """The page at hand: picture ``number`` of the file ``source``, its pictures in ``folder``.

    ``more`` are more photos of the page.
    """

    def __init__(
        self, source: Path, number: int, folder: Path, budget_mp: float, more: More | None = None
    ) -> None:
        self.folder = folder
        self._more = more or More()
        others, newer = self._more.others, self._more.newer
        self.page = Page(
            source,
            number=number,
            keep=EVERYTHING,
            before=lambda step: self._check(),
            others=tuple(path for path, _ in others),
            newer=tuple(path for path, _ in newer),
        )
        self._budget_mp = budget_mp
        self._check: Callable[[], None] = lambda: None
        self._names: dict[str, str] = {}
        self._gone: set[Path] = set()
        self._stages: dict[str, Callable[[PageEdits], Told]] = {
            "photo": self._photo,
            "frame": self._frame,
            "first": self._first,
            "sheet": self._sheet,
            "pencil": self._pencil,
            "cut": self._cut,
            "specks": self._specks,
            "ink": self._ink,
            "lit": self._lit,
            "marks": self._marks,
            "lettering": self._lettering,
            "lines": self._lines,
            "labels": self._labels,
            "flats": self._flats,
            "colours": self._colours,
            "things": self._things,
            "relief": self._relief,
        }
        # what was told of each stage; of those from the disk the page has no values yet
        self._told = read_told(folder, self._more)
        self._only_told = set(self._told)

    def run(self, work: PageEdits, goal: str, tell: Tell, check: Callable[[], None]) -> None:
        """Bring the page to ``goal``, one of ``GOALS``; ``tell`` is given each stage as JSON.

        Raises:
            CancelledError: by ``check``, between two steps: the rest is wanted no more.
            InkcleanError: the page cannot be used; says why in one line.
        """
        self._check = check
        fresh = False
        self._ask(work)
        for stage in GOALS[goal]:
            if stage == "first" and not self._wants_first(work):
                continue
            check()
            if not self._stands(stage, work):
                self._told.pop(stage, None)
                self._only_told.discard(stage)
                self.page.bring(*_OF[stage])
                told = plain(self._stages[stage](work))
                self._told[stage] = {"key": self._key(stage, work), **told}
                fresh = True
            tell(stage, self._told[stage])
        if fresh:
            write_told(self.folder, self._more, self._told)
        self._let_go()

    def standing(self, work: PageEdits) -> dict[str, dict[str, Any]]:
        """Return what was told of the stages that are still as they are asked for."""
        self._ask(work)
        return {stage: said for stage, said in self._told.items() if self._stands(stage, work)}

    def _ask(self, work: PageEdits) -> None:
        self.page.change(
            settings=replace(work.settings, budget_mp=self._budget_mp),
            ink_edits=work.ink,
            letter_edits=work.letters,
            flat_edits=work.flats,
            shade=work.light,
        )

    def settle(self, work: PageEdits, goal: str) -> None:
        """Have the page make what was only told from the disk, so that the next edit is quick.

        Raises:
            CancelledError: by what ``run`` was given to check: something newer is asked for.
        """
        for stage in GOALS[goal]:
            if stage in self._only_told and stage != "first":
                self._check()
                self.page.bring(*_OF[stage])
                if stage == "colours":
                    self._colours(work)
                self._only_told.discard(stage)
        if "flats" in GOALS[goal]:
            self._check()
            ready(self.page.get("prepared"), self.page.ink)

    def _stands(self, stage: str, work: PageEdits) -> bool:
        return self._told.get(stage, {}).get("key") == self._key(stage, work)

    @property
    def colouring(self) -> Colouring | None:
        """The page's colours under the names given by hand, None where there are none yet."""
        if not self.page.has("colouring"):
            return None
        return named(self.page.colouring, self._names)

    def _key(self, stage: str, work: PageEdits) -> str:
        colours = [work.dabs, dict(work.names), dict(work.bound)]
        asked = colours if stage == "colours" else None
        text = json.dumps([stage, self.page.key(_OF[stage][0]), asked], sort_keys=True)
        return hashlib.sha256(text.encode()).hexdigest()[:16]

    def _wants_first(self, work: PageEdits) -> bool:
        if self._stands("sheet", work):
            return False
        pixels = self.page.photo.pixels
        return not self.page.has("sheet") and pixels[..., 0].size > LEAST_MP * 1e6

    def _shown(self, name: str, pixels: Any) -> dict[str, Any]:
        """Keep a picture under a fresh name, and the one before it for those still looking.

        Returns the fields of ``Shown``.
        """
        found = sorted(self.folder.glob(f"{name}-*"), key=lambda path: path.stat().st_mtime)
        self._gone |= set(found[:-1])
        number = 1 + max((int(path.name.rpartition("-")[2]) for path in found), default=0)
        kept = pictures.keep(pixels, self.folder / f"{name}-{number}")
        return asdict(Shown(f"{name}-{number}", kept.width, kept.height, kept.levels))

    def _let_go(self) -> None:
        """Delete the pictures that nobody looks at any more, when all is told."""
        for old in self._gone:
            pictures.drop(old)
        self._gone.clear()

    # what each stage tells

    def _photo(self, work: PageEdits) -> Shown:
        pixels, (across, down) = self.page.photo.pixels, self._finer
        if across != 1:  # the outline is drawn in px of the photo that the page began with
            size = round(pixels.shape[1] / across), round(pixels.shape[0] / down)
            pixels = np.asarray(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), np.uint8)
        return Shown(**self._shown("photo", pixels))

    @property
    def _finer(self) -> F64:
        """How many px of the photo lie on one of the first photo's, (2,): 1 without a newer one."""
        first, now = self.page.get("joined").pixels, self.page.photo.pixels
        return np.asarray(np.divide(now.shape[1::-1], first.shape[1::-1]), np.float64)

    def _frame(self, work: PageEdits) -> FrameTold:
        frame = self.page.frame
        edges, finer = frame.edges_px, self._finer
        return FrameTold(
            width_mm=frame.width_mm,
            height_mm=frame.height_mm,
            corners=np.round(frame.corners_px / finer, 2).tolist(),
            edges=[np.round(edge[::EDGE_STEP] / finer, 1).tolist() for edge in edges]
            if edges
            else None,
            framed=frame.framed,
            paper=frame.paper,
            doubt=frame.doubt,
            doubt_of=frame.doubt_of,
            confidence=frame.confidence,
        )

    def _first(self, work: PageEdits) -> FirstTold:
        look = self.page.reduced(FIRST_MP)
        look.bring("squared", "ink")
        ink, squared = look.ink, look.squared
        return FirstTold(
            **self._shown("first", _grey(ink.coverage)),
            flat=self._shown("firstflat", squared.pixels)["picture"],
            px_per_mm=squared.px_per_mm,
            width_mm=ink.coverage.shape[1] / squared.px_per_mm,
            height_mm=ink.coverage.shape[0] / squared.px_per_mm,
        )

    def _sheet(self, work: PageEdits) -> SheetTold:
        sheet, capture = self.page.sheet, self.page.capture
        return SheetTold(
            **self._shown("flat", self.page.squared.pixels),
            px_per_mm=sheet.px_per_mm,
            width_mm=sheet.width_mm,
            height_mm=sheet.height_mm,
            verdict=capture.verdict,
            advice=capture.advice,
        )

    def _pencil(self, work: PageEdits) -> PencilTold:
        pencil = self.page.pencil
        return PencilTold(pencil.found, list(pencil.colours), pencil.note)

    def _cut(self, work: PageEdits) -> CutTold:
        return CutTold(self.page.get("blur_px"))

    def _specks(self, work: PageEdits) -> SpecksTold:
        return SpecksTold(len(self.page.removed))

    def _ink(self, work: PageEdits) -> InkTold:
        ink = self.page.ink
        rings = ink.removed[np.argsort(-ink.removed[:, 2])][:_MOST_RINGS]
        return InkTold(
            **self._shown("ink", _grey(ink.coverage)),
            px_per_mm=ink.px_per_mm,
            removed=rings.astype(np.float64).round(2).tolist(),
            checks=[
                InkCheckTold(
                    round(check.x_mm, 3),
                    round(check.y_mm, 3),
                    round(check.size_mm, 2),
                    check.why,
                    ink.removed[check.specks].astype(np.float64).round(3).tolist(),
                    [[round(value, 3) for value in mark] for mark in check.kept],
                )
                for check in ink_checks(ink.removed, ink.doubts)
            ],
            specks=len(ink.removed),
            weight=work.settings.weight,
        )

    def _lit(self, work: PageEdits) -> Shown:
        """Show the evenly lit sheet: the ink does not wait for it."""
        return Shown(**self._shown("sheet", to_srgb(self.page.sheet.reflectance)))

    def _marks(self, work: PageEdits) -> MarksTold:
        """Say which marks would go at each size offered."""
        found: dict[tuple[float, float], tuple[float, int]] = {}
        look = self.page.branch()
        for number, speck_mm in enumerate(DUST_SIZES_MM):
            look.change(speck_mm=speck_mm)
            for x, y, size in look.removed.astype(np.float64).round(2).tolist():
                _, steps = found.get((x, y), (size, 0))
                found[x, y] = (size, steps | 1 << number)
        largest = sorted(found.items(), key=lambda mark: -mark[1][0])[:_MOST_MARKS]
        marks = [[x, y, size, steps] for (x, y), (size, steps) in largest]
        return MarksTold(list(DUST_SIZES_MM), marks)

    def _lettering(self, work: PageEdits) -> LetteringTold:
        """Show the ink, each part in its colour."""
        ink, kind = self.page.ink, self.page.lettering.kind
        paper = 1 - ink.coverage[..., None]
        shown = 255 * paper + np.array(_PARTS_RGB, np.float32)[kind] * (1 - paper)
        return LetteringTold(
            **self._shown("lettering", np.rint(shown).astype(np.uint8)), px_per_mm=ink.px_per_mm
        )

    def _lines(self, work: PageEdits) -> LinesTold:
        return LinesTold()

    def _labels(self, work: PageEdits) -> Shown:
        """Show which area is where, as soon as it is known: the browser fetches it meanwhile."""
        return Shown(**self._shown("labels", self.page.flats().labels))

    def _flats(self, work: PageEdits) -> FlatsTold:
        return flats_told(self.page.flats(), self._told["labels"])

    def _colours(self, work: PageEdits) -> ColoursTold:
        self._names = dict(work.names)
        first = self.folder.parent / "first.json"
        self.page.change(hints=hints_of(self.page, work.dabs, first, work.names, work.bound))
        colouring = named(self.page.colouring, work.names)
        return ColoursTold(
            palette=[hex_of(colour) for colour in colouring.palette],
            names=list(colouring.names),
            of_area=colouring.of_area.tolist(),
            book=list(colouring.book or ("",) * len(colouring.names)),
        )

    def _things(self, work: PageEdits) -> ThingsTold:
        """Say which areas are one thing: what is on the screen does not wait for it."""
        return ThingsTold(self._told["labels"]["picture"], things_of(self.page.flats()).tolist())

    def _relief(self, work: PageEdits) -> ReliefTold:
        """Keep which way the surface looks, for the browser to turn the light on it.

        Of a pixel's two bytes the low one is x, the high one y, 128 ± 127; 0 is no figure.
        """
        relief = self.page.relief
        x, y = (np.rint(128 + 127 * part).astype(np.uint16) for part in (relief.x, relief.y))
        packed = np.where(relief.on, y << 8 | x, 0).astype(np.uint16)
        return ReliefTold(**self._shown("relief", packed), px_per_mm=relief.px_per_mm)


def _grey(coverage: F32) -> U8:
    return np.asarray(np.rint(coverage * 255), np.uint8)
