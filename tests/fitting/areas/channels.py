"""Rooms that narrow channels join, which make one area of them."""

from __future__ import annotations

import cv2
import numpy as np

from inkclean.base.arrays import I32, U8
from tests.fitting.areas.lineart import cut
from tests.fitting.areas.maps import areas_of, borders
from tests.fitting.areas.pens import PX_PER_MM
from tests.flats.shapes import bowed


def channels(side: int, rng: np.random.Generator, closed: bool = False) -> tuple[U8, I32]:
    """Return ink and areas of a page; narrow channels and no broken line on a ``closed`` one."""
    line = float(rng.uniform(0.18, 0.6) if closed else rng.uniform(0.25, 0.7))
    paper = np.zeros((side, side), np.uint8)
    step = rng.uniform(16, 40) * PX_PER_MM
    grid = np.mgrid[step / 2 : side : step, step / 2 : side : step]
    spots = grid.reshape(2, -1).T[:, ::-1] + rng.normal(size=(grid[0].size, 2)) * step * 0.12
    for x, y in spots[rng.random(len(spots)) < 0.85].tolist():
        axes = rng.uniform(0.15, 0.42, 2) * step
        if rng.random() < 0.5:
            turn = float(rng.uniform(0, 180))
            cv2.ellipse(paper, (int(x), int(y)), axes.astype(int).tolist(), turn, 0, 360, 1, -1)
        else:
            box = cv2.boxPoints(((x, y), (2 * axes).tolist(), float(rng.uniform(0, 90))))
            cv2.fillPoly(paper, [np.round(box).astype(np.int32)], 1)
    away = np.hypot(*(spots[:, None] - spots[None]).transpose(2, 0, 1))
    for a, b in np.argwhere(np.triu(away < 1.25 * step, 1)).tolist():
        if rng.random() < 0.4:
            middle = (spots[a] + spots[b]) / 2 + rng.normal(size=2) * step * rng.choice([0, 0.15])
            way = bowed(spots[a], spots[b], rng.uniform(-0.3, 0.3))
            if rng.random() < 0.5:
                way = np.stack([spots[a], middle, spots[b]])
            broad = max(7, round(rng.uniform(0.9, 4.5) * PX_PER_MM))
            if closed:
                broad = round((line + float(rng.uniform(0.3, 1.5))) * PX_PER_MM)
            cv2.polylines(paper, [np.round(way).astype(np.int32)], False, 1, broad, cv2.LINE_AA)
    shape = (
        cv2.GaussianBlur(paper.astype(np.float32), (0, 0), rng.uniform(0.5, 1 if closed else 3))
        > 0.5
    )
    edge = (~borders(shape.astype(np.int32))).astype(np.uint8)
    off = cv2.distanceTransform(edge, cv2.DIST_L2, 5) - line * PX_PER_MM / 2
    ink = np.clip(0.5 - off, 0, 1).astype(np.float32)
    label = areas_of(ink > 0.5, 40)
    if not closed:
        cut(ink, borders(label), int(rng.choice([0, 10, 30])), rng)
    return np.round(ink * 255).astype(np.uint8), label
