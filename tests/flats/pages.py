"""Pages with known areas, drawn by pens of the tests' own.

Shapes are laid back to front like cut paper: what shows of each is a true area, and what shows
of its outline is a stroke. Strokes are then drawn with the troubles asked for. Nothing here
knows how areas are found.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

import cv2
import numpy as np
from scipy.ndimage import distance_transform_edt, find_objects
from scipy.spatial import cKDTree
from skimage import measure

from inkclean.base.arrays import F32, F64, I32, U8, Bool
from inkclean.ink.values import Ink, Pencil
from tests.flats import furnishing
from tests.flats.shapes import bowed, closed_shape, resample, wobbled

PX_PER_MM = 300 / 25.4
STEP_MM = 0.25  # spacing of the points along a stroke


@dataclass(frozen=True)
class Troubles:
    """What goes wrong on a page: shares are of strokes, lengths in mm."""

    gap_share: float = 0.0  # strokes with a gap cut into them
    gap_mm: tuple[float, float] = (0.5, 4.0)
    gap_beside_end: float = 0.0  # of those gaps, the share that lies beside a corner or junction
    gap_clear_mm: float = 0.0  # the others keep so far from all other strokes; 0: lie anywhere
    wobble_mm: float = 0.0
    short: float = 0.0  # stroke ends that stop short, by 0.3 to 1.8 mm
    over: float = 0.0  # stroke ends that run over, by 0.3 to 2 mm
    taper: bool = False
    dry: float = 0.0  # strokes drawn with a dry brush
    hatched: float = 0.0  # areas with hatching
    crossed: float = 0.3  # of those, the share that is cross-hatched
    heavy_hatching: bool = False  # as heavy as the outline
    threes: float = 0.0  # areas with a family of three lines
    stipple: float = 0.0
    lettering: float = 0.0
    details: float = 0.0  # areas with a stroke or two that closes nothing
    blacks: float = 0.0
    panels: bool = False


EASY = Troubles(gap_share=0.33, gap_mm=(0.5, 5.0), gap_clear_mm=1.0, hatched=0.12)
LOOSE = Troubles(
    gap_share=0.2,
    gap_beside_end=0.3,
    wobble_mm=0.15,
    short=0.2,
    over=0.15,
    taper=True,
    dry=0.06,
    hatched=0.12,
    heavy_hatching=True,
    threes=0.06,
    stipple=0.08,
    lettering=0.08,
    details=0.15,
    blacks=0.04,
)
SINGLE: dict[str, Troubles] = {
    "gaps mid-stroke": Troubles(gap_share=0.4, gap_mm=(0.5, 5.0), gap_clear_mm=1.0),
    "gaps anywhere and hatching": Troubles(gap_share=0.25, hatched=0.12),
    "gaps beside corners and junctions": Troubles(gap_share=0.3, gap_beside_end=1.0),
    "wobble and taper": Troubles(wobble_mm=0.2, taper=True, gap_share=0.1),
    "stopping short": Troubles(short=0.35),
    "running over": Troubles(over=0.35),
    "dry brush": Troubles(dry=0.4),
    "hatching": Troubles(hatched=0.3, gap_share=0.1),
    "hatching as heavy as the outline": Troubles(hatched=0.3, heavy_hatching=True, gap_share=0.1),
    "families of three": Troubles(threes=0.4, gap_share=0.1),
    "stipple": Troubles(stipple=0.4, gap_share=0.1),
    "lettering": Troubles(lettering=0.4, gap_share=0.1),
    "strokes that close nothing": Troubles(details=0.5, gap_share=0.1),
    "spot blacks": Troubles(blacks=0.2, gap_share=0.1),
    "panels": Troubles(panels=True, gap_share=0.2, short=0.15),
}


@dataclass
class Page:
    """A drawn page: ``coverage`` 0..1, ``truth`` 1..N, the gaps cut as (x, y, length) in mm."""

    coverage: F32
    truth: I32
    px_per_mm: float
    panel: U8
    gaps: list[tuple[float, float, float]] = field(default_factory=list)

    @property
    def ink(self) -> Ink:
        """The page as the flats take it."""
        return Ink(self.coverage, self.px_per_mm, Pencil(False, (), 0.0, None, "none"))


def _runs(on: Bool) -> list[tuple[int, int]]:
    """Return start and stop of each run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], on.astype(int), [0]])))
    return [(int(a), int(b)) for a, b in edges.reshape(-1, 2)]


class _Maker:
    def __init__(self, seed: int, troubles: Troubles, width_mm: float, height_mm: float) -> None:
        self.rng = np.random.default_rng(seed)
        self.troubles = troubles
        self.size = (round(height_mm * PX_PER_MM), round(width_mm * PX_PER_MM))
        self.mm = (width_mm, height_mm)
        self.ids = np.zeros(self.size, np.int32)
        self.ink = np.zeros(self.size, np.uint8)
        self.panel = np.zeros(self.size, np.uint8)
        self.blacks = np.zeros(self.size, bool)
        self.gaps: list[tuple[float, float, float]] = []
        self.strokes: list[tuple[F64, int, bool, float]] = []  # points, order, closed, width
        self.count = 0
        self.owner = self.ids  # the first id of the shape on top

    def px(self, points: F64) -> I32:
        return np.round((points * PX_PER_MM - 0.5) * 16).astype(np.int32)

    def within(self, outline: F64) -> tuple[tuple[slice, slice], Bool]:
        """Return a part of the page that holds an outline, and what of it lies inside."""
        at = self.px(outline)
        height, width = self.size
        left, top = np.clip((at.min(axis=0) >> 4) - 2, 0, [width, height]).tolist()
        right, bottom = np.clip((at.max(axis=0) >> 4) + 3, 0, [width, height]).tolist()
        mask = np.zeros((bottom - top, right - left), np.uint8)
        cv2.fillPoly(mask, [at - np.array([left, top], np.int32) * 16], 255, shift=4)
        return np.s_[top:bottom, left:right], mask > 0

    def fill(self, outline: F64) -> int:
        self.count += 1
        part, inside = self.within(outline)
        self.ids[part][inside] = self.count
        return self.count

    def add_shape(self, centre: F64, radius: float, window: tuple[float, ...] | None) -> None:
        rng = self.rng
        sides, smooth = closed_shape(rng, centre, radius)
        shake = self.troubles.wobble_mm
        sides = [wobbled(resample(s, STEP_MM, smooth), shake, rng, True) for s in sides]
        if window is not None:
            x0, y0, x1, y1 = window
            sides = [np.clip(s, [x0, y0], [x1, y1]) for s in sides]
        outline = np.vstack(sides)
        order = self.fill(outline)
        width = rng.uniform(0.3, 0.6)
        self.strokes += [(s, order, smooth, width) for s in sides]
        if rng.random() < 0.35:  # a line across it makes two areas of it
            n = len(outline)
            i, j = rng.integers(0, n // 3), rng.integers(n // 2, n - 1)
            chord = bowed(outline[i], outline[j], rng.uniform(-0.15, 0.15))
            chord = wobbled(resample(chord, STEP_MM), self.troubles.wobble_mm, rng, True)
            part, inside = self.within(np.vstack([chord, outline[i:j][::-1]]))
            self.count += 1
            self.ids[part][inside & (self.ids[part] == order)] = self.count
            self.strokes.append((chord, order, False, width * 0.8))

    def visible(self) -> list[tuple[F64, bool, float]]:
        """Return the runs of each stroke that nothing laid later hides."""
        runs: list[tuple[F64, bool, float]] = []
        for points, order, closed, width in self.strokes:
            at = np.clip((points * PX_PER_MM).astype(int), 0, np.array(self.size[::-1]) - 1)
            shown = self.owner[at[:, 1], at[:, 0]] <= order
            if shown.all():
                runs.append((points, closed, width))
                continue
            turned = points
            if closed:  # start where it is hidden, so that no run is cut at the seam
                first = int(np.argmin(shown))
                turned, shown = np.roll(points, -first, axis=0), np.roll(shown, -first)
            for a, b in _runs(shown):
                if b - a > 4:
                    runs.append((turned[max(a - 1, 0) : b + 1], False, width))
        return runs

    def draw(self, points: F64, width: float, taper: tuple[bool, bool] = (False, False)) -> None:
        if len(points) < 2:
            return
        at = self.px(points)
        widths = np.full(len(points) - 1, width)
        n = min(10, len(widths) // 2)
        if n and taper[0]:
            widths[:n] *= np.linspace(0.4, 1, n)
        if n and taper[1]:
            widths[-n:] *= np.linspace(1, 0.4, n)
        thick = np.maximum(1, np.round(widths * PX_PER_MM)).astype(int)
        for k in np.unique(thick):
            for a, b in _runs(thick == k):
                cv2.polylines(self.ink, [at[a : b + 1]], False, 255, int(k), cv2.LINE_AA, 4)

    def begins(self, points: F64, n: int, closed: bool, clear: Bool) -> int | None:
        """Return where a gap of n points begins, or nothing if there is no place for it."""
        rng, t = self.rng, self.troubles
        last = len(points) - n
        if not closed and rng.random() < t.gap_beside_end:
            return int(rng.integers(0, 2)) * last
        if not t.gap_clear_mm:
            return int(rng.integers(n, max(n + 1, last - n)))
        start = np.arange(n, last - n)
        met = np.concatenate([[0], np.cumsum(~clear)])
        start = start[met[start + n] == met[start]]
        return int(rng.choice(start)) if len(start) else None

    def draw_run(self, points: F64, closed: bool, width: float, clear: Bool) -> None:
        rng, t = self.rng, self.troubles
        length = len(points) * STEP_MM
        pieces = [points]
        if rng.random() < t.gap_share and length > 7:
            gap = min(rng.uniform(*t.gap_mm), length / 3)
            n = max(2, round((gap + width) / STEP_MM))
            start = self.begins(points, n, closed, clear)
            if start is not None:
                middle = points[min(start + n // 2, len(points) - 1)]
                self.gaps.append((float(middle[0]), float(middle[1]), float(gap)))
                if closed:
                    pieces = [np.roll(points[:-1], -(start + n), axis=0)[: len(points) - 1 - n]]
                else:
                    pieces = [points[: start + 1], points[start + n :]]
        elif not closed and length > 5:
            pieces = [self._loosened(points)]
        dry = rng.random() < t.dry
        before = self.ink.copy() if dry else self.ink
        if dry:
            self.ink[:] = 0
        for piece in pieces:
            open_end = t.taper and not (closed and len(pieces[0]) == len(points))
            thin_start = open_end and rng.random() < 0.5
            self.draw(piece, width, (thin_start, open_end and rng.random() < 0.5))
        if dry:
            self._dry()
            np.maximum(self.ink, before, out=self.ink)

    def _loosened(self, points: F64) -> F64:
        """Return the stroke with its ends stopping short or running over."""
        rng, t = self.rng, self.troubles
        for _ in (0, 1):
            points = points[::-1]
            fate = rng.random()
            if fate < t.short:
                points = points[round(rng.uniform(0.3, 1.8) / STEP_MM) :]
            elif fate < t.short + t.over:
                step = points[0] - points[min(6, len(points) - 1)]
                step = step / max(1e-9, np.hypot(*step))
                points = np.vstack([points[0] + step * rng.uniform(0.3, 2.0), points])
        return points

    def _dry(self) -> None:
        left, top, wide, high = cv2.boundingRect(self.ink)
        if not wide:
            return
        part = np.s_[top : top + high, left : left + wide]
        noise = self.rng.normal(size=self.ink[part].shape).astype(np.float32)
        fine = cv2.GaussianBlur(noise, (0, 0), 1.2) * 4.2
        broad = cv2.GaussianBlur(noise[::-1], (0, 0), 8) * 28
        self.ink[part][fine + broad > 0.9] = 0


def _clear(runs: list[tuple[F64, bool, float]], apart_mm: float) -> list[Bool]:
    """Return which points of each run lie further than that, and its width, off all others."""
    if not runs:
        return []
    length = [len(points) for points, _, _ in runs]
    own = np.repeat(np.arange(len(runs)), length)
    reach = np.repeat([width + apart_mm for _, _, width in runs], length)
    tree = cKDTree(np.vstack([points for points, _, _ in runs]))
    # so many are more than a run has of its own within reach
    away, other = tree.query(tree.data, 48, distance_upper_bound=float(reach.max()))
    met = (away < reach[:, None]) & (np.append(own, -1)[other] != own[:, None])
    return np.split(~met.any(axis=1), np.cumsum(length)[:-1])


def _furnish(maker: _Maker, inside: Bool, place: tuple[slice, slice], depth: F32) -> None:
    """Lay hatching, stipple, lettering, details or a black over one area, or nothing."""
    rng, t = maker.rng, maker.troubles
    dice = rng.random()
    shares = np.cumsum([t.hatched, t.threes, t.stipple, t.lettering, t.details, t.blacks])
    which = int(np.searchsorted(shares, dice))
    if which >= len(shares):
        return
    at = furnishing.Place(inside, depth, PX_PER_MM)
    if which in (0, 1):
        layer = furnishing.hatching(
            at, rng, crossed=t.crossed, heavy=t.heavy_hatching, three=which == 1
        )
    else:
        drawn = (furnishing.stipple, furnishing.lettering, furnishing.details, furnishing.black)
        layer = drawn[which - 2](at, rng)
    layer[~inside] = 0
    if which == 5:
        maker.blacks[place] |= layer > 127
    np.maximum(maker.ink[place], layer, out=maker.ink[place])


def _windows(maker: _Maker) -> list[tuple[float, ...]]:
    """Lay out panels in rows; return their boxes."""
    width, height = maker.mm
    rng = maker.rng
    boxes: list[tuple[float, ...]] = []
    rows = np.linspace(10, height - 10, max(2, round(height / 75) + 1))
    for top, bottom in pairwise(rows.tolist()):
        cut = 10 + (width - 20) * rng.uniform(0.35, 0.65)
        columns = [10.0, width - 10] if rng.random() < 0.3 else [10.0, cut, width - 10]
        boxes += [(a + 2, top + 2, b - 2, bottom - 2) for a, b in pairwise(columns)]
    return boxes


def make_page(seed: int, troubles: Troubles, width_mm: float = 210, height_mm: float = 297) -> Page:
    """Draw one page at 300 dpi; the same seed and troubles give the same page."""
    maker = _Maker(seed, troubles, width_mm, height_mm)
    rng = maker.rng
    boxes = _windows(maker) if troubles.panels else [(6.0, 6.0, width_mm - 6, height_mm - 6)]
    owner_rounds: list[tuple[int, int]] = []
    for number, (x0, y0, x1, y1) in enumerate(boxes, 1):
        window = None
        if troubles.panels:
            window = (x0, y0, x1, y1)
            ring = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])
            maker.fill(ring)
            sides = [resample(ring[[i, (i + 1) % 4]], STEP_MM) for i in range(4)]
            maker.strokes += [(s, 10**6, False, 0.6) for s in sides]
            a, b = (ring[[0, 2]] * PX_PER_MM).round().astype(int)
            maker.panel[a[1] : b[1], a[0] : b[0]] = number
        spots = int((x1 - x0) * (y1 - y0) / 520)
        at = np.stack([rng.uniform(x0 + 8, x1 - 8, spots), rng.uniform(y0 + 8, y1 - 8, spots)], 1)
        for centre in at:
            start = maker.count
            room = 0.9 * float(min(centre[0] - x0, x1 - centre[0], centre[1] - y0, y1 - centre[1]))
            radius = float(rng.uniform(5, 17))
            if window is None:
                radius = min(radius, room)
            maker.add_shape(centre, radius, window)
            owner_rounds.append((start, maker.count))
    # a chord's half belongs to the same sheet of paper as the shape it cuts
    first_of = np.arange(maker.count + 1)
    for start, end in owner_rounds:
        first_of[start + 1 : end + 1] = start + 1
    maker.owner = first_of[maker.ids].astype(np.int32)
    runs = maker.visible()
    for points, _, width in runs:
        maker.draw(points, width)
    # areas as whole strokes part them; a channel narrower than 0.4 mm parts two
    drawn = cv2.dilate(maker.ink, np.ones((5, 5), np.uint8))
    truth = _components(np.where(drawn > 127, -1, maker.ids))
    truth = nearest_label(truth)
    maker.ink[:] = 0
    clear = _clear(runs, troubles.gap_clear_mm)
    for (points, closed, width), free in zip(runs, clear, strict=True):
        maker.draw_run(points, closed, width, free)
    _furnish_all(maker, truth)
    if maker.blacks.any():  # a black belongs to no area: what it parts are two
        truth = np.where(maker.blacks, 0, _components(np.where(maker.blacks, -1, truth)))
    coverage = np.asarray(maker.ink, np.float32) / np.float32(255)
    return Page(coverage, np.asarray(truth, np.int32), PX_PER_MM, maker.panel, maker.gaps)


def nearest_label(label: I32) -> I32:
    """Return the map with every 0 replaced by the nearest label."""
    at = distance_transform_edt(label == 0, return_distances=False, return_indices=True)
    return np.asarray(label[tuple(at)], np.int32)


def _components(ids: I32) -> I32:
    """Return a map in which every connected patch of one id has a label of its own, from 1."""
    return np.asarray(measure.label(ids, background=-1, connectivity=1), np.int32)


def _furnish_all(maker: _Maker, truth: I32) -> None:
    n = int(truth.max())
    edges = np.zeros(truth.shape, bool)
    edges[:, 1:] |= truth[:, 1:] != truth[:, :-1]
    edges[1:] |= truth[1:] != truth[:-1]
    inside = (~edges).astype(np.uint8)
    depth = np.asarray(cv2.distanceTransform(inside, cv2.DIST_L2, 3), np.float32)
    for label, where in enumerate(find_objects(truth), 1):
        if where is None:
            continue
        rows, columns = where
        size = (rows.stop - rows.start) * (columns.stop - columns.start) / PX_PER_MM**2
        if 60 < size < 0.3 * n * 600:
            _furnish(maker, truth[where] == label, where, depth[where])
