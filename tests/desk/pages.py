"""A small photo of a page, made by hand: quick to clean, with something of everything on it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np

from inkclean.base.arrays import U8

# The sheet lies here in the photo (px, from the top left clockwise): A4's shape, 5 px/mm.
LEFT, TOP, WIDE, HIGH = 100, 90, 1050, 1485
SCALE = 5.0
# In mm of the sheet: two boxes that share a wall with a gap, a black, a lone speck, pencil.
BOX_MM = (40.0, 60.0, 100.0, 160.0)
SPECK_MM = (150.0, 60.0)
# Where more grains of dust lie together, on a page that has them.
GRAINS_MM = ((160.0, 200.0), (161.6, 200.4), (160.6, 201.8), (162.0, 202.4), (161.0, 203.2))
PENCIL_MM = (40.0, 220.0, 120.0)


def draw(grains: Sequence[tuple[float, float]] = ()) -> U8:
    """Return (H, W, 3) uint8 RGB: a white sheet on a dark desk, with dust at the speck and
    at ``grains`` (mm)."""
    rng = np.random.default_rng(5)
    photo = np.full((1665, 1250, 3), (46, 40, 36), np.uint8)
    sheet = np.full((HIGH * 2, WIDE * 2, 3), 236, np.uint8)

    def px(*mm: float) -> list[int]:
        return [round(value * SCALE * 2) for value in mm]

    x0, y0, x1, y1 = px(*BOX_MM)
    ink, pencil = (22, 22, 24), (150, 200, 235)
    cv2.rectangle(sheet, (x0, y0), (x1, y1), ink, 9)
    middle = (y0 + y1) // 2
    gap = px(3.0)[0]
    cv2.line(sheet, (x0, middle), ((x0 + x1) // 2 - gap // 2, middle), ink, 9)
    cv2.line(sheet, ((x0 + x1) // 2 + gap // 2, middle), (x1, middle), ink, 9)
    cv2.circle(sheet, px(150.0, 120.0), px(14.0)[0], ink, -1)
    a, y, b = px(*PENCIL_MM)
    for k in range(6):
        cv2.line(sheet, (a, y + 50 * k), (b, y + 50 * k), pencil, 8)
    small = cv2.resize(sheet, (WIDE, HIGH), interpolation=cv2.INTER_AREA)
    photo[TOP : TOP + HIGH, LEFT : LEFT + WIDE] = small
    noisy = photo.astype(np.float32) + rng.normal(0, 1.5, photo.shape).astype(np.float32)
    made = np.asarray(cv2.GaussianBlur(noisy, (0, 0), 0.7).clip(0, 255), np.uint8)
    for grain in (SPECK_MM, *grains):
        x, y = round(LEFT + grain[0] * SCALE), round(TOP + grain[1] * SCALE)
        made[y, x] = 80  # dust on the glass: one pixel, in its middle more ink than paper
    return made


def write(path: Path) -> Path:
    """Write the photo as JPEG and return its path."""
    cv2.imwrite(str(path), cv2.cvtColor(draw(), cv2.COLOR_RGB2BGR))
    return path


def jpeg(grains: Sequence[tuple[float, float]] = ()) -> bytes:
    """Return the photo as bytes of a JPEG."""
    return cv2.imencode(".jpg", cv2.cvtColor(draw(grains), cv2.COLOR_RGB2BGR))[1].tobytes()
