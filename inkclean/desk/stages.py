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

from inkclean.arrays import F32
from inkclean.deliver.bitmap import encode
from inkclean.desk import pictures
from inkclean.desk.acts import Dab, Work
from inkclean.errors import InputError
from inkclean.flats.colours import Colouring, colour_areas
from inkclean.flats.find import find_flats
from inkclean.flats.hints import Hints, colour_by_hints
from inkclean.flats.values import Flats
from inkclean.ink.cut import cut
from inkclean.ink.edits import ink_edits_record, mend
from inkclean.ink.pencil import separate
from inkclean.ink.specks import clean_specks
from inkclean.ink.values import Doubt, Grey, Ink, Pencil
from inkclean.pipeline import Cleaned, frame_photo
from inkclean.sheet.check import check_capture, edge_blur_px
from inkclean.sheet.light import even_light
from inkclean.sheet.read import read_photos
from inkclean.sheet.squaring import square_up
from inkclean.sheet.values import Capture, Photo, Sheet
from inkclean.ticket import Settings

_T = TypeVar("_T")
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
        """Bring the page to ``goal`` (``look``, ``ink`` or ``flats``).

        Raises:
            CancelledError: by ``check``, between two stages.
            InkcleanError: the page cannot be used; says why in one line.
        """
        s = work.settings
        steps: list[tuple[str, Any, Callable[[Work], dict[str, Any]]]] = [
            ("photo", None, self._read),
            ("sheet", [s.paper, s.frame], self._square),
            ("pencil", s.drop, self._separate),
            ("cut", s.weight, self._cut),
            ("specks", s.speck_mm, self._specks),
            ("ink", ink_edits_record(work.ink), self._mend),
            ("flats", _spelt(work.flats), self._split),
            ("colours", work.dabs, self._colour),
        ]
        last = {"look": 1, "ink": 6, "flats": 8}[goal]
        key = ""
        for name, part, step in steps[:last]:
            check()
            key = _key(key, name, part)
            if self._keys.get(name) != key:
                self._keys.pop(name, None)
                said = step(work)
                self._keys[name] = key
                self._said[name] = (key, said)
            tell(name, {"key": key, **self._said[name][1]})

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

    def _square(self, work: Work) -> dict[str, Any]:
        photo = _made(self._photo)
        frame = frame_photo(photo, work.settings)
        squared = square_up(photo, frame)
        self._sheet = sheet = even_light(squared.pixels, squared.px_per_mm, frame, squared.inside)
        self._capture = capture = check_capture(sheet, photo)
        edges = frame.edges_px
        return {
            "flat": self._picture("flat", squared.pixels)["picture"],
            **self._picture("sheet", encode(sheet.reflectance)),
            "px_per_mm": sheet.px_per_mm,
            "width_mm": sheet.width_mm,
            "height_mm": sheet.height_mm,
            "corners": np.round(frame.corners_px, 2).tolist(),
            "edges": [np.round(edge[:: max(1, len(edge) // 40)], 1).tolist() for edge in edges]
            if edges
            else None,
            "framed": frame.framed,
            "paper": frame.paper,
            "doubt": frame.doubt,
            "confidence": frame.confidence,
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
            weight=work.settings.weight,
            scale_known=sheet.frame.scale_known,
        )
        return {"weight": work.settings.weight, "blur_px": self._blur}

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
        removed = mend(coverage, _made(self._raw), self._removed, work.ink, scale)
        self.ink = Ink(coverage, scale, _made(self._pencil), removed, self._doubts)
        rings = removed[np.argsort(-removed[:, 2])][:2000]
        return {
            **self._picture("ink", np.rint(coverage * 255).astype(np.uint8)),
            "px_per_mm": scale,
            "removed": rings.astype(np.float64).round(2).tolist(),
            "specks": len(removed),
        }

    def _split(self, work: Work) -> dict[str, Any]:
        self.flats = flats = find_flats(_made(self.ink), edits=work.flats)
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
        colouring = colour_page(_made(self.flats), _made(self.ink), work.dabs, first)
        self.colouring = colouring
        return {
            "palette": ["#" + bytes(colour.tolist()).hex() for colour in colouring.palette],
            "names": list(colouring.names),
            "of_area": colouring.of_area.tolist(),
        }


def hints_of(flats: Flats, dabs: tuple[Dab, ...], first: Path) -> Hints | None:
    """Return one dab an area: the latest by hand, else the colour the page was given first.

    The colours given first are kept in ``first``, so that a bridge laid later leaves the rest
    of the page as it was. None where nobody dabbed.
    """
    if not dabs:
        first.write_text(json.dumps(_first(flats, colour_areas(flats))), "utf-8")
        return None
    try:
        before: list[Dab] = [tuple(row) for row in json.loads(first.read_text("utf-8"))]
    except (OSError, ValueError):
        before = _first(flats, colour_areas(flats))
        first.write_text(json.dumps(before), "utf-8")
    chosen: dict[int, Dab] = {}
    height, width = flats.labels.shape
    for x, y, colour, name in (*reversed(before), *dabs):
        column = min(max(int(x * flats.px_per_mm), 0), width - 1)
        row = min(max(int(y * flats.px_per_mm), 0), height - 1)
        label = int(flats.labels[row, column])
        if label:
            chosen[label] = (x, y, colour, name)
    return Hints(
        np.array([dab[:2] for dab in chosen.values()], np.float64).reshape(-1, 2),
        np.arange(len(chosen), dtype=np.int32),
        np.array([list(bytes.fromhex(d[2][1:])) for d in chosen.values()], np.uint8).reshape(-1, 3),
        tuple(dab[3] for dab in chosen.values()),
    )


def colour_page(flats: Flats, ink: Ink, dabs: tuple[Dab, ...], first: Path) -> Colouring:
    """Return the page's colours: as dabbed, the others as they were given first."""
    hints = hints_of(flats, dabs, first)
    if hints is None:
        return colour_areas(flats)
    return colour_by_hints(flats, ink, hints)[1]


def _first(flats: Flats, colouring: Colouring) -> list[Dab]:
    rows = colouring.of_area[1:]
    return [
        (
            round(float(area["x_mm"]), 3),
            round(float(area["y_mm"]), 3),
            "#" + bytes(colouring.palette[row].tolist()).hex(),
            colouring.names[row],
        )
        for area, row in zip(flats.areas, rows, strict=True)
        if row  # paper stays paper by itself
    ]


def _made(value: _T | None) -> _T:
    """Return what an earlier stage made."""
    if value is None:
        raise RuntimeError("a stage was left out")
    return value


def _spelt(edits: Any) -> Any:
    return asdict(edits)


def _key(before: str, name: str, part: Any) -> str:
    text = json.dumps([before, name, part], sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()[:16]
