"""Paper that ink closes off around letters, and whether it is the inside of a balloon.

Gaps in what closes it count as closed, by some lengths in turn. What an inside is like (its shape,
what it holds, how much of its rim is drawn) is weighed by a small network of two layers.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from typing import Any, TypeAlias

import cv2
import numpy as np

from inkclean.base.arrays import F32, F64, I32, I64, U8, Bool
from inkclean.base.pieces import pieces_of

LARGEST = 0.45  # share of the sheet that no balloon takes
LEAST_MM2 = 5.0  # and the least that one does
FILLED = 0.04  # least share of the inside that letters with the room around them take
ROOM = 0.35  # room around a letter that is counted with it, in its heights
TAIL_MM = 1.5  # tails up to twice as broad are left out of its shape
BESIDE_PX = 2.5  # ink so near is the rim's
PUFFS = 5  # bays of a cloud's outline,
PUFF_MM = 0.25  # so deep at least
FEATURES = 20
HIDDEN = 16

Layer: TypeAlias = tuple[Any, Any, Any, Any]
"""Weights (FEATURES, HIDDEN), offsets (HIDDEN,), weights (HIDDEN,), offset (1,)."""


@dataclass(frozen=True)
class Inked:
    """What is known of the ink of a sheet while balloons are looked for.

    ``label`` (H, W) numbers the marks from 1, ``box`` (N, 4) and ``odds`` (N,) are theirs: x, y,
    width, height in px, and the log-odds that each is a letter; ``away`` (H, W) is how far each
    pixel lies from ink that is no letter. No inside is larger than ``most`` px.
    """

    label: I32
    box: I64
    odds: F32
    away: F32
    most: float
    px_per_mm: float


@dataclass(frozen=True)
class Inside:
    """Paper closed off, in a window of the sheet: ``place`` is its rows and columns.

    ``filled`` (h, w) is the paper with all that it holds; ``held`` are rows of its letters;
    ``seen`` (FEATURES,) what it is like.
    """

    place: tuple[slice, slice]
    filled: Bool
    held: I64
    seen: F32


def insides(inked: Inked, rows: I64, leak_mm: float) -> Iterator[Inside]:
    """Yield what is closed off around the letters in ``rows``, gaps of twice ``leak_mm`` closed."""
    reach = leak_mm * inked.px_per_mm
    region, stats = pieces_of(inked.away > reach, 4)
    height, width = region.shape
    box = inked.box[rows]
    middle = box[:, :2] + box[:, 2:] // 2
    # a letter lies where most of the corners and the middle of its box do
    corners = [(0, 0), (1, 0), (0, 1), (1, 1)]
    at = [middle] + [box[:, :2] + (box[:, 2:] - 1) * np.array(c) for c in corners]
    own = np.sort(np.stack([region[p[:, 1], p[:, 0]] for p in at], 1), axis=1)[:, 2]
    room = box[:, 2:] + 2 * ROOM * np.minimum(box[:, 2:], box[:, 3:])
    size = np.bincount(own, room.prod(axis=1), len(stats))
    for number in np.flatnonzero(size).tolist():
        x, y, wide, high, area = stats[number].tolist()
        edge = x == 0 or y == 0 or x + wide == width or y + high == height
        large = area > inked.most or area < LEAST_MM2 * inked.px_per_mm**2
        if number == 0 or edge or large or size[number] < FILLED * area:
            continue
        pad = round(4 * inked.px_per_mm + reach)
        place = (slice(max(y - pad, 0), y + high + pad), slice(max(x - pad, 0), x + wide + pad))
        filled = _filled(_grown(region[place] == number, inked.away[place] > 0, reach))
        held = rows[own == number]
        yield Inside(place, filled, held, _seen(inked, place, filled, held, leak_mm))


def _grown(core: Bool, free: Bool, reach: float) -> Bool:
    """Return the core grown back over free paper, by what it had been drawn in."""
    if reach < 1:
        return core
    away = cv2.distanceTransform((~core).view(np.uint8), cv2.DIST_L2, 5)
    return np.asarray(core | ((away <= reach + 1) & free))


def _filled(mask: Bool) -> Bool:
    contours, _ = cv2.findContours(mask.view(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    out = np.zeros(mask.shape, np.uint8)
    cv2.drawContours(out, contours, -1, 1, -1)
    return out.view(np.bool_)


def _seen(inked: Inked, place: tuple[slice, slice], filled: Bool, held: I64, leak_mm: float) -> F32:
    """Return what an inside is like, (FEATURES,)."""
    scale = inked.px_per_mm
    box = inked.box[held]
    boxes = _roomy(box) - np.array([place[1].start, place[0].start] * 2)
    area = float(filled.sum())
    usual, uneven = _heights(box)
    own, other, tall, wide = _others(inked.label[place], filled, held)
    odds = np.clip(inked.odds[held], -8, 8)
    odds = odds[np.isfinite(odds)]
    shape = _shape(filled, boxes, scale)
    room = float((boxes[:, 2:] - boxes[:, :2]).prod(axis=1).sum())
    return np.array(
        [
            leak_mm,
            np.log(area / scale**2),
            *shape,
            np.log(len(held)),
            np.log(usual / scale),
            np.log(uneven),
            np.log1p(other / max(own, 1)),
            np.log1p(tall / usual),
            np.log1p(wide / usual),
            np.log(room / area),
            np.log1p(30 * own / area),
            np.log1p(30 * other / area),
            _drawn(filled, inked.away[place]),
            odds.mean() if len(odds) else 0.0,
            np.log1p(np.maximum(odds, 0).sum()),
        ],
        np.float32,
    )


def _heights(box: I64) -> tuple[float, float]:
    """Return the height of a usual letter of (N, 4) boxes, px; and of it in those of any mark."""
    order = np.argsort(box[:, 3])
    high, room = box[order, 3], box[order, 2:].prod(axis=1)
    wide = np.cumsum(box[order, 2])
    area = np.cumsum(room)
    usual = float(high[np.searchsorted(area, area[-1] / 2)])
    return usual, usual / float(high[np.searchsorted(wide, wide[-1] / 2)])


def _others(label: I32, filled: Bool, held: I64) -> tuple[float, float, float, float]:
    """Return the ink of letters in an inside, that of others, and the others' most extents, px."""
    count = np.bincount(label[filled])
    own = np.zeros(len(count), bool)
    own[(held + 1)[held + 1 < len(count)]] = True
    other = (count > 0) & ~own
    other[:1] = False
    if not other.any():
        return float(count[own].sum()), 0.0, 0.0, 0.0
    within = filled & other.take(label, mode="clip")
    at = np.nonzero(within)
    of = label[within]
    most = []
    for place in at:
        low, high = np.full(len(count), max(label.shape)), np.zeros(len(count), np.int64)
        np.minimum.at(low, of, place)
        np.maximum.at(high, of, place)
        most.append(float((high - low + 1)[other].max()))
    return float(count[own].sum()), float(count[other].sum()), most[0], most[1]


def _roomy(box: I64) -> F64:
    """Return left, top, right and bottom of boxes (N, 4) with the room around letters."""
    room = ROOM * np.minimum(box[:, 2:], box[:, 3:])
    return np.concatenate([box[:, :2] - room, box[:, :2] + box[:, 2:] + room], axis=1)


def _shape(filled: Bool, boxes: F64, px_per_mm: float) -> list[float]:
    """Return six figures of an inside's shape, and where its letters (N, 4) lie in it.

    Shares of its hull, of the least rectangle around it and of it without its tail; the share
    that lies between its letters, and how far off its middle theirs is, in its own sides.
    """
    body = cv2.morphologyEx(filled.view(np.uint8), cv2.MORPH_OPEN, disc(TAIL_MM * px_per_mm))
    area = float(body.sum())
    if area == 0:
        body, area = filled.view(np.uint8), float(filled.sum())
    contours, _ = cv2.findContours(body, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    points = np.concatenate(list(contours))
    hull = max(cv2.contourArea(cv2.convexHull(points)), 1.0)
    square = max(float(np.prod(cv2.minAreaRect(points)[1])), 1.0)
    corners = np.concatenate([boxes[:, [k, m]] for k in (0, 2) for m in (1, 3)])
    between = cv2.contourArea(cv2.convexHull(corners.astype(np.float32)))
    side = np.maximum(np.ptp(points[:, 0], axis=0), 1)
    middle = points[:, 0].min(axis=0) + side / 2
    off = np.abs((corners.min(axis=0) + corners.max(axis=0)) / 2 - middle) / side
    tail = area / float(filled.sum())
    return [
        area / hull,
        area / square,
        tail,
        min(between / area, 3.0),
        float(off[0]),
        float(off[1]),
    ]


def _drawn(filled: Bool, away: F32) -> float:
    """Return the share of the rim of an inside beside which there is ink."""
    contours, _ = cv2.findContours(filled.view(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    rim = np.concatenate(list(contours))[:, 0]
    return float((away[rim[:, 1], rim[:, 0]] < BESIDE_PX).mean())


def is_cloud(inside: Bool, px_per_mm: float) -> bool:
    """Tell whether an inside has the many bays of a cloud."""
    contours, _ = cv2.findContours(inside.view(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    outline = max(contours, key=cv2.contourArea)
    if len(outline) < 20:
        return False
    hull = cv2.convexHull(outline, returnPoints=False)
    found: Any = cv2.convexityDefects(outline, hull)
    bays = np.zeros((0, 4)) if found is None else np.reshape(found, (-1, 4))
    return int((bays[:, 3] > PUFF_MM * px_per_mm * 256).sum()) >= PUFFS


def disc(radius: float) -> U8:
    """Return a disc as a kernel."""
    size = 2 * round(radius) + 1
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)), np.uint8)


def balloon_odds(seen: F32) -> float:
    """Return the log-odds that an inside, as it is seen (FEATURES,), is a balloon's."""
    w1, b1, w2, b2 = layer_of("balloons.f32")
    return float(np.maximum(seen @ w1 + b1, 0) @ w2 + b2[0])


@lru_cache(maxsize=2)
def layer_of(name: str) -> Layer:
    """Return the small network of a file beside this module, of FEATURES and HIDDEN units."""
    values = np.frombuffer((files("inkclean.flats.lettering") / name).read_bytes(), "<f4")
    first = FEATURES * HIDDEN
    w1, b1, w2, b2 = np.split(values, [first, first + HIDDEN, first + 2 * HIDDEN])
    return w1.reshape(FEATURES, HIDDEN), b1, w2, b2
