"""From a rough outline to the paper's edges at a fraction of a pixel, straight or bowed."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.polynomial import chebyshev

from inkclean.base.arrays import F32, F64, U8
from inkclean.base.colour import TO_LINEAR
from inkclean.base.tiles import side_by_side
from inkclean.sheet.framing.outline import Outline
from inkclean.sheet.framing.probe import along_change, cut_strip, find_slope, measure
from inkclean.sheet.framing.sides import Side, fit, straight

# px of the small picture to both sides of the rough side in which its path is searched.
TRACK_PX = 24
TRACK_PLACES = 160
TRACK_PRICE = 0.12
# A slope of so many codes per px is half of the clearest edge.
HALF_STEEP = 6.0
PARTED = 0.6  # weight of what parts paper from desk, beside the slope
LEAST_SPREAD = 2.0  # codes that both spread by at least
SURE = 2.0  # nats that a pixel says at most
DOUBTED = 10.0  # nats less that make a place unlikely
ASIDE_PX = 8  # px of the small picture aside, where an edge told by areas alone is unlikely
PARTED_PX = 1.5  # px within which it keeps to a line
PARTED_LEAST = 0.5  # share of its places that tell it
# An edge this crisp is where its slopes are; a less crisp one where the areas part.
CRISP_ALONE = 0.5
# The photo is then searched this many px of the small picture around the path.
CLOSE_PX = 2.2
CLOSE_PLACES = 480
LINE_PX = 7  # px of the small picture around a rough side in which a straight edge is looked for
LINE_CRISP = 0.8  # crispness at which it is the side
LINE_LEAD = 0.1  # how much less crisp than what tracking finds it may be
# Corners are torn, folded or rounded: so much of each side's ends is not asked.
ENDS = 0.01
RULED_DARK = 0.55  # of the paper's brightness on both sides: darker is a ruled line, no shadow
RULED_SAME = 0.9  # of its brightness at which the paper goes on beyond the line
# A lighter line is ruled if it has the tone of a pale page's own ink, to within so much.
INK_SHARE = 0.5  # per cent of what lies well inside the picture that is this dark or darker
INK_INSIDE = 8  # an eighth of the picture along each border is not asked
INK_PALEST, INK_LIKE = 0.85, 0.06
# What is drawn reaches a side if light beside it deviates by so many codes; it ends there if what
# is beyond agrees with it no more than this (their correlation at best).
REACHING, AGREEING = 5.0, 0.1
# Paper's edge lies on its line or curve to within so many px.
CRISP_PX = 1.5
# A side of which less was measured stays as it was found roughly.
LEAST_PLACES = 0.25


def refine(pixels: U8, bare: U8, outline: Outline) -> list[Side]:
    """Return the paper's four sides in a photo (H, W, 3) uint8 sRGB, clockwise.

    ``bare`` is the small picture without strokes in which ``outline`` was found. Each side is
    tracked in it by dynamic programming, then measured in the photo: at every place along it
    the steepest change from desk to paper in linear light, where a blurred step keeps its
    place. A line, or a smooth curve where no line will do, is fitted without outliers. Sides
    that are not seen stay where the outline has them.
    """
    return side_by_side(lambda k: _refine_side(pixels, bare, outline, k), range(4))


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
    y, weight, shown = measure(pixels, rough, places, centre, CLOSE_PX * scale)
    weight *= np.interp(places, s, clear)
    seen = max(float(shown), LEAST_PLACES)
    by_area = fit(rough, s, path, told, PARTED_PX * scale) if told.mean() > PARTED_LEAST else rough
    if (weight > 0).mean() < LEAST_PLACES:
        return by_area
    side = fit(rough, places, y, weight, CRISP_PX)
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
    slope, shown = find_slope(pixels, rough, s, np.broadcast_to(steps, (len(s), len(steps))))
    usual = np.median(np.abs(slope[shown > 0])) if (shown > 0).any() else 0.0
    reward = np.maximum(slope, 0.0)
    reward /= reward + np.float32(max(4.0 * usual, 0.5))
    lean = (s / rough.length - 0.5)[:, None]
    best, chosen = -1.0, np.zeros(len(s))
    # a line leaves the strip by half of its breadth at most: beyond it is no edge
    beyond = half // 2 + 1
    wide = np.pad(reward, ((0, 0), (beyond, beyond)))
    first = np.arange(len(s))[:, None] * wide.shape[1] + beyond
    for tilt in np.linspace(-half, half, 2 * half + 1)[:: max(1, round(scale))]:
        at = np.rint(np.arange(len(steps)) + tilt * lean).astype(np.int64)
        at += first
        total = wide.take(at).sum(axis=0)
        # the rough side itself is preferred among equals
        total *= 1.0 - 0.1 * np.abs(steps) / half
        if total.max() > best:
            best = float(total.max())
            chosen = steps[int(total.argmax())] + tilt * lean[:, 0]
    y, weight, seen = measure(pixels, rough, s, chosen, CLOSE_PX * scale, local=True)
    if (weight > 0).mean() < LEAST_PLACES:
        return rough
    side = fit(rough, s, y, weight, CRISP_PX)
    return replace(side, crisp=min(1.0, side.crisp / max(seen, LEAST_PLACES)))


def own_ink(pixels: U8, bare: U8, scale: float) -> float:
    """Return how bright the darkest strokes of a photo (H, W, 3) are, 1 as what is around them.

    ``bare`` (h, w, 3) is the small picture without strokes, ``scale`` px of the photo per px of it.
    """
    inside = tuple(slice(n // INK_INSIDE, n - n // INK_INSIDE) for n in bare.shape[:2])
    rows, columns = (
        np.minimum(((np.arange(n) + 0.5) * scale).astype(np.int64), most - 1)[part]
        for n, most, part in zip(bare.shape[:2], pixels.shape[:2], inside, strict=True)
    )
    light = TO_LINEAR[pixels[rows[:, None], columns]].mean(axis=2)
    share = light / np.maximum(TO_LINEAR[bare[inside]].mean(axis=2), 1e-3)
    return float(np.percentile(share, INK_SHARE)) if share.size else 1.0


def is_ruled(pixels: U8, side: Side, scale: float, ink: float = 0.0) -> bool:
    """Return whether a side is a ruled line with the same paper beyond it, not paper's edge.

    ``scale`` is px of the photo per px of the small picture, whose closing leaves lines that
    are too broad for it; ``ink`` is what :func:`own_ink` tells of the photo.
    """
    s = side.length * np.linspace(0.05, 0.95, 96)
    steps = np.arange(3.0, -15.0, -0.5) * scale
    y = chebyshev.chebval(s / side.length * 2.0 - 1.0, side.bend)
    colours, shown = cut_strip(pixels, side, s, y[:, None] + steps, 1.0)
    light = TO_LINEAR[np.clip(np.rint(colours), 0, 255).astype(np.uint8)].mean(axis=2)
    light[shown == 0] = np.inf
    count = (shown > 0).sum(axis=0)
    if not (count > 0.5 * len(s)).all():
        return False
    light.sort(axis=0)
    across = np.arange(len(count))
    profile = (light[(count - 1) // 2, across] + light[count // 2, across]) / 2.0
    near, line, far = profile[:4].max(), profile[4:20].min(), np.median(profile[-12:])
    # within the line may lie paper or, in a panel of black, the page's ink again
    like_ink = ink < INK_PALEST and abs(line / max(far, 1e-6) - ink) < INK_LIKE
    return bool((line < RULED_DARK * min(near, far) or like_ink) and far > RULED_SAME * near)


def ends_drawing(pixels: U8, side: Side, scale: float) -> bool:
    """Return whether lines that reach a side end there, as they do at paper's edge alone.

    Across a shadow's edge or a fold they go on: light a little beyond the side then changes along
    it as light a little within. ``scale`` is px of the photo per px of the small picture.
    """
    s = side.length * np.linspace(0.02, 0.98, max(64, round(1.5 * side.length / scale)))
    y = chebyshev.chebval(s / side.length * 2.0 - 1.0, side.bend)

    def strokes(first: float, last: float) -> F64:
        steps = np.arange(first, last, 0.5) * scale
        light = cut_strip(pixels, side, s, y[:, None] + steps, 1.0)[0].mean(axis=(1, 2))
        smooth = np.asarray(cv2.blur(light[:, None], (1, 21)))[:, 0]
        return np.asarray(np.minimum(light - smooth, 0.0)[5:-5], np.float64)

    within = strokes(2.0, 5.0)
    if within.std() < REACHING:
        return False
    beyond = [strokes(-4.0, -2.0), strokes(-7.0, -5.0)]
    shifted = np.stack([np.roll(each, lag) for each in beyond for lag in range(-5, 6)])
    spread = np.maximum(within.std() * shifted.std(axis=1), 1e-6)
    agree = ((shifted - shifted.mean(axis=1, keepdims=True)) @ (within - within.mean())) / spread
    return bool(agree.max() / len(within) < AGREEING)


def _track(bare: U8, side: Side, s: F64, scale: float, lighter: bool) -> tuple[F64, F64, F64]:
    """Return the edge's offset y at each place, in photo px, how clear it is, 0..1, and how
    plainly the colours on both sides put it there and not elsewhere, 0..1."""
    steps = np.arange(-TRACK_PX, TRACK_PX + 1) * scale
    y = np.broadcast_to(steps, (len(s), len(steps)))
    colours, shown = cut_strip(bare, side, s, y, scale)
    tone = along_change(colours, shown, lighter)
    slope = np.zeros_like(tone)
    slope[:, 1:-1] = np.maximum(tone[:, 2:] - tone[:, :-2], 0.0) / 2.0
    slope[:, 1:-1] *= (shown[:, 2:] > 0) & (shown[:, :-2] > 0)
    slope = np.asarray(cv2.blur(slope, (1, 3)), np.float32)
    reward = slope / (slope + HALF_STEEP)
    parted = _parted(colours, shown)
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
