"""The stages of one page, each done again only where what it rests on has changed.

The same functions as in the pipeline, in the same order; a test holds the two together.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, TypeVar

import numpy as np

from inkclean.base.arrays import F32
from inkclean.base.colour import to_srgb
from inkclean.base.errors import InputError
from inkclean.desk import pictures
from inkclean.desk.acts import Work
from inkclean.desk.colouring import colour_page, hex_of
from inkclean.desk.work.first import first_look, worth_it
from inkclean.flats.colour.colours import Colouring
from inkclean.flats.colour.shade import relief_of
from inkclean.flats.find import Prepared, find_flats, prepare
from inkclean.flats.values import Flats
from inkclean.ink.cut import cut
from inkclean.ink.edits import ink_edits_record, mend
from inkclean.ink.pencil.separate import separate
from inkclean.ink.specks import clean_specks
from inkclean.ink.values import Doubt, Grey, Ink, Pencil
from inkclean.pipeline import Cleaned, frame_photo
from inkclean.settings import Settings
from inkclean.sheet.check import check_capture, edge_blur_px
from inkclean.sheet.framing.squaring import square_up
from inkclean.sheet.light import even_light
from inkclean.sheet.read import read_photos
from inkclean.sheet.values import Capture, Frame, Photo, Sheet

_T = TypeVar("_T")
# What each stage rests on; it is done again where that, or what is asked of it, changed.
_RESTS = {
    "frame": "photo",
    "first": "frame",
    "sheet": "frame",
    "pencil": "sheet",
    "cut": "pencil",
    "specks": "cut",
    "ink": "specks",
    "marks": "cut",
    "lines": "ink",
    "flats": "lines",
    "colours": "flats",
    "relief": "flats",
}
_INK = ("photo", "frame", "first", "sheet", "pencil", "cut", "specks", "ink")
GOALS = {
    "look": _INK[:4],
    "ink": _INK,
    "marks": (*_INK, "marks"),
    "flats": (*_INK, "lines", "flats", "colours"),
    "shade": (*_INK, "lines", "flats", "colours", "relief"),
}
# Sizes of the smallest mark, in mm, that the desk offers, and shows the effect of at once.
MARK_STEPS = (0.0, 0.1, 0.15, 0.2, 0.25, 0.3, 0.4, 0.5, 0.7, 1.0)
# More marks than this are not told one by one.
_MOST_MARKS = 3000
# Of the points of a bowed edge every fourth is told: 17 of 65, both corners among them.
EDGE_STEP = 4
Tell = Callable[[str, dict[str, Any]], None]


class CancelledError(Exception):
    """Something newer is asked for."""


@dataclass
class Bench:
    """All that one page became so far; ``tell`` reports each stage's result as plain values.

    ``check`` raises ``CancelledError`` when the rest is wanted no more.
    """

    source: Path
    number: int
    folder: Path
    budget_mp: float

    def __post_init__(self) -> None:
        """Start with nothing known."""
        self._keys: dict[str, str] = {}
        self._check: Callable[[], None] = lambda: None
        self._steps: dict[str, Callable[[Work], dict[str, Any]]] = {
            "photo": self._read,
            "frame": self._frame,
            "first": self._first,
            "sheet": self._square,
            "pencil": self._separate,
            "cut": self._cut,
            "specks": self._specks,
            "ink": self._mend,
            "marks": self._marks,
            "lines": self._look,
            "flats": self._split,
            "colours": self._colour,
            "relief": self._relief,
        }
        self._framed: Frame | None = None
        self._prepared: Prepared | None = None
        self._photo: Photo | None = None
        self._sheet: Sheet | None = None
        self._capture: Capture | None = None
        self._grey: Grey | None = None
        self._pencil: Pencil | None = None
        self._blur = 1.0
        self._raw: F32 | None = None
        self._clean: F32 | None = None
        self._removed: F32 = np.zeros((0, 3), np.float32)
        self._doubts: tuple[Doubt, ...] = ()
        self.ink: Ink | None = None
        self.flats: Flats | None = None
        self.colouring: Colouring | None = None
        self._said: dict[str, tuple[str, dict[str, Any]]] = {}

    def run(self, work: Work, goal: str, tell: Tell, check: Callable[[], None]) -> None:
        """Bring the page to ``goal``, one of ``GOALS``.

        Raises:
            CancelledError: by ``check``, between two stages.
            InkcleanError: the page cannot be used; says why in one line.
        """
        s = work.settings
        self._check = check
        asked = {
            "frame": [s.paper, s.frame],
            "pencil": s.drop,
            "specks": s.speck_mm,
            "ink": [ink_edits_record(work.ink), s.weight],
            "flats": asdict(work.flats),
            "colours": [work.dabs, work.names],
        }
        keys: dict[str, str] = {}
        for name in GOALS[goal]:
            keys[name] = _key(keys.get(_RESTS.get(name, ""), ""), name, asked.get(name))
        for name in GOALS[goal]:
            if name == "first" and not self._wants_first(keys):
                continue
            check()
            if self._keys.get(name) != keys[name]:
                self._keys.pop(name, None)
                said = self._steps[name](work)
                self._keys[name] = keys[name]
                self._said[name] = (keys[name], said)
            tell(name, {"key": keys[name], **self._said[name][1]})

    def _wants_first(self, keys: dict[str, str]) -> bool:
        return self._keys.get("sheet") != keys["sheet"] and worth_it(_made(self._photo))

    def cleaned(self, settings: Settings) -> Cleaned:
        """Return everything the page became, with curves, as the pipeline does."""
        from inkclean.curves.trace import trace

        ink = _made(self.ink)
        curves = trace(ink.coverage, ink.px_per_mm, settings.within_mm)
        return Cleaned(
            _made(self._sheet), _made(self._capture), ink, curves, None, {}, settings.weight
        )

    @property
    def photo(self) -> Photo:
        """Return the photo, once it has been read."""
        return _made(self._photo)

    def _picture(self, name: str, pixels: Any) -> dict[str, Any]:
        """Keep a picture under a fresh name, and the one before it for those still looking."""
        found = sorted(self.folder.glob(f"{name}-*"), key=lambda path: path.stat().st_mtime)
        for old in found[:-1]:
            pictures.drop(old)
        number = 1 + max((int(path.name.rpartition("-")[2]) for path in found), default=0)
        kept = pictures.keep(pixels, self.folder / f"{name}-{number}")
        return {
            "picture": f"{name}-{number}",
            "width": kept.width,
            "height": kept.height,
            "levels": kept.levels,
        }

    def _read(self, work: Work) -> dict[str, Any]:
        for number, photo in enumerate(read_photos(self.source, budget_mp=self.budget_mp), 1):
            if number == self.number:
                self._photo = photo
                return self._picture("photo", photo.pixels)
        raise InputError(f"{self.source.name} holds no page {self.number}")

    def _frame(self, work: Work) -> dict[str, Any]:
        self._framed = frame = frame_photo(_made(self._photo), work.settings)
        edges = frame.edges_px
        return {
            "width_mm": frame.width_mm,
            "height_mm": frame.height_mm,
            "corners": np.round(frame.corners_px, 2).tolist(),
            "edges": [np.round(edge[::EDGE_STEP], 1).tolist() for edge in edges] if edges else None,
            "framed": frame.framed,
            "paper": frame.paper,
            "doubt": frame.doubt,
            "confidence": frame.confidence,
        }

    def _first(self, work: Work) -> dict[str, Any]:
        first = first_look(_made(self._photo), _made(self._framed), work.settings)
        return {
            "flat": self._picture("firstflat", first.flat)["picture"],
            **self._picture("first", np.rint(first.coverage * 255).astype(np.uint8)),
            "px_per_mm": first.px_per_mm,
            "width_mm": first.coverage.shape[1] / first.px_per_mm,
            "height_mm": first.coverage.shape[0] / first.px_per_mm,
        }

    def _square(self, work: Work) -> dict[str, Any]:
        photo, frame = _made(self._photo), _made(self._framed)
        squared = square_up(photo, frame)
        self._sheet = sheet = even_light(squared.pixels, squared.px_per_mm, frame, squared.inside)
        self._capture = capture = check_capture(sheet, photo)
        return {
            "flat": self._picture("flat", squared.pixels)["picture"],
            **self._picture("sheet", to_srgb(sheet.reflectance)),
            "px_per_mm": sheet.px_per_mm,
            "width_mm": sheet.width_mm,
            "height_mm": sheet.height_mm,
            "verdict": capture.verdict,
            "advice": capture.advice,
        }

    def _separate(self, work: Work) -> dict[str, Any]:
        self._grey, self._pencil = separate(_made(self._sheet), work.settings.drop)
        self._blur = edge_blur_px(self._grey.ink)
        pencil = self._pencil
        return {"found": pencil.found, "colours": list(pencil.colours), "note": pencil.note}

    def _cut(self, work: Work) -> dict[str, Any]:
        sheet = _made(self._sheet)
        self._raw = cut(
            _made(self._grey),
            noise=sheet.noise,
            blur_px=self._blur,
            scale_known=sheet.frame.scale_known,
        )
        return {"blur_px": self._blur}

    def _specks(self, work: Work) -> dict[str, Any]:
        self._clean, self._removed, self._doubts = clean_specks(
            _made(self._raw),
            _made(self._grey),
            speck_mm=work.settings.speck_mm,
            unsure=_made(self._sheet).shade_edge,
        )
        return {
            "doubts": [
                {
                    "x": round(d.x_mm, 2),
                    "y": round(d.y_mm, 2),
                    "size": round(d.size_mm, 2),
                    "why": d.why,
                }
                for d in self._doubts
            ]
        }

    def _mend(self, work: Work) -> dict[str, Any]:
        coverage, scale = _made(self._clean).copy(), _made(self._sheet).px_per_mm
        weight = work.settings.weight
        coverage, removed = mend(coverage, _made(self._raw), self._removed, work.ink, scale, weight)
        self.ink = Ink(coverage, scale, _made(self._pencil), removed, self._doubts)
        rings = removed[np.argsort(-removed[:, 2])][:2000]
        return {
            **self._picture("ink", np.rint(coverage * 255).astype(np.uint8)),
            "px_per_mm": scale,
            "removed": rings.astype(np.float64).round(2).tolist(),
            "specks": len(removed),
            "weight": weight,
        }

    def _marks(self, work: Work) -> dict[str, Any]:
        """Say which marks would go at each size offered."""
        raw, grey, unsure = _made(self._raw), _made(self._grey), _made(self._sheet).shade_edge
        found: dict[tuple[float, float], tuple[float, int]] = {}
        for number, speck_mm in enumerate(MARK_STEPS):
            self._check()
            _, removed, _ = clean_specks(raw, grey, speck_mm=speck_mm, unsure=unsure)
            for x, y, size in removed.astype(np.float64).round(2).tolist():
                _, steps = found.get((x, y), (size, 0))
                found[x, y] = (size, steps | 1 << number)
        largest = sorted(found.items(), key=lambda mark: -mark[1][0])[:_MOST_MARKS]
        return {
            "steps": list(MARK_STEPS),
            "marks": [[x, y, size, steps] for (x, y), (size, steps) in largest],
        }

    def _look(self, work: Work) -> dict[str, Any]:
        self._prepared = prepare(_made(self.ink))
        return {}

    def _split(self, work: Work) -> dict[str, Any]:
        self.flats = flats = find_flats(
            _made(self.ink), edits=work.flats, prepared=_made(self._prepared)
        )
        return {
            **self._picture("labels", flats.labels),
            "areas": [
                [round(float(a["x_mm"]), 2), round(float(a["y_mm"]), 2), int(a["kind"])]
                for a in flats.areas
            ],
            "bridges": [
                {
                    "cubic": np.round(bridge["cubic"], 3).tolist(),
                    "doubtful": bool(bridge["doubtful"]),
                    "given": bool(bridge["given"]),
                }
                for bridge in flats.bridges
            ],
        }

    def _colour(self, work: Work) -> dict[str, Any]:
        first = self.folder.parent / "first.json"
        flats, ink = _made(self.flats), _made(self.ink)
        self.colouring = colouring = colour_page(flats, ink, work.dabs, first, work.names)
        return {
            "palette": [hex_of(colour) for colour in colouring.palette],
            "names": list(colouring.names),
            "of_area": colouring.of_area.tolist(),
        }

    def _relief(self, work: Work) -> dict[str, Any]:
        """Keep which way the surface looks, for the browser to turn the light on it.

        Of a pixel's two bytes the low one is x, the high one y, 128 ± 127; 0 is no figure.
        """
        relief = relief_of(_made(self.flats), _made(self.ink))
        x, y = (np.rint(128 + 127 * part).astype(np.uint16) for part in (relief.x, relief.y))
        packed = np.where(relief.on, y << 8 | x, 0).astype(np.uint16)
        return {**self._picture("relief", packed), "px_per_mm": relief.px_per_mm}


def _made(value: _T | None) -> _T:
    """Return what an earlier stage made."""
    if value is None:
        raise RuntimeError("a stage was left out")
    return value


def _key(before: str, name: str, part: Any) -> str:
    text = json.dumps([before, name, part], sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()[:16]
