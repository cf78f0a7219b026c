"""Parts of one thing behind another: how many are found to be one, and how many wrongly.

Run: ``python -m tests.benchmarks.behind DRAWINGS.npz PAGES``, with what the module ``pack`` of
``tests/fitting/areas`` writes. Areas of flat art by other hands, with bands, rounds and other
drawings laid over them: what lies under these is known. The areas are given, no line is judged.
"""

from __future__ import annotations

import sys
from pathlib import Path

import cv2
import numpy as np

from inkclean.base.arrays import F64, I32, U8
from inkclean.flats.colour.things import things_of
from inkclean.flats.nearest import grown
from inkclean.flats.rasters import depth, in_order, pieces, tally
from inkclean.flats.values import BACKGROUND, FIGURE
from tests.fitting.areas.figures import Drawings
from tests.flats.shapes import closed_shape
from tests.flats.small_maps import flats_of

PX_PER_MM = 8.0
SIDE_MM = 130.0
LEAST_MM2, LEAST_INNER_MM = 6.0, 0.8  # smaller parts are no areas


def areas(lines: list[F64], size: int) -> I32:
    """Return the areas 1.. of a drawing of flat art, 0 outside."""
    drawn = np.zeros((size, size), np.uint8)
    for line in lines:
        at = np.round((line + 0.5) * (0.94 * size) + 0.03 * size).astype(np.int32)
        cv2.polylines(drawn, [at], False, 1, 1, cv2.LINE_8)
    _, part = pieces(np.pad(drawn == 0, 1, constant_values=True), 4)
    outside = part[1:-1, 1:-1] == part[0, 0]
    label = grown(np.where(drawn > 0, 0, part[1:-1, 1:-1] + 1).astype(np.int32))
    label[outside | (label == part[0, 0] + 1)] = 0
    return label


def page(drawings: Drawings, rng: np.random.Generator) -> tuple[I32, I32]:
    """Return the areas (H, W) 1.. of a page, and which thing (N + 1,) each one is part of."""
    size = round(SIDE_MM * PX_PER_MM)
    thing = np.zeros((size, size), np.int32)
    for corner in ((0, 0), (0, 1), (1, 0), (1, 1)):
        big = int(rng.uniform(0.35, 0.5) * size)
        made = areas(drawings.figure(rng), big)
        y, x = (int(c * size / 2 + rng.uniform(0, size / 2 - big + 1)) for c in corner)
        part = thing[y : y + big, x : x + big]
        np.copyto(part, made + thing.max(), where=made > 0)
    for _ in range(int(rng.integers(2, 5))):
        np.copyto(thing, thing.max() + 1, where=_front(size, drawings, rng) > 0)
    return _parted(thing)


def _front(size: int, drawings: Drawings, rng: np.random.Generator) -> U8:
    """Return something that lies in front: a band, a round, or the outline of a drawing."""
    mask = np.zeros((size, size), np.uint8)
    middle = rng.uniform(0.2, 0.8, 2) * size
    dice = rng.random()
    if dice < 0.5:
        turn, bow = rng.uniform(0, np.pi), rng.normal() * 0.1
        t = np.linspace(-0.9, 0.9, 80)
        way = np.array([np.cos(turn), np.sin(turn)])
        line = middle + size * (t[:, None] * way + (bow * t**2)[:, None] * way[::-1] * [1, -1])
        width = round(rng.uniform(2.5, 14) * PX_PER_MM)
        cv2.polylines(mask, [np.round(line).astype(np.int32)], False, 1, width)
    elif dice < 0.75:
        sides, _ = closed_shape(rng, middle, float(rng.uniform(0.06, 0.16)) * size)
        cv2.fillPoly(mask, [np.round(np.vstack(sides)).astype(np.int32)], 1)
    else:
        big = int(rng.uniform(0.15, 0.3) * size)
        made = (areas(drawings.figure(rng), big) > 0).astype(np.uint8)
        y, x = (int(m) for m in np.clip(middle - big / 2, 0, size - big))
        mask[y : y + big, x : x + big] = made
    return mask


def _parted(thing: I32) -> tuple[I32, I32]:
    """Return each patch of one thing as an area of its own, crumbs given to what lies around."""
    label = np.zeros(thing.shape, np.int32)
    of = [0]
    for number in range(int(thing.max()) + 1):
        count, patch = pieces(thing == number, 4)
        inner = np.zeros(count, np.float32)
        np.maximum.at(inner, patch.ravel(), depth(patch > 0).ravel())
        size = tally(patch.ravel(), None, count)
        kept = (size >= LEAST_MM2 * PX_PER_MM**2) & (inner >= LEAST_INNER_MM * PX_PER_MM)
        kept[0] = False
        new = np.where(kept, np.cumsum(kept) + len(of) - 1, 0)
        np.copyto(label, new[patch], where=kept[patch])
        of += [number] * int(kept.sum())
    label = grown(label)
    ordered = in_order(label, 65535)
    table = np.zeros(int(ordered.max()) + 1, np.int32)
    table[ordered.ravel()] = np.array(of)[label.ravel()]
    return ordered, table


def counted(label: I32, truth: I32) -> tuple[int, int, int]:
    """Return how many pairs of parts are one thing, found to be, and wrongly found to be."""
    kinds = np.where(truth[1:] == 0, BACKGROUND, FIGURE).tolist()
    found = things_of(flats_of(label, PX_PER_MM, kinds))
    figure = np.flatnonzero(truth[1:] > 0)
    a, b = figure[np.triu_indices(len(figure), 1)[0]], figure[np.triu_indices(len(figure), 1)[1]]
    same, told = truth[a + 1] == truth[b + 1], found[a] == found[b]
    return int(same.sum()), int((same & told).sum()), int((~same & told).sum())


def main() -> None:
    """Print the counts."""
    drawings = Drawings(Path(sys.argv[1]))
    rows = [counted(*page(drawings, np.random.default_rng(k))) for k in range(int(sys.argv[2]))]
    pairs, found, wrong = np.sum(rows, axis=0).tolist()
    print(f"pairs of parts {pairs}, found {found}, wrongly {wrong}, on {len(rows)} pages")


if __name__ == "__main__":
    main()
