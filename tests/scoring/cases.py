"""The cases: pages, pencils, papers, desks and lights; drawn once and kept in the temp folder."""

from __future__ import annotations

import hashlib
import os
import tempfile
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import cv2
import numpy as np

import inkclean.demo
from inkclean.base.arrays import F32, U8
from inkclean.base.units import PAPERS
from inkclean.demo.camera import shot as camera
from inkclean.demo.camera.conditions import Conditions
from inkclean.demo.camera.shot import Shot
from inkclean.demo.drawing.page import DrawnPage, Style, draw
from inkclean.sheet.values import Photo
from tests.alone import alone

_MOST_KEPT = 80


@dataclass(frozen=True)
class Case:
    """One page under one set of conditions; ``scan_dpi`` 0 means a photo.

    ``asked`` is the paper to ask for: A3 and A4 have one shape, so that only the user can tell.
    """

    name: str
    paper: str = "A4"
    pencil: str = "blue"
    ink: str = "black"
    seed: int = 7
    style: Style = field(default_factory=Style)
    conditions: Conditions = field(default_factory=Conditions)
    scan_dpi: float = 0.0
    scan_grey: bool = False
    asked: str = "auto"


def _c(**changes: Any) -> Conditions:
    return Conditions(**changes)


CASES: tuple[Case, ...] = (
    Case("plain", conditions=_c(desk="wood")),
    Case(
        "red_lamp",
        pencil="red",
        seed=11,
        conditions=_c(desk="dark", lamp_k=2900, white_balance=0.4, light_ratio=2.2, seed=2),
    ),
    Case(
        "green_hard",
        pencil="green",
        seed=12,
        conditions=_c(desk="clutter", light_ratio=4.0, light_from=300, vignette=0.3, seed=3),
    ),
    Case(
        "violet_cream",
        pencil="violet",
        seed=13,
        conditions=_c(desk="wood", tint="cream", tilt=10, tilt_toward=200, turn=-5, seed=4),
    ),
    Case(
        "orange_white_desk",
        pencil="orange",
        seed=14,
        conditions=_c(desk="white", turn=3, light_ratio=1.8, light_from=140, seed=5),
    ),
    Case(
        "no_pencil_shadow",
        pencil="none",
        seed=15,
        conditions=_c(desk="dark", shadow=0.5, shadow_soft_mm=8, seed=6),
    ),
    Case(
        "blue_hard_shadow",
        seed=16,
        conditions=_c(
            desk="wood",
            shadow=0.45,
            shadow_soft_mm=1.5,
            shadow_at=0.6,
            shadow_from=250,
            light_ratio=2.0,
            seed=7,
        ),
    ),
    Case(
        "blue_ink",
        pencil="none",
        ink="blue",
        seed=17,
        conditions=_c(desk="wood", light_ratio=1.8, seed=8),
    ),
    Case("grid", seed=18, conditions=_c(desk="dark", grid_mm=5.0, tilt=8, seed=9)),
    Case(
        "curl",
        seed=19,
        conditions=_c(desk="dark", bow_mm=9.0, tilt=12, tilt_toward=90, light_ratio=1.8, seed=10),
    ),
    Case("soft_focus", seed=20, conditions=_c(desk="wood", blur_px=1.35, sharpen=0.6, seed=11)),
    Case(
        "a3_blue", paper="A3", asked="A3", seed=21, conditions=_c(desk="wood", seed=12, blur_px=0.7)
    ),
    Case(
        "a3_red_clutter",
        paper="A3",
        asked="A3",
        pencil="red",
        seed=22,
        conditions=_c(desk="clutter", light_ratio=2.5, light_from=40, blur_px=0.7, seed=13),
    ),
    Case(
        "letter_through",
        paper="letter",
        seed=23,
        conditions=_c(desk="clutter", show_through=0.12, tint="cream", turn=-3, seed=14),
    ),
    Case(
        "corner_out",
        seed=24,
        conditions=_c(desk="dark", fill=0.97, shift=(0.045, 0.03), turn=4, seed=15),
    ),
    Case(
        "dim_grey_paper",
        pencil="red",
        seed=25,
        conditions=_c(
            desk="dark",
            tint="grey",
            exposure=0.6,
            shot=6e-4,
            read=0.004,
            chroma_soft_px=1.2,
            light_ratio=2.2,
            jpeg_quality=85,
            seed=16,
        ),
    ),
    Case("scan_grey", seed=26, scan_dpi=300, scan_grey=True),
    Case("scan_colour", pencil="red", seed=27, scan_dpi=300),
)


def case(name: str) -> Case:
    """Return the case of that name."""
    return next(c for c in CASES if c.name == name)


def photo(shot: Shot, name: str = "shot") -> Photo:
    """Return the shot as the reader would hand it over."""
    return Photo(shot.pixels, None, name)


def shoot(which: Case) -> tuple[DrawnPage, Shot]:
    """Return the page and its photo, from the cache if they lie there."""
    page = page_of(which)
    return page, _shot(which, page)


def page_of(which: Case) -> DrawnPage:
    """Return the case's page, from the cache if it lies there."""
    sizes = (which.paper, which.pencil, which.ink, which.seed, which.style)
    path = _place("page", sizes)
    with alone(path):
        if not path.exists():
            _keep(path, _drawn(which))
    with np.load(path) as kept:
        cuts = np.cumsum(kept["black_sizes"])[:-1]
        colours = kept["colours"]
        return DrawnPage(
            ink=_shares(kept["ink"]),
            pencil=_shares(kept["pencil"]),
            paper=PAPERS[which.paper],
            px_per_mm=float(kept["scales"][0]),
            pencil_px_per_mm=float(kept["scales"][1]),
            pencil_rgb=tuple(colours[0]),
            ink_rgb=tuple(colours[1]),
            hatching=kept["hatching"],
            hatching_width=kept["hatching_width"],
            dots=kept["dots"],
            blacks=tuple(np.split(kept["black_points"], cuts)) if len(cuts) + 1 else (),
        )


def _shares(levels: U8) -> F32:
    shares = levels.astype(np.float32)
    shares /= 255.0
    return shares


def _drawn(which: Case) -> dict[str, Any]:
    page = draw(PAPERS[which.paper], which.seed, which.pencil, which.ink, which.style)
    return {
        "ink": cv2.convertScaleAbs(page.ink, alpha=255.0),
        "pencil": cv2.convertScaleAbs(page.pencil, alpha=255.0),
        "hatching": page.hatching,
        "hatching_width": page.hatching_width,
        "dots": page.dots,
        "black_points": np.concatenate([*page.blacks, np.zeros((0, 2), np.float32)]),
        "black_sizes": np.array([len(b) for b in page.blacks], np.int64),
        "scales": np.array([page.px_per_mm, page.pencil_px_per_mm]),
        "colours": np.array([page.pencil_rgb, page.ink_rgb]),
    }


def _shot(which: Case, page: DrawnPage) -> Shot:
    path = _place("shot", which)
    with alone(path):
        if not path.exists():
            taken = _take(which, page)
            jpeg = np.frombuffer(taken.jpeg, np.uint8)
            _keep(path, {"jpeg": jpeg, "dust": taken.dust, "light": taken.light})
    with np.load(path) as kept:
        jpeg, dust, light = kept["jpeg"], kept["dust"], kept["light"]
    if which.scan_dpi:
        view = camera.scan_view(PAPERS[which.paper], which.scan_dpi)
        conditions = camera.SCANNER
    else:
        view = camera.photo_view(PAPERS[which.paper], which.conditions)
        conditions = which.conditions
    data = jpeg.tobytes()
    return Shot(camera.decode(data), data, view.corners_px(), view, dust, light, conditions)


def _take(which: Case, page: DrawnPage) -> Shot:
    if which.scan_dpi:
        return camera.scan(page, which.scan_dpi, grey=which.scan_grey)
    return camera.photograph(page, which.conditions)


def _place(kind: str, what: object) -> Path:
    """Return the cache file for these parameters and this state of the code."""
    folder = Path(tempfile.gettempdir()) / "inkclean-shots"
    folder.mkdir(exist_ok=True)
    code = hashlib.sha256()
    for source in sorted(Path(str(inkclean.demo.__file__)).parent.rglob("*.py")):
        code.update(source.read_bytes())
    named = repr(what) + code.hexdigest()
    return folder / f"{kind}-{hashlib.sha256(named.encode()).hexdigest()[:20]}.npz"


def _keep(path: Path, arrays: dict[str, Any]) -> None:
    """Write whole, then move into place; the oldest files go when there are too many."""
    handle, draft = tempfile.mkstemp(dir=path.parent, suffix=".npz")
    os.close(handle)
    np.savez(draft, **arrays)
    Path(draft).replace(path)
    kept = sorted(path.parent.glob("*.npz"), key=lambda p: p.stat().st_mtime)
    for old in kept[:-_MOST_KEPT]:
        old.unlink(missing_ok=True)
