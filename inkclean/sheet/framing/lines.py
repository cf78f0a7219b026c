"""Long straight edges of a small picture, and how well each is seen along its length."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np

from inkclean.base.arrays import F32, F64, I64, U8, Bool, median
from inkclean.base.tiles import both

# Lines kept: four of a page, the rest of desk and drawing; as many more are looked at first.
LINES = 40
LOOKED_AT = 110
# Samples along a line are so many px apart.
STEP = 2
# Clearness that a stretch of a line must pass to count for it.
PASSING = 0.3
ANGLES = 180
LEAST_VOTES = 10.0
SOFT_SIGMA = 3.0  # px of the blurred picture that votes too: rough edges are straight from afar
SOFT_GAIN = 2.5  # what makes its slopes up for the blur
FAINT_TIMES = 3.0  # the picture's usual slope, from which on a slope is an edge
# Codes per px that bound it: the faintest paper on a white desk, the roughest desk.
FAINT_RANGE = (0.8, 2.5)
# Chains of edge pixels start at so many times that.
FIRM = 2.5
# Share that an edge counts for being there, not for steepness: spot blacks are the steepest.
THERE = 0.65
# An edge this steep counts half of the most that steepness can add.
HALF_STEEP = 14.0
# A line may miss its edge by so many px: it may be bowed, or be seen from one side.
REACH = 3
# Offset and breadth in px of the strips on both sides whose colours are compared.
STRIP = (4, 9)


@dataclass(frozen=True)
class Slopes:
    """Steepest colour change at each pixel: (h, w) float32 codes per px, x and y."""

    across: F32
    down: F32

    @cached_property
    def faint(self) -> float:
        """Least slope that is an edge in this picture."""
        usual = median(np.abs(self.across[::3, ::3]) + np.abs(self.down[::3, ::3]))
        return float(np.clip(FAINT_TIMES * usual, *FAINT_RANGE))


@dataclass(frozen=True)
class EdgeLines:
    """Straight lines n·x = c across a picture and what is seen along them.

    ``normal`` (K, 2) unit, ``offset`` (K,) px, ``start`` (K,) the position along the line,
    t = x·d with d the normal turned by +90°, of the first sample; samples are STEP px apart.
    ``rising`` and ``falling`` (K, T + 1) are running sums, in px, over the samples of how
    clearly the picture gets lighter, or darker, along the normal; ``shown`` of the samples
    inside the picture; ``apart`` of the colour difference between the strips on both sides, in
    codes; ``border`` (K,) marks the picture's own borders.
    """

    normal: F64
    offset: F64
    start: F64
    rising: F64
    falling: F64
    apart: F64
    shown: F64
    border: F64


def slopes(picture: U8) -> Slopes:
    """Return the slope of whichever channel changes most at each pixel of (h, w, 3) codes."""
    shape = picture.shape[:2]
    across, down, strength = (np.zeros(shape, np.float32) for _ in range(3))
    for plane in cv2.split(picture):
        right = np.asarray(cv2.Scharr(plane, cv2.CV_32F, 1, 0, scale=1 / 32), np.float32)
        below = np.asarray(cv2.Scharr(plane, cv2.CV_32F, 0, 1, scale=1 / 32), np.float32)
        here = right * right + below * below
        more = here > strength
        for best, own in ((across, right), (down, below), (strength, here)):
            np.copyto(best, own, where=more)
    return Slopes(across, down)


def find_lines(picture: U8) -> EdgeLines:
    """Return the longest edges of a small picture (h, w, 3), and its four borders."""
    reach = int(np.hypot(*picture.shape[:2])) + 4

    def sharp() -> tuple[Slopes, F32]:
        field = slopes(picture)
        return field, _votes(field, 1.0, reach)

    def soft() -> F32:
        blurred = np.asarray(cv2.GaussianBlur(picture, (0, 0), SOFT_SIGMA), np.uint8)
        return _votes(slopes(blurred), SOFT_GAIN, reach)

    (field, votes), more = both(sharp, soft)
    votes += more
    normal, offset = _peaks(votes, reach)
    lines = _look_along(picture, field, normal, offset, np.zeros(len(offset)))
    best = np.argsort(_long_run(lines))[::-1][:LINES]
    normal, offset = normal[best], offset[best]
    height, width = picture.shape[:2]
    border_normal = np.array([[0.0, 1.0], [1.0, 0.0], [0.0, 1.0], [1.0, 0.0]])
    border_offset = np.array([0.0, float(width), float(height), 0.0])
    normal = np.concatenate([normal, border_normal])
    offset = np.concatenate([offset, border_offset])
    is_border = np.zeros(len(offset))
    is_border[-4:] = 1.0
    return _look_along(picture, field, normal, offset, is_border)


def _votes(field: Slopes, gain: float, reach: int) -> F32:
    """Return (ANGLES, 2 · reach + 1): the votes for each line by angle and offset.

    Each edge pixel votes for the lines through it along its own direction (the Hough
    transform with gradient direction: Ballard, Pattern Recognition 13(2), 1981).
    """
    scale = 16.0
    dx = np.clip(field.across * (gain * scale), -32000, 32000).astype(np.int16)
    dy = np.clip(field.down * (gain * scale), -32000, 32000).astype(np.int16)
    low = field.faint * scale
    edges = cv2.Canny(dx, dy, low, FIRM * low, L2gradient=True)
    rows, columns = np.nonzero(edges)
    gx, gy = field.across[rows, columns], field.down[rows, columns]
    steep = np.hypot(gx, gy) * gain
    weight = steep / (steep + HALF_STEEP) + 0.25
    angle = np.arctan2(gy, gx) * (ANGLES / np.pi)
    bins = 2 * reach + 1
    total = np.zeros((ANGLES, bins), np.float32)
    for turn in (-2, -1, 0, 1, 2):
        index = np.rint(angle + turn).astype(np.int64) % ANGLES
        theta = index * (np.pi / ANGLES)
        distance = (columns + 0.5) * np.cos(theta) + (rows + 0.5) * np.sin(theta)
        at = index * bins + np.rint(distance).astype(np.int64) + reach
        total += np.bincount(at, weight, ANGLES * bins).reshape(ANGLES, bins)
    return total


def _peaks(votes: F32, reach: int) -> tuple[F64, F64]:
    """Return the lines with most votes, none close to a stronger one."""
    votes = np.asarray(cv2.GaussianBlur(votes, (5, 1), 0.9), np.float32)
    # The angle wraps round with the offset's sign turned: lay the ends over before looking.
    lap = 4
    wrapped = np.concatenate([votes[-lap:, ::-1], votes, votes[:lap, ::-1]])
    highest = np.asarray(cv2.dilate(wrapped, np.ones((2 * lap - 1, 9), np.uint8)))[lap:-lap]
    angle, at = np.nonzero((votes >= highest) & (votes > LEAST_VOTES))
    order: I64 = np.argsort(votes[angle, at])[::-1][:LOOKED_AT]
    theta = angle[order] * (np.pi / ANGLES)
    normal = np.stack([np.cos(theta), np.sin(theta)], axis=1)
    return normal, (at[order] - reach).astype(np.float64)


def _look_along(picture: U8, field: Slopes, normal: F64, offset: F64, is_border: F64) -> EdgeLines:
    height, width = picture.shape[:2]
    along = np.stack([-normal[:, 1], normal[:, 0]], axis=1)
    centre = np.array([width, height]) / 2.0
    count = int(np.hypot(height, width)) // STEP + 1
    start = along @ centre - STEP * count / 2.0
    t = start[:, None] + STEP * (np.arange(count) + 0.5)
    base = normal[:, None] * offset[:, None, None] + along[:, None] * t[..., None]
    pixel = np.floor(base).astype(np.int64)
    margin = REACH
    within = (pixel >= margin) & (pixel < np.array([width, height]) - margin)
    shown: Bool = np.asarray(within.all(axis=2), np.bool_)
    rising = np.zeros(shown.shape, np.float32)
    falling = np.zeros(shown.shape, np.float32)
    across, down = field.across.ravel(), field.down.ravel()
    for step in range(-REACH, REACH + 1):
        at = _index(base + step * normal[:, None], width, height)
        slope = across[at] * normal[:, :1] + down[at] * normal[:, 1:]
        np.maximum(rising, slope, out=rising)
        np.maximum(falling, -slope, out=falling)
    soft = (
        cv2.blur(picture, (STRIP[1] - STRIP[0],) * 2)
        .reshape(-1, picture.shape[2])
        .astype(np.float32)
    )
    middle = sum(STRIP) / 2.0
    above = soft[_index(base + middle * normal[:, None], width, height)]
    below = soft[_index(base - middle * normal[:, None], width, height)]
    apart = np.sqrt(((above - below) ** 2).sum(axis=2))
    return EdgeLines(
        normal=normal,
        offset=offset,
        start=start,
        rising=_running(_clearness(rising, field.faint, shown)),
        falling=_running(_clearness(falling, field.faint, shown)),
        apart=_running(np.asarray(apart * shown, np.float32)),
        shown=_running(shown.astype(np.float32)),
        border=is_border,
    )


def _index(points: F64, width: int, height: int) -> I64:
    x = np.clip(points[..., 0].astype(np.int64), 0, width - 1)
    y = np.clip(points[..., 1].astype(np.int64), 0, height - 1)
    return np.asarray(y * width + x, np.int64)


def _clearness(slope: F32, faint: float, shown: Bool) -> F32:
    """Return 0..1: mostly for an edge being there at all, the rest for its steepness."""
    there = np.clip(slope / faint - 1.0, 0.0, 1.0)
    clear = THERE * there + (1.0 - THERE) * slope / (slope + HALF_STEEP)
    return np.asarray(clear * shown, np.float32)


def _running(values: F32) -> F64:
    total = np.zeros((values.shape[0], values.shape[1] + 1))
    np.cumsum(values, axis=1, out=total[:, 1:])
    total *= STEP
    return total


def _long_run(lines: EdgeLines) -> F64:
    """Return (K,): the most that any one stretch of each line exceeds the passing clearness."""
    best = np.zeros(len(lines.offset))
    for running in (lines.rising, lines.falling):
        over = running - PASSING * lines.shown
        best = np.maximum(best, (over - np.minimum.accumulate(over, axis=1)).max(axis=1))
    return best
