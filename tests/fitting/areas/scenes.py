"""Scenes: figures laid back to front like cut paper, inked stroke by stroke, then furnished."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from scipy.ndimage import find_objects

from inkclean.base.arrays import F64, I32, U8, Bool
from tests.fitting import textures
from tests.fitting.areas.figures import Drawings, Lines, made_up, pinched, placed, with_features
from tests.fitting.areas.maps import areas_of, borders
from tests.fitting.areas.pens import FINER, PX_PER_MM, Hand, Pen, some_hand
from tests.flats import furnishing
from tests.flats.pages import PX_PER_MM as TEXTURE_PX_PER_MM
from tests.flats.shapes import bowed

LEAST_MM2 = 0.6  # patches of paper smaller than this are no areas
FONTS = (
    cv2.FONT_HERSHEY_SIMPLEX,
    cv2.FONT_HERSHEY_DUPLEX,
    cv2.FONT_HERSHEY_COMPLEX_SMALL,
    cv2.FONT_HERSHEY_SCRIPT_SIMPLEX,
)


@dataclass(frozen=True)
class Plenty:
    """How much a scene is furnished: shares of areas, and chances of the whole page."""

    hatched: float = 0.0
    stipple: float = 0.0
    details: float = 0.0
    blacks: float = 0.0
    words: float = 0.0
    textured: float = 0.0
    dense: float = 0.0  # share of the textured areas that are covered all over
    parted: float = 0.0
    panels: float = 0.0


def some_plenty(rng: np.random.Generator) -> Plenty:
    """Return a mixture; a third of all pages have nothing but their outlines."""
    if rng.random() < 0.22:
        return Plenty(parted=float(rng.choice([0, 0.3])))

    def often(share: float, most: float) -> float:
        return float(rng.uniform(0, most)) if rng.random() < share else 0.0

    return Plenty(
        hatched=often(0.6, 0.4),
        stipple=often(0.25, 0.2),
        details=often(0.6, 0.4),
        blacks=often(0.3, 0.15),
        words=often(0.3, 0.25),
        textured=often(0.4, 0.7),
        dense=often(0.3, 0.5),
        parted=often(0.4, 0.4),
        panels=0.12,
    )


def clean_plenty(rng: np.random.Generator) -> Plenty:
    """Return next to nothing but outlines, and strokes that close nothing."""
    details = float(rng.uniform(0, 0.4)) if rng.random() < 0.6 else 0.0
    return Plenty(
        details=details,
        hatched=float(rng.choice([0, 0, 0.1])),
        blacks=float(rng.choice([0, 0, 0.08])),
        parted=float(rng.choice([0, 0, 0.2])),
    )


def scene(
    side: int,
    drawings: Drawings,
    rng: np.random.Generator,
    hand: Hand | None = None,
    plenty: Plenty | None = None,
    alone: float | None = None,
    pinches: int = 0,
    heads: bool = False,
) -> tuple[U8, I32, U8]:
    """Return the ink of a page, its areas (0: not told), and all lines whole.

    ``alone``: one figure in the middle, so large as this share of the page; ``pinches``: so many
    places of each figure are drawn together, which leaves narrow ones; ``heads``: heads alone, with
    small features.
    """
    pen = Pen(side, hand or some_hand(rng), rng)
    plenty = plenty or some_plenty(rng)
    figures = (
        [(placed(drawings.figure(rng, heads), np.full(2, side / 2), alone * side, rng), 1.0)]
        if alone
        else _figures(side, drawings, pen.hand, rng, heads)
    )
    if heads:
        figures = [(with_features(lines, rng), broad) for lines, broad in figures]
    for lines, broad in figures:
        _lay(pen, pinched(lines, pinches, rng) if pinches else lines, broad)
    if rng.random() < plenty.panels:
        _frame(pen, rng)
    if plenty.parted:
        _part(pen, plenty, rng)
    whole = pen.whole
    shut = cv2.dilate((whole > 127).astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    label = areas_of(shut, round(LEAST_MM2 * PX_PER_MM**2))
    ink = np.asarray(cv2.resize(pen.ink, (side, side), interpolation=cv2.INTER_AREA), np.uint8)
    black = _furnish(ink, label, plenty, rng)
    label[black] = 0
    return ink, label, whole


def _figures(
    side: int, drawings: Drawings, hand: Hand, rng: np.random.Generator, heads: bool
) -> list[tuple[Lines, float]]:
    """Return the figures of a page, hindmost first, and how broad their lines are."""

    def one() -> Lines:
        made = not heads and rng.random() < 0.16
        return made_up(rng) if made else drawings.figure(rng, heads)

    dice = rng.random() * (0.55 if heads else 1)
    made: list[tuple[F64, float]] = []
    if dice < 0.3:  # one or two large ones
        for _ in range(int(rng.integers(1, 3))):
            made.append((rng.uniform(0.35, 0.65, 2) * side, float(rng.uniform(0.6, 0.98)) * side))
    elif dice < 0.55:  # side by side
        many = int(rng.integers(2, 6))
        cell = side / many
        for y in range(many):
            for x in range(many):
                if rng.random() < 0.9:
                    middle = (np.array([x, y]) + 0.5 + rng.normal(size=2) * 0.05) * cell
                    made.append((middle, cell * float(rng.uniform(0.7, 0.98))))
    else:  # a heap
        for _ in range(int(rng.integers(7, 36))):
            size = float(np.exp(rng.uniform(np.log(0.14), np.log(0.6)))) * side
            made.append((rng.uniform(0.05, 0.95, 2) * side, size))
        made.sort(key=lambda m: -m[1] * rng.uniform(0.6, 1.6))
    # most draw small figures with a finer pen
    finest = float(np.exp(rng.uniform(-4.6, -3.25))) if rng.random() < 0.85 else 1.0
    return [
        (placed(one(), middle, size, rng), min(1.0, finest * size / PX_PER_MM / hand.width))
        for middle, size in made
    ]


def _frame(pen: Pen, rng: np.random.Generator) -> None:
    """Leave of the scene what lies in panels, and rule these."""
    side = pen.whole.shape[0]
    rows, columns = int(rng.integers(1, 4)), int(rng.integers(1, 3))
    gutter = float(rng.uniform(2, 6)) * PX_PER_MM
    top = np.linspace(gutter, side, rows + 1)
    boxes = []
    for y0, y1 in zip(top[:-1].tolist(), (top[1:] - gutter).tolist(), strict=True):
        shift = float(rng.uniform(-0.1, 0.1)) * side if columns > 1 else 0.0
        left = np.linspace(gutter, side, columns + 1) + np.pad([shift] * (columns - 1), 1)
        boxes += [(x0, y0, x1 - gutter, y1) for x0, x1 in pairwise(left.tolist())]
    keep = np.zeros((side, side), np.uint8)
    for x0, y0, x1, y1 in boxes:
        cv2.rectangle(keep, (round(x0), round(y0)), (round(x1), round(y1)), 1, -1)
    pen.whole[keep == 0] = 0
    fine = cv2.resize(keep, None, fx=FINER, fy=FINER, interpolation=cv2.INTER_NEAREST)
    pen.ink[fine == 0] = 0
    for x0, y0, x1, y1 in boxes:
        pen.line(np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1], [x0, y0]]))


def _lay(pen: Pen, lines: Lines, broad: float) -> None:
    """Draw a figure; what lies behind it goes."""
    if not lines:
        return
    away = round(pen.hand.halo * PX_PER_MM)
    every = np.concatenate(lines)
    x0, y0 = (np.floor(every.min(axis=0)).astype(int) - away - 3).tolist()
    x1, y1 = (np.ceil(every.max(axis=0)).astype(int) + away + 4).tolist()
    if min(x1 - x0, y1 - y0) < 2 * away + 14:
        return
    wall = np.zeros((y1 - y0, x1 - x0), np.uint8)
    for line in lines:
        at = np.round((line - [x0, y0]) * 16).astype(np.int32)
        cv2.polylines(wall, [at], False, 1, 2, cv2.LINE_8, 4)
    cv2.floodFill(wall, None, (0, 0), 2)
    inside = (wall != 2).astype(np.uint8)
    _take_off(pen.whole, inside, x0, y0, 1)
    if away:
        disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * away + 1, 2 * away + 1))
        inside = np.asarray(cv2.dilate(inside, disc), np.uint8)
    _take_off(pen.ink, inside, x0, y0, FINER)
    for line in lines:
        pen.line(line, broad)


def _take_off(sheet: U8, inside: U8, x0: int, y0: int, finer: int) -> None:
    """Take off what lies in a figure whose box begins at x0, y0, on the sheet or outside."""
    side = sheet.shape[0] // finer
    top, left = max(0, -y0), max(0, -x0)
    part = inside[top : max(top, side - y0), left : max(left, side - x0)]
    if not part.size:
        return
    fine = cv2.resize(part, None, fx=finer, fy=finer, interpolation=cv2.INTER_NEAREST)
    y, x = (y0 + top) * finer, (x0 + left) * finer
    sheet[y : y + fine.shape[0], x : x + fine.shape[1]][fine > 0] = 0


def _part(pen: Pen, plenty: Plenty, rng: np.random.Generator) -> None:
    """Part some areas by lines from edge to edge, in bands or with a line or two."""
    label = areas_of(pen.whole > 127, 100)
    for number, box in enumerate(find_objects(label), 1):
        if box is None or rng.random() > plenty.parted:
            continue
        inside = label[box] == number
        if not 60 < inside.sum() / PX_PER_MM**2 < 4000 or inside[0].all():
            continue
        high, wide = inside.shape
        near = cv2.dilate(inside.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
        corner = np.array([box[1].start, box[0].start])
        turn = float(rng.uniform(0, np.pi))
        along = np.array([np.cos(turn), np.sin(turn)])
        across = np.array([-along[1], along[0]])
        reach = float(np.hypot(high, wide)) / 2
        apart = float(rng.uniform(1.7, 8)) * PX_PER_MM
        at = np.arange(-reach, reach, apart) + rng.uniform(0, apart)
        if rng.random() < 0.5:
            at = at[: int(rng.integers(1, 5))] + reach * float(rng.uniform(0.3, 1))
        bow, t = float(rng.normal() * 0.12), np.arange(-reach, reach, 1.5)
        for off in at.tolist():
            line = along * t[:, None] + across * (off + bow * (t**2 / reach))[:, None]
            line = line + np.array([wide / 2, high / 2])
            x, y = np.floor(line).astype(int).T
            ok = (x >= 0) & (y >= 0) & (x < wide) & (y < high)
            ok[ok] = near[y[ok], x[ok]]
            edges = np.flatnonzero(np.diff(np.concatenate([[0], ok.astype(int), [0]])))
            for a, b in edges.reshape(-1, 2).tolist():
                if b - a > 8:
                    pen.stroke(line[a:b:2] + corner)


def _furnish(ink: U8, label: I32, plenty: Plenty, rng: np.random.Generator) -> Bool:
    """Draw what parts nothing into the areas, and blacks; return where it is black."""
    black = np.zeros(label.shape, bool)
    edge = borders(label)
    depth = np.asarray(cv2.distanceTransform((~edge).astype(np.uint8), cv2.DIST_L2, 3), np.float32)
    shares = np.cumsum(
        [plenty.hatched, plenty.stipple, plenty.details, plenty.blacks, plenty.words]
    )
    heavy = rng.random() < 0.5
    for number, box in enumerate(find_objects(label), 1):
        if box is None:
            continue
        inside = label[box] == number
        size = float(inside.sum()) / PX_PER_MM**2
        if size < 25:
            continue
        place = furnishing.Place(inside, depth[box], PX_PER_MM)
        which = int(np.searchsorted(shares, rng.random()))
        if which < 5 and size < 6000:
            layer = _layer(which, place, heavy, rng)
            layer[~inside] = 0
            if which == 3:
                black[box] |= layer > 127
            part = ink[box]
            np.maximum(part, layer, out=part)
        if size > 120 and rng.random() < plenty.textured:
            _texture(ink, inside, box, rng.random() < plenty.dense, rng)
    return black


def _layer(which: int, place: furnishing.Place, heavy: bool, rng: np.random.Generator) -> U8:
    if which == 0:
        three = rng.random() < 0.12
        return furnishing.hatching(place, rng, crossed=0.3, heavy=heavy, three=three)
    if which == 1:
        return furnishing.stipple(place, rng)
    if which == 2:
        return furnishing.details(place, rng) if rng.random() < 0.6 else _folds(place, rng)
    if which == 3:
        return _black(place, rng)
    return _words(place, rng)


def _black(place: furnishing.Place, rng: np.random.Generator) -> U8:
    """Return a black: the whole area, or a patch of it."""
    if rng.random() < 0.5:
        return place.inside.astype(np.uint8) * 255
    return furnishing.black(place, rng)


def _folds(place: furnishing.Place, rng: np.random.Generator) -> U8:
    """Return strokes that run from the outline inwards and stop."""
    layer = place.layer()
    rim = np.argwhere(place.inside & (place.depth < 2.5))
    if not len(rim):
        return layer
    for _ in range(int(rng.integers(1, 9))):
        start = rim[int(rng.integers(len(rim)))][::-1].astype(float)
        turn, long = rng.uniform(0, 2 * np.pi), rng.uniform(2, 14) * PX_PER_MM
        way = start + np.array([np.cos(turn), np.sin(turn)]) * long
        curve = bowed(start, way, float(rng.uniform(-0.35, 0.35)))
        at = np.clip(curve.astype(int), 0, np.array(place.size) - 1)
        deep = (place.depth * place.inside)[at[:, 1], at[:, 0]]
        free = deep[6:] > float(rng.uniform(1.2, 2.6)) * PX_PER_MM
        last = int(np.argmin(free)) + 6 if not free.all() else len(curve)
        if last > 12:
            points = np.round(curve[:last] * 16).astype(np.int32)
            thick = int(rng.integers(2, 6))
            cv2.polylines(layer, [points], False, 255, thick, cv2.LINE_AA, 4)
    return layer


def _words(place: furnishing.Place, rng: np.random.Generator) -> U8:
    """Return a line or more of letters where the area is widest."""
    layer = place.layer()
    middle = place.depth * place.inside
    y, x = np.unravel_index(int(np.argmax(middle)), middle.shape)
    room = float(middle[y, x])
    font, thick = FONTS[int(rng.integers(len(FONTS)))], int(rng.integers(1, 5))
    size = float(rng.uniform(0.35, 1.5))
    high = 30 * size
    letters = "ABCDEFGHIKLMNOPRSTUVWabcdefghiklmnoprstuvw0123456789!?"
    for row in range(-2, 3):
        half = np.sqrt(max(0.0, (0.85 * room) ** 2 - (row * high * 1.3) ** 2))
        count = int(2 * half / (18 * size))
        if count < 2:
            continue
        text = "".join(letters[int(k)] for k in rng.integers(0, len(letters), min(count, 14)))
        at = int(x - 9 * size * len(text)), int(y + row * high * 1.3 + high / 2)
        cv2.putText(layer, text, at, font, size, 255, thick, cv2.LINE_AA)
    return layer


def _texture(
    ink: U8, inside: Bool, box: tuple[slice, slice], dense: bool, rng: np.random.Generator
) -> None:
    """Draw grain, foliage, ripples, fur and more over a part of an area, or all, off its rim."""
    off = int(rng.choice([5, 5, 9, 15]))
    within = np.pad(inside, 1).astype(np.uint8)
    around = cv2.erode(within, np.ones((off, off), np.uint8))[1:-1, 1:-1] > 0
    places = np.argwhere(around[::5, ::5]) * 5
    if not len(places):
        return
    make = [textures.grain, textures.foliage, textures.ripples, textures.fur, grass, gravel]
    make += [textures.scribble, textures.twigs, textures.locks]
    many = int(rng.integers(1, 4))
    if dense:  # one or two kinds, again and again
        make = [make[int(k)] for k in rng.integers(0, len(make), 2)]
        many = min(14, 1 + round(inside.sum() / PX_PER_MM**2 / float(rng.uniform(150, 600))))
    for _ in range(many):
        at = places[int(rng.integers(len(places)))][::-1] / TEXTURE_PX_PER_MM
        layer = make[int(rng.integers(len(make)))](around, at, rng)
        part = ink[box]
        np.maximum(part, layer, out=part)


def grass(area: Bool, at: F64, rng: np.random.Generator) -> U8:
    """Tufts of blades that rise from one point or from a line."""
    layer = np.zeros(area.shape, np.uint8)
    thick, spread = int(rng.integers(2, 5)), rng.uniform(3, 15) * TEXTURE_PX_PER_MM
    up = float(rng.choice([np.pi / 2, rng.uniform(0, 6.3)]))
    for _ in range(int(rng.integers(5, 50))):
        root = at * TEXTURE_PX_PER_MM + rng.normal(size=2) * spread
        for _ in range(int(rng.integers(2, 6))):
            turn = up + rng.normal() * 0.35
            long = rng.uniform(1.5, 7) * PX_PER_MM
            tip = root + np.array([np.cos(turn), -np.sin(turn)]) * long
            _stay(layer, area, bowed(root, tip, float(rng.uniform(-0.25, 0.25))), thick)
            root = root + rng.normal(size=2) * 3
    return layer


def gravel(area: Bool, at: F64, rng: np.random.Generator) -> U8:
    """Small stones, open or closed, too small to be areas."""
    layer = np.zeros(area.shape, np.uint8)
    spread = rng.uniform(3, 15) * TEXTURE_PX_PER_MM
    t = np.linspace(0, 2 * np.pi, 20)
    for _ in range(int(rng.integers(8, 90))):
        middle = at * TEXTURE_PX_PER_MM + rng.normal(size=2) * spread
        r = rng.uniform(0.2, 0.75, 2) * PX_PER_MM
        ring = np.stack([np.cos(t) * r[0], np.sin(t) * r[1]], axis=1) + middle
        _stay(layer, area, ring[: int(rng.integers(12, 21))], int(rng.integers(1, 4)))
    return layer


def _stay(layer: U8, area: Bool, line: F64, thick: int) -> None:
    """Draw a line that stays in the area."""
    x, y = np.round(line).astype(int).T
    ok = (x >= 0) & (y >= 0) & (x < area.shape[1]) & (y < area.shape[0])
    if ok.all() and area[y, x].all():
        points = np.round(line * 16).astype(np.int32)
        cv2.polylines(layer, [points], False, 255, thick, cv2.LINE_AA, 4)
