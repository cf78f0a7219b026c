"""Pages of the tests' own page maker, and pages bent out of their regular form."""

from __future__ import annotations

import cv2
import numpy as np

from inkclean.base.arrays import I32, U8
from tests.fitting.areas.pens import PX_PER_MM
from tests.fitting.drawn import _curves_inside, some_troubles
from tests.fitting.extras import furnish
from tests.flats.pages import PX_PER_MM as MAKER_PX_PER_MM
from tests.flats.pages import make_page

FIRST_SEED = 100_000  # the pages below are for measuring


def page_maker(side: int, seed: int, rng: np.random.Generator) -> tuple[U8, I32]:
    """Return ink and areas (0: black) of a page of the tests' page maker."""
    scale = float(np.exp(rng.normal(0.0, 0.2)))
    size = side / PX_PER_MM / scale
    made = make_page(FIRST_SEED + seed, some_troubles(rng), size, size)
    if rng.random() < 0.6:
        _curves_inside(made, rng)
    if rng.random() < 0.6:
        furnish(made, rng)
    factor = PX_PER_MM / MAKER_PX_PER_MM * scale
    blur = cv2.GaussianBlur(made.coverage, (0, 0), max(0.3, 0.45 / factor))
    ink = cv2.resize(blur, (side, side), interpolation=cv2.INTER_LINEAR)
    label = cv2.resize(made.truth.astype(np.float32), (side, side), interpolation=cv2.INTER_NEAREST)
    return np.round(np.clip(ink, 0, 1) * 255).astype(np.uint8), label.astype(np.int32)


def bent(ink: U8, label: I32, rng: np.random.Generator) -> tuple[U8, I32]:
    """Bend and turn the page a little."""
    side = ink.shape[0]
    x, y = np.meshgrid(np.arange(side, dtype=np.float32), np.arange(side, dtype=np.float32))
    turn = np.radians(rng.uniform(-30, 30))
    across, down = x - side / 2, y - side / 2
    u = across * np.cos(turn) - down * np.sin(turn) + side / 2
    v = across * np.sin(turn) + down * np.cos(turn) + side / 2
    amount, phase = rng.uniform(0, 6), rng.uniform(0, 6.28, 2)
    u = (u + amount * np.sin(y / rng.uniform(40, 200) + phase[0])).astype(np.float32)
    v = (v + amount * np.sin(x / rng.uniform(40, 200) + phase[1])).astype(np.float32)
    outside = float(label[0, 0])
    return (
        np.asarray(cv2.remap(ink, u, v, cv2.INTER_LINEAR), np.uint8),
        cv2.remap(label.astype(np.float32), u, v, cv2.INTER_NEAREST, borderValue=outside).astype(
            np.int32
        ),
    )
