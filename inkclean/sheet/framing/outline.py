"""The paper's outline in a small picture: four edges, chosen among all that are there."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from inkclean.base.arrays import F32, F64, I64, U8, Bool
from inkclean.base.tiles import both
from inkclean.sheet.framing.agree import (
    as_told,
    inside_of,
    mean_side,
    parts,
    sides_told,
    without_strips,
)
from inkclean.sheet.framing.lines import STEP, EdgeLines, find_lines
from inkclean.sheet.framing.papers import oddness
from inkclean.sheet.framing.seen import SeenSheet, likely
from inkclean.sheet.framing.texture import smoothness

# px of the photo's longer side: paper still has steps of a px, pen lines are thin enough to go.
LOOK_PX = 720
# Dark strokes thinner than so many px of the small picture are drawing, not edges.
STROKE_PX = 5
OPPOSITE_DEG = 32.0  # most between opposite sides of a quadrangle
NEIGHBOUR_DEG = 55.0  # least between neighbours
# Share of the picture that the page covers, at least; corners may lie this far outside.
LEAST_AREA = 0.08
OUTSIDE = 0.3
# What a stretch of side outside the picture counts, of 1 for the clearest edge.
UNSEEN = 0.24
# Paper darker than what is around it is rare: such an edge counts so much of a usual one.
DARKER = 0.75
# Weights of the score, found on real and drawn scenes.
WEAKEST = 0.35  # weakest side
SIZE = 0.45
COLOUR = 0.15  # difference of colour at the sides
OVERSHOOT = 0.15  # beyond the corners
FAINTEST = 0.25  # weakest side that is not the picture's border
BRIGHT = 0.235  # within against without
PARTED = 0.4  # share of the picture's texture that is told by what lies within and without
PAPER_QUANTILE = 0.8  # share of the page that is paper, at least
PAPER_LIGHT = 0.78  # of its tone that paper elsewhere has at least
PAPER_TINT = 14.0  # codes from its tint that paper elsewhere is off at most
MORE_PAPER = 0.7  # cost of each picture's worth of paper outside the page
MOST_PAPER = 0.25  # cost at most: a white desk is like paper, and may be large
PAPER_ROUGH = 0.3  # share of the paper that may be rougher than the rest
ROUGHER = 20.0  # codes of smoothness beyond that, from which on it is no paper
LEAST_VARIANCE = 4.0  # codes squared of smoothness that tell nothing
PANEL = 0.5  # cost of a side with paper without and a dark drawing within: a panel's border
BESIDE_PX = 4.0  # from a side where that is looked at
DARK = 0.78  # of the paper's tone, below which it is dark: pale ink, too
PLACES = 32  # looked at along a side
# A colour difference of so many codes counts in full.
APART = 30.0
LEAST_SHOWN = 0.3  # share of a side within the picture, from which on it counts as an edge
VAIN = 0.1  # cost of each side that is none
SMALL_AREA = 0.2  # of the picture: smaller pages are ever less likely
SMALL = 0.2  # what that costs
# What a quadrangle costs that is no sheet of a usual size seen by a camera.
ODD = 0.25
# Candidates whose areas are compared in full.
SHORTLIST = 120
# Least score of a page; a picture without one scores 0.77 by its borders alone.
LEAST_SCORE = 1.21
# The same of what is looked at closely: what is drawn may end on its sides.
LEAST_LOOK = 0.95
# Weights of what the network sees: how much of the picture a candidate parts as it does, and the
# share of its sides that the network sees as such.
PARTED_SO, SIDES_SO = 8.0, 1.0
PANEL_SO = 2.0  # how much more a panel's border costs then
MUCH_TOLD = 0.93  # share from which on an outline is what the network sees
SHEETLIKE = 0.85  # the same of the likest one, under which what it sees is a figure, no sheet
SIDE_TOLD = 0.65  # the same of each of its sides
SIDE_UNTOLD, HEARD = 0.45, 0.5  # share of a side, and its voice, at which it speaks against one
# Of the longer side: outlines are not the same whose corners lie further apart.
OTHER = 0.05
# Least clearness of a side that counts as seen.
SEEN = 0.36
PLAIN = 0.5  # the same of a side that is plain to see
# Share of the cost of paper beside it that a page with four such sides is spared; folds look so.
PARDON = 0.75


@dataclass(frozen=True)
class Outline:
    """A quadrangle: ``corners`` (4, 2) from its first corner clockwise, in photo px;
    ``seen`` (4,) whether the side that starts at each corner shows an edge of paper;
    ``lighter`` (4,) whether the paper is the lighter side of it; ``score``; ``beside`` how much
    paper like it lies around, 0 to ``MOST_PAPER``; ``lead`` by how much the best of all other
    outlines scores less; ``vouched`` whether the network sees the same, and all sides;
    ``doubted`` whether it can tell and sees something else, or a side nowhere."""

    corners: F64
    seen: Bool
    lighter: Bool
    score: float
    beside: float
    lead: float
    vouched: bool
    doubted: bool


@dataclass(frozen=True)
class _Quads:
    """Candidates: ``corners`` (Q, 4, 2), ``sides`` (Q, 4) indices of lines, clockwise."""

    corners: F64
    sides: I64

    def only(self, chosen: I64 | Bool) -> _Quads:
        return _Quads(self.corners[chosen], self.sides[chosen])


def find_outline(bare: U8, scale: float, told: SeenSheet) -> Outline | None:
    """Return the outline of the paper in a small picture, or None without one.

    ``bare`` is (h, w, 3) uint8 sRGB as `made_small` returns it, ``scale`` the px of the
    photo per px of it. Long edges are found by their votes, in the picture and in what the
    network has ``told`` of it; every four of them that make a page are weighed by how clearly each
    side is seen along its whole length, with the paper on its lighter side, by what lies within
    and without, and by how far the network sees the same.
    """
    smooth = smoothness(bare)
    voice = told.voice
    seen_so = [likely(told, bare.shape[1::-1])] if voice > 0 else []
    lines = find_lines(np.dstack([bare, smooth, *seen_so]))
    quads = _enumerate(lines, bare.shape[1], bare.shape[0])
    if len(quads.corners) == 0:
        return None
    (edge_score, clear, lighter), coarse = both(
        lambda: _weigh_sides(lines, quads, bare.shape),
        lambda: parts(lines, quads.corners, quads.sides, told, bare.shape),
    )
    best = np.argsort(edge_score + voice * PARTED_SO * coarse)[::-1][:SHORTLIST]
    quads, clear, lighter = quads.only(best), clear[best], lighter[best]
    whole = (lines.border[quads.sides] == 0).all(axis=1)
    odd = oddness(quads.corners, (bare.shape[1], bare.shape[0]))
    # a sheet of a usual size, all round in sight, may lie on others like it
    plain = whole * (1.0 - odd) * np.clip((clear.min(axis=1) - SEEN) / (PLAIN - SEEN), 0.0, 1.0)
    (brighter, more, tone), (parted, shared) = both(
        lambda: _weigh_areas(bare, smooth, quads),
        lambda: as_told(told, quads.corners, bare.shape),
    )
    score = edge_score[best] + brighter - (1.0 - PARDON * plain) * more - ODD * whole * odd
    # so that the network, which may take a panel for a sheet of its own, does not outweigh it
    score -= (1.0 + PANEL_SO * voice) * PANEL * _panels(bare, quads.corners, tone)
    if voice > 0 and shared.max() < SHEETLIKE:
        return find_outline(bare, scale, told.unheard)
    sides = sides_told(told, quads.corners, bare.shape)
    own = score
    score = own + voice * (PARTED_SO * parted + SIDES_SO * mean_side(sides))
    top = int(np.argmax(score))
    border = lines.border[quads.sides] > 0
    seen = (clear[top] > SEEN) & ~border[top]
    vouched = voice > 0 and shared[top] > MUCH_TOLD and (sides[top][seen] > SIDE_TOLD).all()
    doubted = shared[top] <= MUCH_TOLD or (sides[top][seen] < SIDE_UNTOLD).any()
    doubted &= voice > HEARD
    if seen.any():
        sure = sides > SIDE_TOLD if voice > 0 else np.zeros_like(border)
        scores = own, score
        top = without_strips(bare, quads.corners, border, clear > PLAIN, sure, scores, top)
        seen = (clear[top] > SEEN) & ~border[top]
    if not seen.any() or (own[top] < LEAST_LOOK and not vouched):
        return None
    return Outline(
        corners=quads.corners[top] * scale,
        seen=seen,
        lighter=lighter[top],
        score=float(own[top]),
        beside=float(more[top]),
        lead=_lead(quads.corners, score, top, OTHER * max(bare.shape)),
        vouched=bool(vouched),
        doubted=bool(doubted),
    )


def _lead(corners: F64, score: F64, top: int, far: float) -> float:
    """Return what the best of (Q, 4, 2) ``corners`` scores above those ``far`` px off from it."""
    turned = [np.abs(np.roll(corners, k, axis=1) - corners[top]).max(axis=(1, 2)) for k in range(4)]
    others = score[np.min(turned, axis=0) > far]
    return float(score[top] - others.max(initial=-np.inf))


def made_small(pixels: U8) -> tuple[U8, U8, float]:
    """Return the photo small, the same without thin dark strokes, and its scale, px per px.

    The first may be twice as large as the second. Halved while it can be, since that is done
    fastest; an odd last row or column falls away.
    """
    small, scale = pixels, 1.0
    while max(small.shape[:2]) >= 2 * LOOK_PX and min(small.shape[:2]) >= 2:
        height, width = small.shape[0] // 2, small.shape[1] // 2
        small = np.asarray(
            cv2.resize(
                small[: 2 * height, : 2 * width], (width, height), interpolation=cv2.INTER_AREA
            ),
            np.uint8,
        )
        scale *= 2.0
    halved = small
    factor = min(1.0, LOOK_PX / max(small.shape[:2]))
    size = max(1, round(small.shape[1] * factor)), max(1, round(small.shape[0] * factor))
    scale *= max(small.shape[:2]) / max(size)
    small = np.asarray(cv2.resize(small, size, interpolation=cv2.INTER_AREA), np.uint8)
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (STROKE_PX, STROKE_PX))
    bare = np.asarray(cv2.morphologyEx(small, cv2.MORPH_CLOSE, kernel), np.uint8)
    return halved, bare, scale


def _enumerate(lines: EdgeLines, width: int, height: int) -> _Quads:
    """Return every convex quadrangle of four lines that could be a page."""
    count = len(lines.offset)
    cosine = np.abs(lines.normal @ lines.normal.T)
    i, j = np.triu_indices(count, 1)
    opposite = cosine[i, j] > np.cos(np.radians(OPPOSITE_DEG))
    i, j = i[opposite], j[opposite]
    a, b = np.triu_indices(len(i), 1)
    crossing = np.cos(np.radians(NEIGHBOUR_DEG))
    sides = np.stack([i[a], i[b], j[a], j[b]], axis=1)
    around = cosine[sides, np.roll(sides, -1, axis=1)].max(axis=1) < crossing
    sides = sides[around]
    meet = _crossings(lines)
    before = np.roll(sides, 1, axis=1)
    corners = meet[before, sides]
    size = np.array([width, height], np.float64)
    slack = OUTSIDE * size
    fits = ((corners > -slack) & (corners < size + slack)).all(axis=(1, 2))
    sides, corners = sides[fits], corners[fits]
    leg = np.roll(corners, -1, axis=1) - corners
    cross = leg[..., 0] * np.roll(leg[..., 1], -1, axis=1)
    cross -= leg[..., 1] * np.roll(leg[..., 0], -1, axis=1)
    turned = (cross < 0).all(axis=1)
    # Turn the counterclockwise ones round: corner k starts side k in both.
    corners[turned] = corners[turned][:, [0, 3, 2, 1]]
    sides[turned] = sides[turned][:, [3, 2, 1, 0]]
    convex = (cross > 0).all(axis=1) | turned
    area = _area(corners)
    keep = convex & (area > LEAST_AREA * width * height)
    return _Quads(corners[keep], sides[keep])


def _crossings(lines: EdgeLines) -> F64:
    """Return (K, K, 2): where each two lines meet."""
    n, c = lines.normal, lines.offset
    det = n[:, None, 0] * n[None, :, 1] - n[:, None, 1] * n[None, :, 0]
    det = np.where(np.abs(det) < 1e-9, 1e-9, det)
    x = (c[:, None] * n[None, :, 1] - n[:, None, 1] * c[None]) / det
    y = (n[:, None, 0] * c[None] - c[:, None] * n[None, :, 0]) / det
    return np.stack([x, y], axis=-1)


def _area(corners: F64) -> F64:
    x, y = corners[..., 0], corners[..., 1]
    area: F64 = 0.5 * np.abs(
        (x * np.roll(y, -1, axis=-1) - y * np.roll(x, -1, axis=-1)).sum(axis=-1)
    )
    return area


def _weigh_sides(lines: EdgeLines, quads: _Quads, shape: tuple[int, ...]) -> tuple[F64, F64, Bool]:
    """Return the score of the sides (Q,), each side's clearness (Q, 4) and its lighter side."""
    sides = quads.sides
    along = np.stack([-lines.normal[:, 1], lines.normal[:, 0]], axis=1)[sides]
    ends = np.stack([quads.corners, np.roll(quads.corners, -1, axis=1)], axis=2)
    at = (ends * along[:, :, None]).sum(axis=3) - lines.start[sides][..., None]
    low, high = at.min(axis=2), at.max(axis=2)
    length = high - low
    centre = quads.corners.mean(axis=1)
    inward = (centre[:, None] * lines.normal[sides]).sum(axis=2) > lines.offset[sides]

    def over(running: F64, first: F64, last: F64) -> F64:
        top = running.shape[1] - 1
        lo = np.clip(np.rint(first / STEP), 0, top).astype(np.int64)
        hi = np.clip(np.rint(last / STEP), 0, top).astype(np.int64)
        return running[sides, hi] - running[sides, lo]

    shown = over(lines.shown, low, high)
    rising, falling = over(lines.rising, low, high), over(lines.falling, low, high)
    light = np.where(inward, rising, falling)
    dark = np.where(inward, falling, rising) * DARKER
    clear = (np.maximum(light, dark) + UNSEEN * (length - shown)) / length
    apart = np.minimum(over(lines.apart, low, high) / np.maximum(shown, 1.0), APART) / APART
    reach = 0.08 * length
    beyond = np.zeros_like(length)
    for first, last in ((low - reach, low), (high, high + reach)):
        passed = np.where(
            light >= dark,
            np.where(inward, over(lines.rising, first, last), over(lines.falling, first, last)),
            np.where(inward, over(lines.falling, first, last), over(lines.rising, first, last)),
        )
        beyond += passed / reach / 2.0
    # A line that shows nothing, or hardly enters the picture, is no better than the border.
    vain = (np.maximum(light, dark) < SEEN * shown) | (shown < LEAST_SHOWN * length)
    vain &= lines.border[sides] == 0
    weight = length / length.sum(axis=1, keepdims=True)
    score = (weight * (clear + COLOUR * apart * (shown / length) - OVERSHOOT * beyond)).sum(axis=1)
    score += WEAKEST * clear.min(axis=1)
    drawn = np.where(lines.border[sides] == 0, clear, np.inf).min(axis=1)
    score += FAINTEST * np.where(np.isfinite(drawn), drawn, 0.0)
    score -= VAIN * vain.sum(axis=1)
    size = np.array([shape[1], shape[0]], np.float64)
    shown_area = _area(np.clip(quads.corners, 0.0, size)) / (size[0] * size[1])
    score += SIZE * np.sqrt(shown_area)
    score -= SMALL * np.clip(1.0 - shown_area / SMALL_AREA, 0.0, 1.0)
    return score, clear, light >= dark


def _weigh_areas(bare: U8, smooth: U8, quads: _Quads) -> tuple[F64, F64, F64]:
    """Return what is within and without each candidate says for it, and against it, (Q,) each.

    And the tone of the paper within.

    Paper is lighter than a desk, and no more of it lies around: whatever outside has the tone
    of the paper inside speaks against a candidate, for it is the page's own margin.
    """
    height, width = bare.shape[:2]
    size = 48, max(8, round(48 * height / width))
    tiny = cv2.resize(bare, size, interpolation=cv2.INTER_AREA).astype(np.float32).reshape(-1, 3)
    light = tiny.mean(axis=1)
    even = cv2.resize(smooth, size, interpolation=cv2.INTER_AREA).ravel().astype(np.float32)
    x, y = np.meshgrid(np.arange(size[0]) + 0.5, np.arange(size[1]) + 0.5)
    places = np.stack([x.ravel() * width / size[0], y.ravel() * height / size[1]], axis=1)
    inside = inside_of(quads.corners, places).astype(np.float32)
    outside = 1.0 - inside
    count = np.maximum(inside.sum(axis=1), 1.0)
    within = inside @ light / count
    without = outside @ light / np.maximum(outside.sum(axis=1), 1.0)
    lighter: F64 = np.clip((within - without) / 100.0, -1.0, 1.0).astype(np.float64)
    share = np.minimum(outside.mean(axis=1) / 0.1, 1.0)
    order = np.argsort(light)
    reached = np.cumsum(inside[:, order], axis=1) >= PAPER_QUANTILE * count[:, None]
    tone = light[order][reached.argmax(axis=1)]
    tint = tiny - light[:, None]
    paper = inside * (light > PAPER_LIGHT * tone[:, None])
    own = paper @ tint / np.maximum(paper.sum(axis=1), 1.0)[:, None]
    away = np.abs(tint[None] - own[:, None]).max(axis=2)
    # what is rougher than most of the paper is none, however light
    ranked = np.argsort(even)
    rough = np.cumsum(paper[:, ranked], axis=1) >= PAPER_ROUGH * paper.sum(axis=1)[:, None]
    roughest = even[ranked][rough.argmax(axis=1)]
    more = outside * (light > PAPER_LIGHT * tone[:, None]) * (away < PAPER_TINT)
    more *= even >= roughest[:, None] - ROUGHER
    against = np.minimum(MORE_PAPER * more.mean(axis=1), MOST_PAPER)
    speaks = (BRIGHT * lighter + PARTED * _parted(inside, even)) * share
    return speaks, np.asarray(against, np.float64), tone.astype(np.float64)


def _parted(inside: F32, even: F32) -> F64:
    """Return (Q,) 0..1: how much less ``even`` (N,) varies within each candidate, and without it,
    than over the whole picture: a part of a sheet on cloth or stone ends where its texture does.

    ``inside`` (Q, N) is 1 within; the share of variance between two classes is what Otsu's
    threshold is chosen by (*IEEE Trans. Systems, Man, and Cybernetics* 9(1), 1979).
    """
    away = (even - even.mean()).astype(np.float32)
    count = inside.sum(axis=1)
    total = inside @ away
    between = total * total / np.maximum(count, 1.0)
    between += total * total / np.maximum(len(even) - count, 1.0)
    whole = float(away @ away) + LEAST_VARIANCE * len(even)
    return np.asarray(between / whole, np.float64)


def _panels(bare: U8, corners: F64, tone: F64) -> F64:
    """Return how much of each page's sides is the border of a dark panel, (Q,) of 0 to 4.

    Without lies paper of the page's own ``tone`` (Q,), and within it is dark: the page goes on.
    """
    t = (np.arange(PLACES) + 0.5)[:, None] / PLACES
    leg = np.roll(corners, -1, axis=1) - corners
    side = corners[:, :, None] + leg[:, :, None] * t
    out = np.stack([leg[..., 1], -leg[..., 0]], axis=-1)
    out *= BESIDE_PX / np.maximum(np.hypot(leg[..., 0], leg[..., 1]), 1.0)[..., None]
    high, wide = bare.shape[:2]

    def light(at: F64) -> F64:
        """Return the tone there as a share of the paper's, -1 outside the picture."""
        x, y = np.moveaxis(np.floor(at).astype(np.int64), -1, 0)
        there = (x >= 0) & (x < wide) & (y >= 0) & (y < high)
        found = bare[y.clip(0, high - 1), x.clip(0, wide - 1)].mean(axis=-1)
        return np.where(there, found / np.maximum(tone, 1.0)[:, None, None], -1.0)

    beyond, within = light(side + out[:, :, None]), light(side - out[:, :, None])
    border = (beyond > PAPER_LIGHT) & (within >= 0) & (within < DARK)
    return np.asarray(border.mean(axis=2).sum(axis=1), np.float64)
