"""The check of a page before it goes out: what a printer would send back, and the cure.

The limits are common practice in the trade, without a source. Printers differ, and the
specification of the one who prints decides.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from inkclean.base.arrays import F64, I64, U8, Bool
from inkclean.base.units import MM_PER_INCH, MM_PER_PT
from inkclean.curves.values import Curves
from inkclean.deliver.pictures.raster import Crossings, crossings, render
from inkclean.deliver.press.trim import TrimmedPage

Verdict = Literal["passes", "look", "fails"]

PRINTER_DECIDES = "These are common limits; the specification of your printer decides."

# lines are measured across every tenth of a millimetre of the page: finer than any pen
_STEP_MM = 0.1
_STRETCH_MM = 3.0  # mm at a stretch over which thin ink is a thin line
_SHORT_MM = 1.0  # mm over which it is one too, if it is no tip of a stroke
_TIP = 0.5  # of its width that such a piece keeps: a tip loses all of it
# edges further from parallel than this (tan 15°) bound a corner or a blot, not a line
_PARALLEL = 0.268
_WIDEST_MM = 2.0  # mm of the widest line that is looked at: far above any printer's limit
_CRACK_MM = 0.01  # mm, thinner than any pen draws: a crack between outlines
# ink that meets the trim over less than this in all is to check, not a failure
_SHORT_OF_BLEED_MM = 1.0
# samples a side at most, so that a wall-size print is judged in the memory of a page
_MOST_SAMPLES = 6_000
_MOST_PIXELS = 3_600
# rows swept in one go
_SLAB = 512
# mm from the bleed's edge: a third of what a cut may be off by (common practice, no source)
_REACH_MM = 0.3


@dataclass(frozen=True)
class Finding:
    """One point of the check: what was looked at, the verdict, the measure, and the cure."""

    name: str
    verdict: Verdict
    measured: str
    cure: str = ""


@dataclass(frozen=True)
class Widths:
    """Widths across lines, sampled along them.

    ``width_mm`` and ``length_mm`` (the piece of line a sample stands for) are (N,) float64;
    ``taper`` (N,) is the change of width along the line, downwards or to the right, in
    radians; ``place_mm`` is (N, 2), x and y of the line's middle.
    """

    width_mm: F64
    length_mm: F64
    taper: F64
    place_mm: F64
    step_mm: float


def check_page(
    placed: Curves,
    page: TrimmedPage,
    *,
    thinnest_pt: float,
    ppi: float | None = None,
    want_ppi: float = 300,
) -> tuple[Finding, ...]:
    """Check curves lying on a page (page coordinates, final size) against the limits.

    ``ppi`` is the effective resolution of the bitmap on the page, if there is one.
    """
    pixels = _coarse(placed, page)
    found = [
        check_lines(placed, thinnest_pt),
        _check_bleed(pixels, page),
        _check_safe(pixels, page),
    ]
    if ppi is not None:
        found.append(check_resolution(ppi, want_ppi))
    return tuple(found)


def check_lines(placed: Curves, thinnest_pt: float) -> Finding:
    """Hold the thinnest line against the thinnest that prints."""
    widths = line_widths(placed)
    thinnest = thinnest_line(widths)
    if thinnest is None:
        return Finding("thinnest line", "passes", f"no line is thinner than {_WIDEST_MM:g} mm")
    width, place = thinnest
    text = f"{width / MM_PER_PT:.2f} pt ({width:.3f} mm), near {place[0]:.0f}, {place[1]:.0f} mm"
    if width >= thinnest_pt * MM_PER_PT:
        return Finding(
            "thinnest line", "passes", f"{text}; your printer needs at least {thinnest_pt:g} pt"
        )
    below = float(widths.length_mm[widths.width_mm < thinnest_pt * MM_PER_PT].sum())
    larger = thinnest_pt * MM_PER_PT / width
    return Finding(
        "thinnest line",
        "fails",
        f"{text}; {below:.0f} mm of line is under {thinnest_pt:g} pt",
        f"print it {larger:.1f} times as large, give the lines more weight, or ask the "
        "printer for the thinnest line the press can print",
    )


def check_resolution(ppi: float, want_ppi: float) -> Finding:
    """Hold the effective resolution of a bitmap, px per inch at final size, against a limit."""
    text = f"{ppi:.0f} px per inch at this size; your printer needs {want_ppi:.0f}"
    if ppi >= want_ppi * 0.995:
        return Finding("colour resolution", "passes", text)
    verdict: Verdict = "look" if ppi >= want_ppi * 2 / 3 else "fails"
    return Finding(
        "colour resolution",
        verdict,
        text,
        f"paint it with {want_ppi / ppi:.2g} times as many pixels a side, or print it smaller; "
        "the lines stay sharp either way",
    )


def line_widths(curves: Curves) -> Widths:
    """Measure lines across, from outline to outline, square to their run.

    The page is swept along rows and along columns. Where a sweep enters and leaves ink through
    nearly parallel edges, the chord times the cosine of their slant is the line's width; each
    direction of line is measured by the sweep that meets it more squarely.
    """
    longest = max(curves.width_mm, curves.height_mm, 1.0)
    if len(curves.cubics):
        longest = max(longest, float(np.ptp(curves.cubics.reshape(-1, 2), axis=0).max()))
    step = max(_STEP_MM, longest / _MOST_SAMPLES)
    parts = [_swept(curves.cubics / step, across) for across in (False, True)]
    width, length, taper, place = (np.concatenate([part[i] for part in parts]) for i in range(4))
    kept = (width * step <= _WIDEST_MM) & (width * step >= _CRACK_MM)
    return Widths(width[kept] * step, length[kept] * step, taper[kept], place[kept] * step, step)


def _swept(cubics: F64, across: bool) -> tuple[F64, F64, F64, F64]:
    """Return widths, lengths, tapers and places in steps, by rows, or columns if ``across``."""
    turned = cubics[..., ::-1] if across else cubics
    upper, lower = turned[..., 1].min(1, initial=np.inf), turned[..., 1].max(1, initial=-np.inf)
    parts = [np.zeros((0, 5))]
    if len(turned):
        for top in range(int(np.floor(upper.min())), int(np.ceil(lower.max())), _SLAB):
            touched = turned[(lower > top) & (upper < top + _SLAB)]
            parts.append(_lines(crossings(touched, top, top + _SLAB), across))
    width, length, taper, x, y = np.concatenate(parts).T
    return width, length, taper, np.stack([y, x] if across else [x, y], 1)


def _lines(found: Crossings, across: bool) -> F64:
    """Return width, length, taper and place (x, y) of every line that a sweep meets, (N, 5)."""
    order = np.lexsort((found.x, found.row))
    row, x = found.row[order], found.x[order]
    inside = np.cumsum(found.turn[order], dtype=np.int64)
    # a run of ink begins where the winding leaves zero; closed loops make every row sum to zero
    begins = np.flatnonzero((inside[:-1] != 0) & (np.append(0, inside)[:-2] == 0))
    begins = begins[inside[begins + 1] == 0]
    # nothing that is wider than a line, however it slants, is looked at further
    begins = begins[x[begins + 1] - x[begins] <= _WIDEST_MM / _STEP_MM * np.sqrt(2)]
    left, right = np.arctan(found.slope[order[begins]]), np.arctan(found.slope[order[begins + 1]])
    slant = (left + right) / 2
    # the diagonal itself belongs to one sweep alone
    steep = np.abs(slant) < np.pi / 4 if across else np.abs(slant) <= np.pi / 4
    line = steep & (np.abs(left - right) <= _PARALLEL)
    begins, slant, taper = begins[line], slant[line], (right - left)[line]
    if across:
        # a line that rises to the right is followed downwards, as the sweep by rows does
        taper = np.where(slant < -np.pi / 8, -taper, taper)
    along, ahead = x[begins], x[begins + 1]
    cosine = np.cos(slant)
    width, middle = (ahead - along) * cosine, (ahead + along) / 2
    return np.stack([width, 1.0 / cosine, taper, middle, row[begins] + 0.5], 1)


def thinnest_line(widths: Widths) -> tuple[float, F64] | None:
    """Return the least width that a line keeps to over a stretch of it, in mm, and where.

    None if there is no such line. Tips of strokes do not count, unless they are longer than
    3 mm. Found by halving: the more width is allowed, the longer the stretches.
    """
    if not len(widths.width_mm):
        return None
    near = _neighbours(widths)
    steps = np.unique(np.quantile(widths.width_mm, np.linspace(0, 1, 4097), method="lower"))
    low, high, best = 0, len(steps) - 1, None
    while low <= high:
        middle = (low + high) // 2
        stretch = _stretch(widths, near, float(steps[middle]))
        if stretch is None:
            low = middle + 1
        else:
            best = float(steps[middle]), stretch
            high = middle - 1
    return best


@dataclass(frozen=True)
class _Near:
    """Samples gathered in small cells: the cell of each, and the pairs of cells that touch."""

    cell: I64
    pairs: I64
    count: int


def _neighbours(widths: Widths) -> _Near:
    """Return cells so small that samples next to each other on a line touch at least."""
    place = np.floor(widths.place_mm / (1.5 * widths.step_mm)).astype(np.int64)
    place -= place.min(0)
    across = int(place[:, 0].max()) + 3
    keys, cell = np.unique(place[:, 1] * across + place[:, 0], return_inverse=True)
    pairs = []
    for offset in (1, across - 1, across, across + 1):
        at = np.minimum(np.searchsorted(keys, keys + offset), len(keys) - 1)
        touching = np.flatnonzero(keys[at] == keys + offset)
        pairs.append(np.stack([touching, at[touching]]))
    return _Near(cell, np.concatenate(pairs, axis=1), len(keys))


def _stretch(widths: Widths, near: _Near, limit: float) -> F64 | None:
    """Return a place on a stretch of line nowhere wider than ``limit``, or None."""
    thin = np.flatnonzero(widths.width_mm <= limit)
    on = np.zeros(near.count, np.bool_)
    on[near.cell[thin]] = True
    first, second = near.pairs[:, on[near.pairs].all(0)]
    links = coo_array((np.ones(len(first), np.bool_), (first, second)), (near.count, near.count))
    owner = connected_components(links, directed=False)[1][near.cell[thin]]
    lengths = np.bincount(owner, widths.length_mm[thin])
    loss = np.abs(np.bincount(owner, widths.length_mm[thin] * widths.taper[thin]))
    even = (lengths >= _SHORT_MM) & (loss < _TIP * limit)
    lengths[(lengths < _STRETCH_MM) & ~even] = 0.0
    if not lengths.any():
        return None
    longest = thin[owner == lengths.argmax()]
    return np.asarray(widths.place_mm[longest[len(longest) // 2]])


@dataclass(frozen=True)
class _Pixels:
    """The bled page as pixels, and how far the trim lies from each edge, in px."""

    ink: Bool
    px_per_mm: float
    trim: tuple[int, int, int, int]


def _coarse(placed: Curves, page: TrimmedPage) -> _Pixels:
    area = page.bled
    px_per_mm = min(1 / _STEP_MM, _MOST_PIXELS / max(area.width_mm, area.height_mm))
    ink = render(placed, px_per_mm * MM_PER_INCH, region=area)
    left, right = page.bleed.left_right(page.side)
    margins = (page.bleed.top, right, page.bleed.bottom, left)
    top, right_px, bottom, left_px = (round(margin * px_per_mm) for margin in margins)
    return _Pixels(ink, px_per_mm, (top, right_px, bottom, left_px))


def _names(page: TrimmedPage) -> tuple[str, str, str, str]:
    sides = ("outer", "inner") if page.side == "recto" else ("inner", "outer")
    return "top", sides[0], "bottom", sides[1]


def _check_bleed(pixels: _Pixels, page: TrimmedPage) -> Finding:
    """Where ink reaches the trim it must run on to the bleed's edge."""
    short, bare = [], []
    reaching, total = False, 0.0
    for turn, name in enumerate(_names(page)):
        # turned so that this edge is the top one
        ink = np.rot90(pixels.ink, turn)
        depth = pixels.trim[turn]
        # without bleed at the edge, the row along the trim itself
        strip = np.ascontiguousarray(ink[: max(depth, 1) + 1]).view(np.uint8)
        met, lacking = _runs_out(strip, max(1, round(_REACH_MM * pixels.px_per_mm)))
        reaching |= met > 0
        if depth == 0 and met and name != "inner":
            bare.append(name)
        elif depth and lacking:
            total += lacking / pixels.px_per_mm
            short.append(f"{lacking / pixels.px_per_mm:.1f} mm of the {name} edge")
    if bare:
        return Finding(
            "bleed",
            "fails",
            f"ink reaches the trim, and there is no bleed ({', '.join(bare)})",
            "set a bleed of 3 mm (or 0.125 in) and draw on past the trim",
        )
    if short:
        return Finding(
            "bleed",
            "fails" if total >= _SHORT_OF_BLEED_MM else "look",
            f"ink reaches the trim and stops before the bleed's edge: {', '.join(short)}",
            "draw on past the trim, fit the art to the bleed, or make it larger; otherwise a "
            "white sliver may show at the cut",
        )
    text = "ink runs through to the bleed's edge" if reaching else "no ink reaches the trim"
    return Finding("bleed", "passes", text)


def _runs_out(strip: U8, reach: int) -> tuple[int, int]:
    """Return px of the trim (the last row) that ink meets, and px of them it fails to bleed."""
    _, labels = cv2.connectedComponents(strip, connectivity=8)
    at_trim = labels[-1][labels[-1] > 0]
    if len(strip) <= reach:
        return len(at_trim), 0
    outside = np.unique(labels[:reach])
    return len(at_trim), int((~np.isin(at_trim, outside)).sum())


def _check_safe(pixels: _Pixels, page: TrimmedPage) -> Finding:
    """Between safe area and trim only what bleeds off may lie."""
    top, right, bottom, left = pixels.trim
    height, width = pixels.ink.shape
    ring = pixels.ink[top : height - bottom, left : width - right].astype(np.uint8)
    safe_left, safe_right = page.safe.left_right(page.side)
    margins = (page.safe.top, safe_right, page.safe.bottom, safe_left)
    above, beyond, below, before = (round(margin * pixels.px_per_mm) for margin in margins)
    ring[above : len(ring) - below, before : ring.shape[1] - beyond] = 0
    count, labels, stats, _ = cv2.connectedComponentsWithStats(ring, connectivity=8)
    edges = (labels[0], labels[-1], labels[:, 0], labels[:, -1])
    risky = np.setdiff1d(np.arange(1, count), np.concatenate(edges))
    if not len(risky):
        return Finding("safe area", "passes", "only art that bleeds lies outside it")
    x, y, w, h = (stats[risky, i] for i in range(4))
    near = [np.min(side) for side in (x, y, ring.shape[1] - x - w, ring.shape[0] - y - h)]
    gap = float(min(near)) / pixels.px_per_mm
    names = _names(page)
    closest = names[(3, 0, 1, 2)[int(np.argmin(near))]]
    return Finding(
        "safe area",
        "look",
        f"{len(risky)} piece{'s' * (len(risky) > 1)} of ink outside it; the nearest ends "
        f"{gap:.1f} mm from the {closest} trim",
        "fit the art to the safe area, make it smaller, or move lettering inwards: the cut may be "
        "off by 1 mm; a border drawn there on purpose may stay",
    )
