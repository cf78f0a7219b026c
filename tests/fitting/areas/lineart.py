"""Pages of line art by other hands, as it is and with openings cut into it."""

from __future__ import annotations

import cv2
import numpy as np

from inkclean.base.arrays import F32, I32, U8, Bool
from inkclean.flats.walls.closed import breaks
from tests.fitting.areas.figures import Drawings
from tests.fitting.areas.maps import areas_of, borders
from tests.fitting.areas.pens import PX_PER_MM

UNSURE_MM = 0.8  # openings of a drawing narrower than this may be meant or not,
UNSURE_LARGE_MM = 4.0  # and wider ones that part something as large as this
LARGE_MM2 = 50.0
BROADEST_PX = 11.5  # a line of 1.4 mm
FIGURES = ("peeps", "notion", "croodles", "lorelei")


def line_page(
    side: int,
    drawings: Drawings,
    rng: np.random.Generator,
    only: str | None = None,
    cuts: int | None = None,
    weighted: float = 0.0,
) -> tuple[U8, I32, U8]:
    """Return the ink of a page of line drawings, its areas (0: not told), and all lines whole.

    ``only``: drawings of this set alone; ``cuts``: so many openings cut; ``weighted``: lines get
    broader and finer along their way by so many px.
    """
    dice = rng.random()
    ink, whole = np.zeros((side, side), np.float32), np.zeros((side, side), np.float32)
    taken = np.zeros((side, side), bool)
    figures = [name for name in drawings.line if name in FIGURES]
    icons = [name for name in drawings.line if name not in FIGURES]
    pairs = "pair/broken" in drawings.arrays
    if only:
        figures = icons = [only]
        dice = 0.9 if only in FIGURES else 0.5
        pairs = False
    kind = "pair" if dice < 0.4 and pairs else "icon" if dice < 0.6 else "figure"
    if not {"pair": pairs, "icon": icons, "figure": figures}[kind]:
        kind = "icon" if icons else "figure"
    tries = {"pair": 60, "icon": 60, "figure": 20}[kind]
    line = _some_breadth(rng) if rng.random() < 0.5 else None
    for _ in range(tries):
        if kind == "pair":
            k = int(rng.integers(drawings.count("pair/broken")))
            both = drawings.picture("pair/broken", k), drawings.picture("pair/closed", k)
            if rng.random() < 0.25:
                both = both[1], both[1]
        else:
            sets = icons if kind == "icon" else figures
            name = f"line/{sets[int(rng.integers(len(sets)))]}"
            picture = drawings.picture(name, int(rng.integers(drawings.count(name))))
            both = picture, picture
        _place(_sized(both, kind, line, side, rng), (ink, whole), taken, rng)
    if weighted:
        ink = weighed(ink, weighted, rng)
    whole = np.maximum(ink, whole)
    label = areas_of(whole > 0.5, round(0.5 * PX_PER_MM**2))
    if kind != "pair":
        label[_unsure(whole > 0.5, label)] = 0
    if cuts is not None:
        cut(ink, borders(label) & (label > 0), cuts, rng)
    elif kind != "pair" or rng.random() < 0.3:
        many = int(rng.choice([0, 0, 10, 30, 60]) * (side / 1200) ** 2)
        cut(ink, borders(label) & (label > 0), many, rng)
    return np.round(ink * 255).astype(np.uint8), label, np.round(whole * 255).astype(np.uint8)


def weighed(ink: F32, most: float, rng: np.random.Generator) -> F32:
    """Return the ink with lines broader here and finer there, by up to ``most`` px a side.

    No line gets finer than a px and a half.
    """
    black = (ink > 0.5).astype(np.uint8)
    outside = cv2.distanceTransform(1 - black, cv2.DIST_L2, 5)
    inside = cv2.distanceTransform(black, cv2.DIST_L2, 5)
    small = tuple(max(4, n // 32) for n in ink.shape)
    noise = cv2.GaussianBlur(rng.normal(size=small).astype(np.float32), (0, 0), 1.5)
    wave = np.asarray(cv2.resize(noise, ink.shape[::-1], interpolation=cv2.INTER_CUBIC), np.float32)
    swing = wave * np.float32(most / max(1e-6, float(np.abs(wave).max())))
    # the middle of a stroke is as deep as it is broad: keep some of it
    kernel = np.ones((3, 3), np.uint8)
    ridge = (inside >= cv2.dilate(inside, kernel)) & (black > 0)
    spine = cv2.dilate(ridge.astype(np.uint8), kernel).astype(np.float32)
    off = np.where(black > 0, 0.5 - inside, outside - 0.5)
    out = np.clip(0.5 - (off - swing), 0, 1).astype(np.float32)
    return np.maximum(out, np.minimum(ink, spine))


def _some_breadth(rng: np.random.Generator) -> float:
    return float(np.exp(rng.uniform(np.log(2.2), np.log(BROADEST_PX))))


def _sized(
    both: tuple[U8, U8], kind: str, line: float | None, side: int, rng: np.random.Generator
) -> tuple[F32, F32]:
    """Return a drawing and its closed twin at some size."""
    dark = (both[1] > 127).astype(np.uint8)
    radius = cv2.distanceTransform(dark, cv2.DIST_L2, 5)
    stroke = 2 * float(np.median(radius[radius > 1])) + 1 if (radius > 1).any() else 4.0
    wanted = line if line else _some_breadth(rng)
    scale = wanted / stroke
    if kind == "figure":
        scale = float(np.exp(rng.uniform(np.log(0.4), np.log(1.45))))
    scale = float(np.clip(scale, 70 / max(dark.shape), 0.96 * side / max(dark.shape)))
    how = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    out, turns, mirror = [], int(rng.integers(4)), rng.random() < 0.5
    for picture in both:
        part = cv2.resize(picture, None, fx=scale, fy=scale, interpolation=how)
        part = np.rot90(part[:, ::-1] if mirror else part, turns)
        out.append(np.asarray(part, np.float32) / np.float32(255))
    return out[0], out[1]


def _place(
    made: tuple[F32, F32], onto: tuple[F32, F32], taken: Bool, rng: np.random.Generator
) -> None:
    h, w = made[0].shape
    room_y, room_x = taken.shape[0] - h, taken.shape[1] - w
    if min(room_y, room_x) < 1:
        return
    for _ in range(6):
        y, x = int(rng.integers(room_y)), int(rng.integers(room_x))
        if not taken[y : y + h : 4, x : x + w : 4].any():
            taken[max(0, y - 6) : y + h + 6, max(0, x - 6) : x + w + 6] = True
            for sheet, part in zip(onto, made, strict=True):
                sheet[y : y + h, x : x + w] = part
            return


def _unsure(black: Bool, label: I32) -> Bool:
    """Return where nothing is told: about openings so narrow that they may be meant or not.

    Where no stroke ends, but two lines come close, a narrow place is told to be open. A whole
    face that a wider opening joins with the background is not told either.
    """
    wide = np.ones((13, 13), np.uint8)
    other = borders(_shut(black, UNSURE_MM, 300))
    near = cv2.dilate(borders(label).astype(np.uint8), wide) > 0
    radius = cv2.distanceTransform(black.astype(np.uint8), cv2.DIST_L2, 5)
    thick = 2 * float(np.median(radius[radius > 1])) if (radius > 1).any() else 4.0
    between = cv2.dilate((other & ~near).astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    unsure = cv2.dilate(breaks(between & ~black, black, thick).astype(np.uint8), wide) > 0
    parts = _shut(black, UNSURE_LARGE_MM, round(LARGE_MM2 * PX_PER_MM**2))
    most = int(label.max()) + 1
    key, count = np.unique(parts.astype(np.int64) * most + label, return_counts=True)
    for of in np.unique(key % most).tolist():
        mine = key % most == of
        held = mine & (count > LARGE_MM2 * PX_PER_MM**2 / 2)
        if held.sum() > 1:
            largest = key[held][np.argmax(count[held])] // most
            unsure |= (label == of) & (parts != largest)
    return unsure


def _shut(black: Bool, gap_mm: float, least_px: int) -> I32:
    """Return the areas left when gaps up to a width are closed."""
    across = 2 * round(gap_mm / 2 * PX_PER_MM) + 1
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (across, across))
    return areas_of(cv2.dilate(black.astype(np.uint8), disc) > 0, least_px)


def cut(ink: F32, seam: Bool, many: int, rng: np.random.Generator) -> None:
    """Cut openings into the line at places where it parts two areas."""
    black = (ink > 0.5).astype(np.uint8)
    radius = cv2.distanceTransform(black, cv2.DIST_L2, 5)
    places = np.argwhere(seam & (black > 0) & (radius < 8))
    for _ in range(many if len(places) else 0):
        row, column = places[rng.integers(len(places))]
        reach = max(rng.uniform(0.5, 4.0) * PX_PER_MM / 2, 1.3 * radius[row, column] + 1)
        top, left = max(0, int(row - reach) - 2), max(0, int(column - reach) - 2)
        window = ink[top : int(row + reach) + 3, left : int(column + reach) + 3]
        y, x = np.mgrid[: window.shape[0], : window.shape[1]]
        away = np.hypot(y + top - row, x + left - column)
        window *= np.clip(away - reach, 0, 1).astype(np.float32)
