"""From a rough outline to the paper's edges at a fraction of a pixel, straight or bowed."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.polynomial import chebyshev

from inkclean.base.arrays import F32, F64, U8
from inkclean.base.colour import TO_LINEAR
from inkclean.sheet.framing.outline import Outline

# The small picture is searched so many of its px to both sides of the rough side, at so many
# places along it; the path found may move a px from one place to the next, at this price.
TRACK_PX = 24
TRACK_PLACES = 160
TRACK_PRICE = 0.12
# A slope of so many codes per px is half of the clearest edge.
HALF_STEEP = 6.0
# What parts paper from desk counts so much beside the slope; codes spread by as much at least; a
# pixel says no more than so much, in nats, and so many of them less make a place unlikely.
PARTED, LEAST_SPREAD, SURE, DOUBTED = 0.6, 2.0, 2.0, 10.0
# An edge that the areas alone tell counts where it is unlikely so many px of the small picture
# aside, keeps so near a line, and is told at this share of its places.
ASIDE_PX, PARTED_PX, PARTED_LEAST = 8, 1.5, 0.5
# An edge this crisp is where its slopes are; a less crisp one where the areas part.
CRISP_ALONE = 0.5
# The photo is then searched this many px of the small picture around the path.
CLOSE_PX = 2.2
CLOSE_PLACES = 480
# A straight edge is looked for this many px of the small picture around a rough side; one so
# crisp is it, or one nearly as crisp as what tracking finds. Its colour change is told from so
# many places.
LINE_PX, LINE_CRISP, LINE_LEAD, STRETCH = 7, 0.8, 0.1, 41
# Smoothing before the slope is taken, in px of the photo across the edge and places along it.
ACROSS_SIGMA = 1.6
ALONG_SIGMA = 2.0
# Corners are torn, folded or rounded: so much of each side's ends is not asked.
ENDS = 0.01
# Bowed sides are polynomials of this degree; enough for paper that lies in one wave.
DEGREE = 6
# A side counts as straight if it strays less than this share of its length from a line, or
# less than so many px.
STRAIGHT_SHARE = 0.0008
STRAIGHT_PX = 1.0
# A ruled line is darker than so much of the paper on both sides, and beyond it the paper goes
# on at so much of its brightness at least; the shadow beside a sheet is not so dark.
RULED_DARK, RULED_SAME = 0.55, 0.9
# Paper's edge lies on its line or curve to within so many px.
CRISP_PX = 1.5
# Points of a side's polyline.
POINTS = 65
# A side of which less was measured stays as it was found roughly.
LEAST_PLACES = 0.25


@dataclass(frozen=True)
class Side:
    """One side: points start + s · along + y(s) · normal, s in 0..length, normal inwards.

    ``bend`` holds the Chebyshev coefficients of y over s / length · 2 − 1; two of them make a
    straight side. ``crisp`` is the share of its places in sight, 0..1, at which the photo shows
    an edge right on it: near 1 for paper, low for whatever only looks like a side from afar.
    """

    start: F64
    along: F64
    normal: F64
    length: float
    bend: F64
    crisp: float

    def at(self, s: F64) -> F64:
        """Return (N, 2) points of the side; beyond its ends it goes on straight."""
        t = s / self.length * 2.0 - 1.0
        inner = np.clip(t, -1.0, 1.0)
        y = chebyshev.chebval(inner, self.bend)
        y = y + (t - inner) * chebyshev.chebval(inner, chebyshev.chebder(self.bend))
        points: F64 = self.start + s[:, None] * self.along + y[:, None] * self.normal
        return points


@dataclass(frozen=True)
class Edges:
    """``corners`` (4, 2) and ``sides``, each (N, 2) from its corner to the next, in photo px;
    ``bowed`` whether any side is."""

    corners: F64
    sides: tuple[F64, F64, F64, F64]
    bowed: bool


def refine(pixels: U8, bare: U8, outline: Outline) -> list[Side]:
    """Return the paper's four sides in a photo (H, W, 3) uint8 sRGB, clockwise.

    ``bare`` is the small picture without strokes in which ``outline`` was found. Each side is
    tracked in it by dynamic programming, then measured in the photo: at every place along it
    the steepest change from desk to paper in linear light, where a blurred step keeps its
    place. A line, or a smooth curve where no line will do, is fitted without outliers. Sides
    that are not seen stay where the outline has them.
    """
    return [_refine_side(pixels, bare, outline, k) for k in range(4)]


def draw(sides: list[Side]) -> Edges:
    """Return corners where the four sides meet, and the sides drawn between them."""
    corners = np.stack([_corner(sides[k - 1], sides[k]) for k in range(4)])
    drawn = tuple(_draw(sides[k], corners[k], corners[(k + 1) % 4]) for k in range(4))
    return Edges(
        corners=corners,
        sides=(drawn[0], drawn[1], drawn[2], drawn[3]),
        bowed=any(len(side.bend) > 2 for side in sides),
    )


def straight(start: F64, end: F64) -> Side:
    """Return the straight side between two points."""
    length = float(np.hypot(*(end - start)))
    along = (end - start) / length
    normal = np.array([-along[1], along[0]])
    return Side(start, along, normal, length, np.zeros(2), 0.0)


def _refine_side(pixels: U8, bare: U8, outline: Outline, k: int) -> Side:
    rough = straight(outline.corners[k], outline.corners[(k + 1) % 4])
    if not outline.seen[k]:
        return rough
    scale = max(pixels.shape[:2]) / max(bare.shape[:2])
    line = _line_near(pixels, rough, scale)
    if line.crisp >= LINE_CRISP:
        return line
    free = _tracked(pixels, bare, rough, scale, bool(outline.lighter[k]))
    return line if line.crisp >= free.crisp - LINE_LEAD else free


def _tracked(pixels: U8, bare: U8, rough: Side, scale: float, lighter: bool) -> Side:
    """Return the side found by tracking its edge in the small picture, wherever it bows."""
    s = rough.length * np.linspace(ENDS, 1.0 - ENDS, TRACK_PLACES)
    path, clear, told = _track(bare, rough, s, scale, lighter)
    places = rough.length * np.linspace(ENDS, 1.0 - ENDS, CLOSE_PLACES)
    centre = np.interp(places, s, path)
    y, weight, shown = _measure(pixels, rough, places, centre, CLOSE_PX * scale)
    weight *= np.interp(places, s, clear)
    seen = max(float(shown), LEAST_PLACES)
    by_area = _fit(rough, s, path, told, PARTED_PX * scale) if told.mean() > PARTED_LEAST else rough
    if (weight > 0).mean() < LEAST_PLACES:
        return by_area
    side = _fit(rough, places, y, weight, CRISP_PX)
    side = replace(side, crisp=min(1.0, side.crisp / seen))
    apart = np.abs(side.at(s) - by_area.at(s)) @ np.abs(rough.normal)
    if side.crisp < CRISP_ALONE and side.crisp < by_area.crisp:
        return by_area
    agreed = bool(np.median(apart) < PARTED_PX * scale)
    return replace(side, crisp=max(side.crisp, by_area.crisp)) if agreed else side


def _line_near(pixels: U8, rough: Side, scale: float) -> Side:
    """Return the straight edge nearest a rough side, as crisp as the photo shows it.

    Every line through a narrow strip along the side is tried: it is as good as the places at
    which the photo changes on it, however faintly, for among other sheets an edge is.
    """
    half = max(6, round(LINE_PX * scale))
    s = rough.length * np.linspace(ENDS, 1.0 - ENDS, CLOSE_PLACES)
    steps = np.arange(-half, half + 1, dtype=np.float64)
    slope, shown = _slope(pixels, rough, s, np.broadcast_to(steps, (len(s), len(steps))))
    usual = np.median(np.abs(slope[shown > 0])) if (shown > 0).any() else 0.0
    reward = np.maximum(slope, 0.0)
    reward /= reward + np.float32(max(4.0 * usual, 0.5))
    lean = (s / rough.length - 0.5)[:, None]
    best, chosen = -1.0, np.zeros(len(s))
    rows = np.arange(len(s))[:, None]
    for tilt in np.linspace(-half, half, 2 * half + 1)[:: max(1, round(scale))]:
        at = np.rint(np.arange(len(steps)) + tilt * lean).astype(np.int64)
        fits = (at >= 0) & (at < len(steps))
        total = np.where(fits, reward[rows, np.clip(at, 0, len(steps) - 1)], 0.0).sum(axis=0)
        # the rough side itself is preferred among equals
        total *= 1.0 - 0.1 * np.abs(steps) / half
        if total.max() > best:
            best = float(total.max())
            chosen = steps[int(total.argmax())] + tilt * lean[:, 0]
    y, weight, seen = _measure(pixels, rough, s, chosen, CLOSE_PX * scale, local=True)
    if (weight > 0).mean() < LEAST_PLACES:
        return rough
    side = _fit(rough, s, y, weight, CRISP_PX)
    return replace(side, crisp=min(1.0, side.crisp / max(seen, LEAST_PLACES)))


def is_ruled(pixels: U8, side: Side, scale: float) -> bool:
    """Return whether a side is a ruled line with the same paper beyond it, not paper's edge.

    ``scale`` is px of the photo per px of the small picture, whose closing leaves lines that
    are too broad for it.
    """
    s = side.length * np.linspace(0.05, 0.95, 96)
    steps = np.arange(3.0, -15.0, -0.5) * scale
    y = chebyshev.chebval(s / side.length * 2.0 - 1.0, side.bend)
    strip, shown = _strip(pixels, side, s, y[:, None] + steps, 1.0)
    light = TO_LINEAR[np.clip(np.rint(strip), 0, 255).astype(np.uint8)].mean(axis=2)
    light[shown == 0] = np.inf
    count = (shown > 0).sum(axis=0)
    if not (count > 0.5 * len(s)).all():
        return False
    light.sort(axis=0)
    across = np.arange(len(count))
    profile = (light[(count - 1) // 2, across] + light[count // 2, across]) / 2.0
    near, line, far = profile[:4].max(), profile[4:20].min(), np.median(profile[-12:])
    return bool(line < RULED_DARK * min(near, far) and far > RULED_SAME * near)


def _strip(picture: U8, side: Side, s: F64, y: F64, scale: float) -> tuple[F32, F32]:
    """Return colours (N, M, 3) at places ``s`` (N,) and offsets ``y`` (N, M) of a side, and
    1.0 where the picture reaches (N, M)."""
    at = side.start + s[:, None, None] * side.along + y[..., None] * side.normal
    at = (at / scale - 0.5).astype(np.float32)
    height, width = picture.shape[:2]
    colours = cv2.remap(
        picture, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    size = np.array([width, height], np.float32)
    shown = ((at > 0.5) & (at < size - 1.5)).all(axis=2)
    return np.asarray(colours, np.float32), np.asarray(shown, np.float32)


def _contrast(strip: F32, shown: F32, lighter: bool | None = None) -> F32:
    """Return the strip (N, M) seen along the colour change across it, rising inwards."""
    half = strip.shape[1] // 2
    gap = max(1, half // 4)
    inner = np.median(strip[:, half + gap :].reshape(-1, 3), 0)
    outer = np.median(strip[:, : half - gap].reshape(-1, 3), 0)
    change = inner - outer
    size = float(np.hypot(np.hypot(change[0], change[1]), change[2]))
    if lighter is not None and size < 6.0:
        change, size = np.full(3, 1.0 if lighter else -1.0), float(np.sqrt(3.0))
    mixed = strip @ (change / max(size, 1e-6)).astype(np.float32)
    return np.asarray(mixed * shown, np.float32)


def _track(bare: U8, side: Side, s: F64, scale: float, lighter: bool) -> tuple[F64, F64, F64]:
    """Return the edge's offset y at each place, in photo px, how clear it is, 0..1, and how
    plainly the colours on both sides put it there and not elsewhere, 0..1."""
    steps = np.arange(-TRACK_PX, TRACK_PX + 1) * scale
    y = np.broadcast_to(steps, (len(s), len(steps)))
    strip, shown = _strip(bare, side, s, y, scale)
    tone = _contrast(strip, shown, lighter)
    slope = np.zeros_like(tone)
    slope[:, 1:-1] = np.maximum(tone[:, 2:] - tone[:, :-2], 0.0) / 2.0
    slope[:, 1:-1] *= (shown[:, 2:] > 0) & (shown[:, :-2] > 0)
    slope = np.asarray(cv2.blur(slope, (1, 3)), np.float32)
    reward = slope / (slope + HALF_STEEP)
    parted = _parted(strip, shown)
    reward += PARTED * parted
    reward -= 0.002 * np.abs(steps / scale).astype(np.float32)
    path = _best_path(reward)
    rows = np.arange(len(s))
    moved = np.clip(path[:, None] + (-ASIDE_PX, ASIDE_PX), 0, len(steps) - 1)
    told = parted[rows, path] - parted[rows[:, None], moved].max(axis=1)
    told = np.maximum(told, 0.0) * (shown[rows, path] > 0)
    return (
        np.asarray(steps[path], np.float64),
        np.asarray(reward[rows, path], np.float64),
        np.asarray(told, np.float64),
    )


def _parted(strip: F32, shown: F32) -> F32:
    """Return 0..1 (N, M): how well each place across parts what is paper from what is not.

    Paper inwards and the desk outwards are each a normal distribution of colours, the paper's
    mean followed along the side. An edge at a place is as likely as the colours on both sides
    of it; 1 is the likeliest place of each row.
    """
    across = shown.shape[1]
    half, gap = across // 2, max(1, across // 8)
    inner, outer = strip[:, half + gap :], strip[:, : half - gap]
    near = np.median(inner, axis=1).astype(np.float32)
    near = np.asarray(cv2.blur(cv2.medianBlur(near[:, None], 5), (1, 15)), np.float32)
    close = np.abs(inner - near).reshape(-1, 3)
    paper = np.maximum(1.4826 * np.median(close, axis=0), LEAST_SPREAD).astype(np.float32)
    middle = np.median(outer.reshape(-1, 3), axis=0)
    wide = 1.4826 * np.median(np.abs(outer.reshape(-1, 3) - middle), axis=0)
    desk = np.maximum(wide, paper).astype(np.float32)
    odds = np.square((strip - middle.astype(np.float32)) / desk)
    odds -= np.square((strip - near) / paper)
    odds += 2.0 * np.log(desk / paper)
    # strokes are neither: no pixel says more than so much
    each = np.clip(0.5 * odds.mean(axis=2), -SURE, SURE) * shown
    running = np.cumsum(each, axis=1)
    likely = running[:, -1:] - 2.0 * running + each
    told = 1.0 + (likely - likely.max(axis=1, keepdims=True)) / DOUBTED
    return np.asarray(np.clip(told, 0.0, 1.0), np.float32)


def _best_path(reward: F32) -> np.ndarray[tuple[int, ...], np.dtype[np.int64]]:
    """Return (N,) the column of each row of the path with most reward, moving one at most."""
    rows, columns = reward.shape
    total = reward[0].copy()
    came = np.zeros((rows, columns), np.int64)
    padded = np.full((3, columns), -1e9, np.float32)
    index = np.arange(columns)
    for row in range(1, rows):
        padded[0, 1:] = total[:-1] - TRACK_PRICE
        padded[1] = total
        padded[2, :-1] = total[1:] - TRACK_PRICE
        move = padded.argmax(axis=0)
        came[row] = move - 1
        total = padded[move, index] + reward[row]
    path = np.zeros(rows, np.int64)
    path[-1] = int(total.argmax())
    for row in range(rows - 1, 0, -1):
        path[row - 1] = path[row] + came[row, path[row]]
    return path


def _slope(pixels: U8, side: Side, s: F64, y: F64, *, local: bool = True) -> tuple[F32, F32]:
    """Return how steeply light changes inwards at places ``s`` (N,) and offsets ``y`` (N, M), in
    codes of linear light per px, and 1.0 where the picture reaches.

    The colour change is that of the whole side, or if ``local`` of each stretch of it.
    """
    strip, shown = _strip(pixels, side, s, y, 1.0)
    linear = (TO_LINEAR[np.clip(np.rint(strip), 0, 255).astype(np.uint8)] * 255.0).astype(
        np.float32
    )
    tone = _local_contrast(linear, shown) if local else _contrast(linear, shown)
    tone = np.asarray(cv2.GaussianBlur(tone, (0, 0), ACROSS_SIGMA, sigmaY=ALONG_SIGMA), np.float32)
    slope = np.zeros_like(tone)
    slope[:, 1:-1] = (tone[:, 2:] - tone[:, :-2]) / 2.0
    return slope, shown


def _local_contrast(strip: F32, shown: F32) -> F32:
    """Return the strip (N, M) seen along the colour change across each stretch of it."""
    half = strip.shape[1] // 2
    gap = max(1, half // 4)
    inner = np.median(strip[:, half + gap :], axis=1).astype(np.float32)
    outer = np.median(strip[:, : half - gap], axis=1).astype(np.float32)
    smooth = cv2.blur((inner - outer)[:, None], (1, STRETCH))
    change = np.asarray(smooth, np.float32)[:, 0]
    size = np.sqrt((change * change).sum(axis=1, keepdims=True))
    mixed: F32 = (strip * (change / np.maximum(size, 1e-3))[:, None]).sum(axis=2) * shown
    return mixed


def _measure(
    pixels: U8, side: Side, s: F64, centre: F64, reach: float, *, local: bool = False
) -> tuple[F64, F64, float]:
    """Return the edge's offset y at each place at a fraction of a px, its weight, and the
    share of places that the picture shows."""
    half = max(4, round(reach))
    steps = np.arange(-half, half + 1, dtype=np.float64)
    slope, shown = _slope(pixels, side, s, centre[:, None] + steps, local=local)
    margin = 2
    top = slope[:, margin:-margin].argmax(axis=1) + margin
    rows = np.arange(len(s))
    before, here, after = (slope[rows, top + d].astype(np.float64) for d in (-1, 0, 1))
    bend = before - 2.0 * here + after
    shift = np.where(bend < -1e-9, 0.5 * (before - after) / np.minimum(bend, -1e-9), 0.0)
    whole = shown.min(axis=1) > 0
    inner = (top > margin) & (top < slope.shape[1] - margin - 1)
    weight = np.where(whole & inner & (here > 0.2), here / (here + 2.0), 0.0)
    return centre + steps[top] + np.clip(shift, -0.5, 0.5), weight, float(whole.mean())


def _fit(side: Side, s: F64, y: F64, weight: F64, near: float) -> Side:
    """Return the side through the edge's points: a line if one will do, else a curve.

    Its ``crisp`` counts the points that lie as ``near``, in px.
    """
    t = s / side.length * 2.0 - 1.0
    curve = _robust(t, y, weight, DEGREE)
    seen = weight > 0
    level = chebyshev.chebfit(t[seen], chebyshev.chebval(t[seen], curve), 1)
    stray = np.abs(chebyshev.chebval(t[seen], curve) - chebyshev.chebval(t[seen], level)).max()
    if stray <= max(STRAIGHT_PX, STRAIGHT_SHARE * side.length):
        curve = _robust(t, y, weight, 1)
    on_it = (np.abs(y - chebyshev.chebval(t, curve)) < near) & seen
    return Side(side.start, side.along, side.normal, side.length, curve, float(on_it.mean()))


def _robust(t: F64, y: F64, weight: F64, degree: int) -> F64:
    """Return Chebyshev coefficients by reweighted least squares (Tukey's biweight)."""
    terms = chebyshev.chebvander(t, degree)
    # A little stiffness keeps the higher terms at rest where no point holds them.
    stiff = np.diag(1e-4 * np.arange(degree + 1) ** 2 * weight.sum())
    now = weight.copy()
    bend: F64 = np.zeros(degree + 1)
    for turn in range(14):
        scaled = terms * now[:, None]
        normal = scaled.T @ terms + stiff + 1e-9 * np.eye(degree + 1)
        bend = np.asarray(np.linalg.solve(normal, scaled.T @ y), np.float64)
        away = np.abs(y - terms @ bend)
        spread = 1.4826 * float(np.median(away[weight > 0])) + 0.05
        # Wide first, so that a wrong stretch does not hold the fit, then narrow.
        width = spread * (4.0 if turn > 4 else 8.0)
        now = weight * np.clip(1.0 - (away / width) ** 2, 0.0, 1.0) ** 2
        if now.sum() <= 0:
            break
    return bend


def _corner(before: Side, after: Side) -> F64:
    """Return where one side's end meets the next side's start, by their tangents there."""
    point = after.start
    for _ in range(6):
        p, d = _tangent(before, point)
        q, e = _tangent(after, point)
        det = d[0] * e[1] - d[1] * e[0]
        if abs(det) < 1e-6:
            break
        step = ((q[0] - p[0]) * e[1] - (q[1] - p[1]) * e[0]) / det
        point = p + step * d
    return point


def _tangent(side: Side, near: F64) -> tuple[F64, F64]:
    s = float((near - side.start) @ side.along)
    here, there = side.at(np.array([s, s + 0.5]))
    return here, (there - here) / 0.5


def _draw(side: Side, first: F64, last: F64) -> F64:
    """Return the side as a polyline from corner to corner."""
    ends = np.array([(first - side.start) @ side.along, (last - side.start) @ side.along])
    points = side.at(np.linspace(ends[0], ends[1], POINTS))
    points[0], points[-1] = first, last
    return points
