"""A page for the desk's figures: a mosaic of some 500 areas in ink, with gaps, dust and pencil."""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
from scipy.spatial import Voronoi

# A sheet of A3's shape at 600 dpi: 70 MP.
BROAD, HIGH = 7016, 9921
_COLUMNS, _ROWS = 20, 25


@cache
def mosaic(width: int, height: int, seed: int) -> bytes:
    """Return a JPEG of ``width`` × ``height``: a sheet on a dark desk, 20 × 25 cells on it."""
    rng = np.random.default_rng(seed)
    photo = np.full((height, width, 3), (36, 40, 46), np.uint8)
    margin = round(0.04 * width)
    box = (margin, margin, width - margin, height - margin)
    cv2.rectangle(photo, box[:2], box[2:], (228, 234, 236), -1)
    inner = np.array([width, height]) * 0.84
    origin = np.array([width, height]) * 0.08
    grid = np.stack(np.meshgrid(np.arange(_COLUMNS), np.arange(_ROWS)), -1).reshape(-1, 2) + 0.5
    points = (grid + rng.uniform(-0.32, 0.32, grid.shape)) / (_COLUMNS, _ROWS)
    around = [
        points,
        points * (-1, 1),
        points * (1, -1),
        points * (-1, 1) + (2, 0),
        points * (1, -1) + (0, 2),
    ]
    cells = Voronoi(np.concatenate(around))
    broad = max(2, round(width / 420))
    for a, b in cells.ridge_vertices:
        ends = cells.vertices[[a, b]]
        if a < 0 or b < 0 or ends.min() < -1e-6 or ends.max() > 1 + 1e-6:
            continue
        ends = ends * inner + origin
        if rng.random() < 0.12:  # a gap at one end
            ends[0] += (ends[1] - ends[0]) * 0.15
        (x0, y0), (x1, y1) = np.rint(ends).astype(int).tolist()
        cv2.line(photo, (x0, y0), (x1, y1), (24, 22, 22), broad, cv2.LINE_AA)
    for x, y in rng.uniform(0.1, 0.9, (300, 2)):
        at = (round(x * width), round(y * height))
        cv2.circle(
            photo,
            at,
            max(1, round(rng.uniform(1, 7) * width / 3000)),
            (60, 60, 60),
            -1,
            cv2.LINE_AA,
        )
    for y in np.linspace(0.2, 0.8, 7):
        a, b = (
            (round(0.1 * width), round(y * height)),
            (round(0.9 * width), round((y + 0.03) * height)),
        )
        cv2.line(photo, a, b, (235, 200, 150), broad, cv2.LINE_AA)
    soft = cv2.GaussianBlur(photo, (0, 0), 0.8)
    return cv2.imencode(".jpg", soft, [cv2.IMWRITE_JPEG_QUALITY, 90])[1].tobytes()
