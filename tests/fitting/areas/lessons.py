"""Walls of pages with known areas, that the judge of walls learns on and is measured on.

Run: ``python -m tests.fitting.areas.lessons DRAWINGS.npz OUT FIRST COUNT PROCESSES``: writes the
walls of so many pages, as the network of the package sees them, to OUT.
"""

from __future__ import annotations

import gzip
import io
import pickle
import sys
from dataclasses import dataclass
from functools import cache
from multiprocessing import get_context
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import cv2
import numpy as np

from inkclean.base.arrays import F32, F64, I32, I64, Bool
from inkclean.flats import find
from inkclean.flats.merging.votes import Merger, absorb
from inkclean.flats.panels import CERTAIN
from inkclean.flats.prepared import prepare
from inkclean.flats.values import FlatEdits
from inkclean.flats.walls import judge
from inkclean.flats.walls.belonging import belonging
from inkclean.flats.walls.closed import openings_of
from inkclean.flats.walls.rooms import Rooms, rooted
from inkclean.ink.values import Ink, Pencil
from tests.fitting.areas.figures import Drawings
from tests.fitting.areas.pages import FAMILIES, page
from tests.fitting.areas.pens import PX_PER_MM
from tests.flats import scores

FIRST_SEED = 900_000_000  # the network's own pages have lower ones
LEAK = 1.5  # a leak is harder to find and to mend than a split
LEAST = 0.05  # weight of what spoils no area
SPOILT = 0.1  # an area is right no more when so much is missing, or too much
SCORED_MM2 = 6.0
Wall = tuple[F64, bool, float]


@dataclass(frozen=True)
class Cover:
    """How many px of paper, ``count``, each ``room`` has of each true ``area``, and which count."""

    room: I64
    area: I64
    count: I64
    counted: Bool

    @classmethod
    def of(cls, label: I32, paper: Bool, truth: I32) -> Cover:
        """Count."""
        inside = paper & (truth > 0)
        m = int(truth.max()) + 1
        key, count = np.unique(
            label[inside].astype(np.int64) * m + truth[inside], return_counts=True
        )
        size = np.asarray(np.bincount(key % m, count, m), np.float64)
        return cls(key // m, key % m, count, scores._counted(truth, size, PX_PER_MM))

    def size(self) -> F64:
        """Return the size of each area, px."""
        return np.asarray(np.bincount(self.area, self.count.astype(float), len(self.counted)))

    def scored(self, root: I64) -> tuple[int, int, int, int]:
        """Return how many areas count, and of these the right ones, the pieces, and all leaks."""
        m = len(self.counted)
        key, at = np.unique(root[self.room] * m + self.area, return_inverse=True)
        count = np.bincount(at, self.count)
        room, area = key // m, key % m
        size, whole = self.size(), np.bincount(room, count)
        best = np.zeros(m)
        np.maximum.at(best, area, count / (size[area] + whole[room] - count))
        share = count / size[area]
        pieces = np.maximum(np.bincount(area[share >= scores.PIECE], minlength=m), 1)
        held = np.bincount(room[self.counted[area] & (share > 0.5)])
        right = int((best[self.counted] > scores.RIGHT).sum())
        leaks = int(np.maximum(held - 1, 0).sum())
        return int(self.counted.sum()), right, int(pieces[self.counted].sum()), leaks


class Taught(Merger):
    """Merges as the weights have it, but is put right at every step, and keeps a record."""

    cover: Cover
    kind: str

    def learn(self, cover: Cover) -> None:
        """Take the true areas."""
        self.cover = cover
        self.area = np.zeros(len(self.parent), np.int64)
        order = np.argsort(cover.count, kind="stable")
        self.area[cover.room[order]] = cover.area[order]
        self.true = cover.size() / PX_PER_MM**2
        self.seen: list[Wall] = []

    def _record(self, row: int) -> bool:
        one, other = int(self.a[row]), int(self.b[row])
        a, b = self.area[one], self.area[other]
        if a > 0 and b > 0:
            self.seen.append((self.features(np.array([row]))[0], bool(a != b), self._cost(row)))
        return bool(a != b)

    def _cost(self, row: int) -> float:
        """Return how many areas a wrong answer spoils."""
        one, other = int(self.a[row]), int(self.b[row])
        a, b = self.area[one], self.area[other]
        size, too = self.size[one], self.size[other]
        if a != b:
            spoilt = _spoilt(too, self.true[a]) + _spoilt(size, self.true[b])
            return LEAST + LEAK * spoilt
        return LEAST + _spoilt(min(size, too), self.true[a])

    def walk(self) -> list[Wall]:
        """Merge as the weights have it; what falls wrongly stays, what stands wrongly falls."""
        self.odds = self.scores(np.arange(len(self.wall)))
        while True:
            rows = self.worst(np.flatnonzero(self.odds < 0))
            if not len(rows):
                left = np.flatnonzero(np.isfinite(self.odds) & (self.odds >= 0))
                wrong = left[self.area[self.a[left]] == self.area[self.b[left]]]
                rows = wrong[[np.argmin(self.odds[wrong])]] if len(wrong) else wrong
            if not len(rows):
                break
            real = np.array([self._record(row) for row in rows.tolist()])
            self.wall[rows[real], judge.FIXED] = 2
            self.odds[rows[real]] = np.inf
            self.drop(rows[~real], np.full(len(self.wall), np.inf))
        for row in np.flatnonzero(np.isfinite(self.odds)).tolist():
            self._record(row)
        return self.seen

    def judged(self) -> tuple[int, int, int, int]:
        """Merge as the weights have it; return how the areas come out, see ``Cover.scored``."""
        self.odds = self.scores(np.arange(len(self.wall)))
        return self.come_out(self.run())

    def told(self) -> tuple[int, int, int, int]:
        """Return how the areas come out if their true ones tell which walls stand."""
        self.whole[:] = 0  # no closed patch keeps apart what is one
        free = (self.area[self.a] == self.area[self.b]) & (self.wall[:, judge.FIXED] == 0)
        while len(rows := np.flatnonzero(free & ~np.isnan(self.odds))):
            self.odds[rows] = -np.inf
            self.fall(rows, np.zeros(len(self.wall)))
        return self.come_out(rooted(self.parent))

    def come_out(self, root: I64) -> tuple[int, int, int, int]:
        """Return how the areas come out when rooms too small are given to others."""
        rows = np.flatnonzero(~np.isnan(self.odds))
        of = self.wall[rows] * PX_PER_MM
        size = np.where(self.parent == np.arange(len(self.parent)), self.size, 0)
        left = SimpleNamespace(
            count=len(self.parent) - 1,
            size=size * PX_PER_MM**2,
            inner=self.inner * PX_PER_MM,
            a=self.a[rows],
            b=self.b[rows],
            drawn=of[:, judge.DRAWN],
            shaded=of[:, judge.SHADED],
            sure=of[:, judge.SURE],
            width=of[:, judge.OPEN],
            seen=of[:, judge.SEEN],
            pair=np.arange(len(rows)),
            join=np.zeros(len(rows), np.int64),
        )
        line_px = self.line_mm * PX_PER_MM
        given = np.zeros(1, bool)
        found = absorb(cast(Rooms, left), PX_PER_MM, 2.0, given, line_px)
        return self.cover.scored(found[root])


def _spoilt(part: float, whole: float) -> float:
    """Return whether an area is spoilt by so much that is missing or too much, 0 to 1."""
    if whole < SCORED_MM2:
        return min(1.0, part / SPOILT / max(whole, 1e-6)) * whole / SCORED_MM2 * 0.5
    return min(1.0, float(part) / (SPOILT * float(whole)))


def made_ready(coverage: F32, truth: I32) -> Taught:
    """Return the walls of a page, ready to be walked."""
    ink = Ink(coverage, PX_PER_MM, Pencil(False, (), 0.0, None, "none"))
    ready = prepare(ink)
    joins, given = find._joins(ready, 5.0, FlatEdits())
    rooms, met = find._rooms(ready, joins)
    fixed = given | (joins.odds >= CERTAIN)
    taught = Taught(rooms, joins, belonging(rooms, met), fixed, ready.scale)
    taught.bar(find._barred(rooms, joins, ready, taught.odds))
    taught.keep(ready.patches.large(rooms), ready.patches.of_rooms(rooms))
    openings = openings_of(rooms, joins, ready.patches, ready.ink, ready.broad)
    taught.tell(rooms, openings, ready.scale)
    there = ready.turn.there(ready.around.cut(truth))
    taught.learn(Cover.of(rooms.label, rooms.cells.open_, there))
    return taught


@cache
def _drawings(path: Path) -> Drawings:
    return Drawings(path, apart=True)


def _prepared(task: tuple[Path, int]) -> bytes:
    drawings, seed = task
    cv2.setNumThreads(1)
    rng = np.random.default_rng(seed)
    kind = str(rng.choice(list(FAMILIES), p=list(FAMILIES.values())))
    ink, truth = page(FIRST_SEED + seed, _drawings(drawings), kind)
    coverage = np.asarray(ink, np.float32) / np.float32(255)
    if rng.random() < 0.5:
        coverage = np.asarray(coverage > 0.5, np.float32)
    try:
        taught = made_ready(coverage, truth)
    except Exception as error:
        print("page", seed, error, flush=True)
        return b""
    taught.kind = kind
    return gzip.compress(pickle.dumps(taught), 4)


def read(paths: list[Path]) -> list[bytes]:
    """Return the pages of some files, each packed."""
    found: list[bytes] = []
    for path in paths:
        with path.open("rb") as file:
            found += pickle.load(file)  # noqa: S301
    return found


class _Opened(pickle.Unpickler):
    """Finds what was written while this module ran by itself."""

    def find_class(self, module: str, name: str) -> Any:
        return globals()[name] if module.endswith("main__") else super().find_class(module, name)


def opened(packed: bytes) -> Taught:
    """Return a page, ready to be walked."""
    taught: Taught = _Opened(io.BytesIO(gzip.decompress(packed))).load()
    if not hasattr(taught, "whole"):
        taught.whole = np.zeros(len(taught.parent), np.int64)
    return taught


def main() -> None:
    """Prepare the pages and write them."""
    drawings, out = Path(sys.argv[1]), Path(sys.argv[2])
    first, count, processes = (int(word) for word in sys.argv[3:6])
    tasks = [(drawings, seed) for seed in range(first, first + count)]
    with get_context("forkserver").Pool(processes) as pool:
        pages = [p for p in pool.imap(_prepared, tasks, 2) if p]
    with out.open("wb") as file:
        pickle.dump(pages, file)
    print(len(pages), "pages,", sum(len(p) for p in pages) // 1000, "kB", flush=True)


if __name__ == "__main__":
    main()
