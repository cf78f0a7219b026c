"""Pages with known areas by hands of all kinds, families mixed, drawn on the fly."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from inkclean.base.arrays import I32, U8
from tests.fitting.areas.channels import channels
from tests.fitting.areas.figures import Drawings
from tests.fitting.areas.lineart import FIGURES, line_page
from tests.fitting.areas.pens import PX_PER_MM, Hand, firm_hand, open_hand
from tests.fitting.areas.scenes import Plenty, clean_plenty, scene
from tests.fitting.areas.worn import bent, page_maker

SIDE = 1024  # px of a page: 128 mm
FAMILIES = {
    "scene": 0.22,
    "firm": 0.14,
    "textured": 0.03,
    "open": 0.16,
    "line": 0.08,
    "icons": 0.11,
    "heads": 0.13,
    "closed": 0.08,
    "maker": 0.03,
    "channels": 0.02,
}


def page(seed: int, drawings: Drawings, family: str | None = None) -> tuple[U8, I32]:
    """Return ink 0 to 255 and areas 1.. (0: not told) of a page (SIDE, SIDE)."""
    rng = np.random.default_rng(seed)
    family = family or str(rng.choice(list(FAMILIES), p=list(FAMILIES.values())))
    if family == "scene":
        ink, label, _ = scene(SIDE, drawings, rng)
    elif family == "textured":
        plenty = Plenty(
            textured=float(rng.uniform(0.6, 1)),
            dense=float(rng.uniform(0.4, 1)),
            hatched=float(rng.choice([0, 0.15])),
            details=float(rng.choice([0, 0.2])),
        )
        ink, label, _ = scene(SIDE, drawings, rng, plenty=plenty)
    elif family == "firm":
        ink, label, _ = scene(SIDE, drawings, rng, firm_hand(rng), clean_plenty(rng))
    elif family in ("icons", "heads"):
        ink, label = (icons if family == "icons" else heads)(drawings, rng)
    elif family == "open":
        ink, label = opened(drawings, rng)
    elif family == "line":
        ink, label, _ = line_page(SIDE, drawings, rng)
        if rng.random() < 0.6:
            ink, label = bent(ink, label, rng)
    elif family == "closed":
        ink, label = closed(drawings, rng)
    elif family == "channels":
        ink, label = channels(SIDE, rng)
    else:
        ink, label = page_maker(SIDE, seed, rng)
    return _roughened(ink, rng), label


def icons(drawings: Drawings, rng: np.random.Generator) -> tuple[U8, I32]:
    """Return a page of icons of one set, closed or with openings cut."""
    sets = [name for name in drawings.line if name not in FIGURES]
    cuts = int(rng.choice([0, 4, 15, 30, 50]))
    ink, label, _ = line_page(SIDE, drawings, rng, str(rng.choice(sets)), cuts, _weight(rng))
    return bent(ink, label, rng) if rng.random() < 0.5 else (ink, label)


def heads(drawings: Drawings, rng: np.random.Generator) -> tuple[U8, I32]:
    """Return a page of heads and small figures in thin line, closed or nearly so."""
    if rng.random() < 0.5:
        sets = [name for name in drawings.line if name in FIGURES]
        cuts = int(rng.choice([0, 0, 0, 3, 10, 25]))
        ink, label, _ = line_page(SIDE, drawings, rng, str(rng.choice(sets)), cuts, _weight(rng))
        return bent(ink, label, rng) if rng.random() < 0.6 else (ink, label)
    width = float(np.exp(rng.uniform(np.log(0.16), np.log(0.6))))
    hand = Hand(
        width,
        uneven=float(rng.choice([0, 0.2])),
        pressure=float(rng.choice([0, 0.4, 0.8])),
        wobble=float(rng.choice([0, 0.08])),
        taper=float(rng.choice([0, 0.5])),
    )
    if rng.random() < 0.5:
        hand = replace(
            hand,
            gaps=float(rng.uniform(0, 0.2)),
            gap=(0.4, float(rng.uniform(1, 3))),
            beside_end=float(rng.choice([0, 0.6])),
            erased=0.1,
            short=float(rng.choice([0, 0.1, 0.25])),
        )
    plenty = Plenty(
        details=float(rng.choice([0, 0.5, 1.0])),
        hatched=float(rng.choice([0, 0, 0.1])),
        blacks=float(rng.choice([0, 0.1])),
    )
    alone = float(rng.uniform(0.25, 0.95)) if rng.random() < 0.5 else None
    pinches = int(rng.choice([0, 0, 3]))
    ink, label, _ = scene(SIDE, drawings, rng, hand, plenty, alone, pinches, heads=True)
    return ink, label


def _weight(rng: np.random.Generator) -> float:
    return float(rng.choice([0, 0, rng.uniform(0.5, 2.5)]))


def opened(drawings: Drawings, rng: np.random.Generator) -> tuple[U8, I32]:
    """Return a page of lines left open on purpose; half of them hold one figure alone."""
    if rng.random() < 0.5:
        ink, label, _ = scene(SIDE, drawings, rng, open_hand(rng), clean_plenty(rng))
        return ink, label
    alone = float(np.exp(rng.uniform(np.log(0.3), np.log(0.85))))
    width = float(np.clip(alone * SIDE / PX_PER_MM * rng.uniform(0.012, 0.042), 0.3, 1.6))
    if rng.random() < 0.4:  # closed, with strokes inside that close nothing
        hand = Hand(width, uneven=float(rng.choice([0, 0.2])), pressure=float(rng.choice([0, 0.3])))
        plenty = Plenty(details=float(rng.uniform(0, 1)))
    else:
        hand, plenty = open_hand(rng, width), clean_plenty(rng)
    ink, label, _ = scene(SIDE, drawings, rng, hand, plenty, alone)
    return ink, label


def closed(drawings: Drawings, rng: np.random.Generator) -> tuple[U8, I32]:
    """Return a page in unbroken line, mostly thin, whose narrow places are no gaps."""
    dice = rng.random()
    if dice < 0.2:
        return channels(SIDE, rng, closed=True)
    if dice < 0.5:
        only = drawings.line[int(rng.integers(len(drawings.line)))]
        ink, label, _ = line_page(SIDE, drawings, rng, only, 0)
        return bent(ink, label, rng) if rng.random() < 0.5 else (ink, label)
    width = float(np.exp(rng.uniform(np.log(0.16), np.log(0.6))))
    hand = Hand(
        width,
        uneven=float(rng.choice([0, 0.2])),
        pressure=float(rng.choice([0, 0.4, 0.8])),
        wobble=float(rng.choice([0, 0.1])),
    )
    plenty = Plenty(details=float(rng.choice([0, 0.3, 0.8])), blacks=float(rng.choice([0, 0.1])))
    alone = float(rng.uniform(0.3, 0.95)) if rng.random() < 0.6 else None
    ink, label, _ = scene(SIDE, drawings, rng, hand, plenty, alone, int(rng.integers(0, 6)))
    return ink, label


def _roughened(ink: U8, rng: np.random.Generator) -> U8:
    """Return the ink as it comes off paper: sharp, soft, or with a feathered edge."""
    dice = rng.random()
    if dice < 0.5:
        return ink
    soft = cv2.GaussianBlur(ink, (0, 0), float(rng.uniform(0.5, 1.3))).astype(np.float32)
    if dice < 0.8:
        grain = cv2.GaussianBlur(rng.normal(size=ink.shape).astype(np.float32), (0, 0), 1.0)
        edge = np.minimum(soft, 255 - soft) / 128  # nothing on bare paper
        soft += grain * edge * float(rng.uniform(30, 220))
    soft = (soft - 128) * float(rng.uniform(1.5, 4)) + 128
    return np.clip(soft, 0, 255).astype(np.uint8)
