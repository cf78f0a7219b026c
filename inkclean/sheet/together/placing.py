"""All photos laid into one plane: homographies and lenses that the matches agree on.

A bundle of homographies with radial distortion, fitted robustly to all matches at once (Szeliski,
"Image alignment and stitching", Found. Trends CGV 2(1), 2006; Brown's lens, first term).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from inkclean.base.arrays import F64, Bool
from inkclean.base.errors import InputError
from inkclean.sheet.together.matching import LEAST, Features, Match
from inkclean.sheet.together.page import inside
from inkclean.sheet.together.seen import Glance
from inkclean.sheet.together.values import Canvas, Lens, Placed, carry, sampled

# matches of a pair that the bundle is fitted to
MOST = 200
SOFT_PX = 1.5  # from where a match counts less
RADIAL = 0.02  # how strong lenses are, as a deviation
# a lens that moves a photo's corner less is none, in px
LEAST_BEND_PX = 1.0
# of the ink of all, that the first photo must show for its own px to be kept
WHOLE = 0.97
# paper is lit this strongly, beside the brightest place
ON_PAPER = 0.4
# photos seen this much finer than the first make the canvas finer
FINER = 1.12
LARGEST = 2.5  # times the first photo's scale
MOST_MP = 160.0  # of the canvas


@dataclass(frozen=True)
class Plane:
    """The photos in the first one's straight plane: matrices from it to each, and lenses."""

    first: int
    matrices: tuple[F64, ...]
    lenses: tuple[Lens, ...]


def connected(seen: Sequence[Glance], matches: Sequence[Match]) -> None:
    """Refuse photos that do not hang together by the ink they share.

    Raises:
        InputError: says which photo shows another page, or too little of this one.
    """
    group = np.arange(len(seen))
    for pair in matches:
        group[group == group[pair.second]] = group[pair.first]
    count = np.bincount(group, minlength=len(seen))
    if count.max() == len(seen):
        return
    alone = [seen[k].photo.name for k in range(len(seen)) if group[k] != count.argmax()]
    if count.max() == 1:
        names = " and ".join([seen[0].photo.name, alone[0]] if len(seen) == 2 else ["these photos"])
        raise InputError(
            f"{names} do not show one page, or too little of it in common: let each photo share "
            "a fifth of the page with another"
        )
    raise InputError(
        f"{', '.join(alone)} {'does' if len(alone) == 1 else 'do'} not show the same page as the "
        "others, or too little of it: leave it out, or add a photo that shows what lies between"
    )


def lay(seen: Sequence[Glance], matches: Sequence[Match], keep: int | None = None) -> Plane:
    """Return how all photos lie, roughly, in the plane of ``keep``.

    Where none is kept it is the plane of the photo that shares most, of those that lie the way
    up that most do; where as many lie another way, of those that lie as the first does.
    """
    count = len(seen)
    if keep is None:
        shared = np.zeros(count)
        for pair in matches:
            shared[[pair.first, pair.second]] += len(pair.at_first)
        turns = quarters(seen, _along_tree(0, count, matches))
        votes = np.bincount(turns, minlength=4)
        upright = votes[turns] == votes.max()
        if upright[0]:
            upright = turns == turns[0]
        keep = int(np.where(upright, shared, -1.0).argmax())
    lenses = [Lens(one.size) for one in seen]
    matrices = _along_tree(keep, count, matches)
    return Plane(keep, tuple(matrices), tuple(lenses))


def quarters(seen: Sequence[Glance], matrices: Sequence[F64]) -> NDArray[np.int64]:
    """Return by how many quarters each photo is turned against the first, from 0 to 3.

    ``matrices`` lead from the first photo to each.
    """
    high, wide = seen[0].size
    middle = np.array([[wide / 2, high / 2], [wide / 2 + 1, high / 2]])
    ways = np.array([np.diff(carry(matrix, middle), axis=0)[0] for matrix in matrices])
    turns = np.round(np.arctan2(ways[:, 1], ways[:, 0]) / (np.pi / 2)).astype(np.int64) % 4
    return np.asarray(turns, np.int64)


def fit(plane: Plane, matches: Sequence[Match]) -> Plane:
    """Return the same with homographies and lenses that all matches agree on."""
    matrices, lenses = _bundle(plane.first, list(plane.matrices), list(plane.lenses), matches)
    return Plane(plane.first, tuple(matrices), tuple(lenses))


def on_page(
    matches: Sequence[Match], canvas: Canvas, placed: Sequence[Placed], outline: F64 | None
) -> list[Match]:
    """Return the matches on the page; all of a pair that has too few of them."""
    if outline is None:
        return list(matches)
    found = []
    for pair in matches:
        at = to_canvas(canvas, placed[pair.first], pair.at_first)
        here = inside(outline, at)
        if here.sum() >= LEAST:
            found.append(
                replace(pair, at_first=pair.at_first[here], at_second=pair.at_second[here])
            )
        else:
            found.append(pair)
    return found


def to_canvas(canvas: Canvas, placed: Placed, at: F64) -> F64:
    """Return where points (N, 2) of a photo lie on the canvas, its small moves left out."""
    matrix = np.linalg.inv(placed.matrix @ canvas.plane)
    return canvas.lens.bend(carry(np.asarray(matrix, np.float64), placed.lens.straighten(at)))


def _along_tree(first: int, count: int, matches: Sequence[Match]) -> list[F64]:
    """Return the matrices from the first photo to each, by the pairs that share most."""
    matrices: dict[int, F64] = {first: np.eye(3)}
    order = sorted(matches, key=lambda pair: -len(pair.at_first))
    while len(matrices) < count:
        for pair in order:
            a, b = pair.first, pair.second
            if (a in matrices) == (b in matrices):
                continue
            known, new = (a, b) if a in matrices else (b, a)
            source, target = (
                (pair.at_first, pair.at_second) if known == a else (pair.at_second, pair.at_first)
            )
            step, _ = cv2.findHomography(source, target, cv2.USAC_MAGSAC, 6.0, maxIters=5000)
            matrices[new] = np.asarray(step, np.float64) @ matrices[known]
            matrices[new] /= matrices[new][2, 2]
            break
    return [matrices[k] for k in range(count)]


def _bundle(
    first: int, matrices: list[F64], lenses: list[Lens], matches: Sequence[Match]
) -> tuple[list[F64], list[Lens]]:
    from scipy.optimize import least_squares

    count = len(matrices)
    others = [k for k in range(count) if k != first]
    units = [_unit(lens) for lens in lenses]
    # in units of each photo's half diagonal, so that all numbers are about 1
    starts = [units[k] @ matrices[k] @ np.linalg.inv(units[first]) for k in others]
    start = np.concatenate([(m / m[2, 2]).ravel()[:8] for m in starts] + [np.zeros(count)])
    scale = units[first][0, 0]
    rng = np.random.default_rng(1)
    thinned = []
    for pair in matches:
        chosen = rng.permutation(len(pair.at_first))[:MOST]
        thinned.append((pair.first, pair.second, pair.at_first[chosen], pair.at_second[chosen]))

    def unpack(values: F64) -> tuple[list[F64], list[Lens]]:
        found, bent = [np.eye(3)] * count, []
        for at, k in enumerate(others):
            matrix = np.append(values[8 * at : 8 * at + 8], 1.0).reshape(3, 3)
            found[k] = np.linalg.inv(units[k]) @ matrix @ units[first]
        for k in range(count):
            bent.append(Lens(lenses[k].size, float(values[8 * len(others) + k])))
        return found, bent

    def errors(values: F64) -> F64:
        found, bent = unpack(values)
        parts = []
        for a, b, at_a, at_b in thinned:
            one = carry(_back(found[a]), bent[a].straighten(at_a))
            two = carry(_back(found[b]), bent[b].straighten(at_b))
            parts.append((one - two).ravel())
        radial = values[8 * len(others) :]
        shared = radial - radial.mean()
        return np.concatenate([*parts, radial / RADIAL, shared * 2 / RADIAL])

    solved = least_squares(
        errors, start, loss="soft_l1", f_scale=SOFT_PX, x_scale="jac", max_nfev=25
    )
    found, bent = unpack(solved.x)
    corner = 1.0 / scale  # half the diagonal, in px
    if max(abs(lens.radial) for lens in bent) * corner < LEAST_BEND_PX:
        bent = [Lens(lens.size) for lens in bent]
    return found, bent


def _back(matrix: F64) -> F64:
    return np.asarray(np.linalg.inv(matrix), np.float64)


def _unit(lens: Lens) -> F64:
    """Return what takes a photo's px to units of half its diagonal from its middle."""
    high, wide = lens.size
    scale = 2.0 / float(np.hypot(high, wide))
    return np.array([[scale, 0, -scale * wide / 2], [0, scale, -scale * high / 2], [0, 0, 1.0]])


def canvas_of(
    plane: Plane, seen: Sequence[Glance], found: Sequence[Features], *, own: bool = False
) -> tuple[Canvas, tuple[Placed, ...]]:
    """Return the canvas that holds all photos, and how they lie on it.

    It is the first photo's own picture if that shows nearly all, or if ``own`` says so; larger
    where another photo shows the page finer.
    """
    placed = tuple(
        Placed(matrix, lens) for matrix, lens in zip(plane.matrices, plane.lenses, strict=True)
    )
    lens = plane.lenses[plane.first]
    outlines = [_outline(one) for one in placed]
    finer = max(_scale(one, lens) for one in placed)
    finer = min(finer, LARGEST) if finer > FINER else 1.0
    low = np.min([outline.min(axis=0) for outline in outlines], axis=0)
    high = np.max([outline.max(axis=0) for outline in outlines], axis=0)
    frame = np.array(lens.size[::-1], np.float64)
    if own or _shown_by_first(plane, seen, found) > WHOLE:
        finer *= min(1.0, (MOST_MP * 1e6 / (frame.prod() * finer**2)) ** 0.5)
        high_px, wide_px = (round(n * finer) for n in lens.size)
        back = np.diag([lens.size[1] / wide_px, lens.size[0] / high_px, 1.0])
        return Canvas((high_px, wide_px), back, Lens((high_px, wide_px), lens.radial)), placed
    reach = 1.5 * frame  # a photo seen at a slant runs far out
    low, high = np.maximum(low, -reach), np.minimum(high, frame + reach)
    area = float(np.prod(high - low)) * finer**2 / 1e6
    finer *= min(1.0, (MOST_MP / area) ** 0.5)
    low = np.floor(low)
    size = np.ceil((high - low) * finer).astype(int)
    matrix = np.array([[1 / finer, 0, low[0]], [0, 1 / finer, low[1]], [0, 0, 1.0]])
    return Canvas((int(size[1]), int(size[0])), matrix, Lens(lens.size)), placed


def _outline(placed: Placed) -> F64:
    """Return the (N, 2) border of a photo in the plane."""
    high, wide = placed.lens.size
    t = np.linspace(0, 1, 9)[:-1]
    square = np.array([[0.0, 0], [1, 0], [1, 1], [0, 1]])
    ring = np.concatenate(
        [a + (b - a) * t[:, None] for a, b in pairwise(np.vstack([square, square[:1]]))]
    )
    straight = placed.lens.straighten(ring * (wide, high))
    return carry(_back(placed.matrix), straight)


def _scale(placed: Placed, own: Lens) -> float:
    """Return how many of a photo's px lie on one of the plane's; 0 if it shows little."""
    high, wide = placed.lens.size
    middle = np.array([[wide, high]]) / 2 + np.array([[0.0, 0], [8, 0], [0, 8]])
    at = carry(_back(placed.matrix), middle)
    (ax, ay), (bx, by) = at[1] - at[0], at[2] - at[0]
    area = abs(ax * by - ay * bx) / 64
    covers = area * high * wide / (own.size[0] * own.size[1])
    return float(area**-0.5) if covers > 0.15 else 0.0


def _shown_by_first(plane: Plane, seen: Sequence[Glance], found: Sequence[Features]) -> float:
    """Return the share of all photos' features on paper that the first photo shows as well."""
    high, wide = plane.lenses[plane.first].size
    shares: list[Bool] = [np.ones(1, np.bool_)]
    for k, (one, features) in enumerate(zip(seen, found, strict=True)):
        if k == plane.first or len(features.at) == 0:
            continue
        lit = one.light / one.light.max()
        cells = features.at * (np.array(lit.shape[::-1]) / np.array(one.size[::-1]))
        on_paper = sampled(lit[..., None].astype(np.float64), cells)[:, 0] > ON_PAPER
        straight = plane.lenses[k].straighten(features.at[on_paper])
        at = carry(_back(plane.matrices[k]), straight)
        shares.append(np.asarray(((at > 0) & (at < (wide, high))).all(axis=1), np.bool_))
    return float(np.concatenate(shares).mean())
