"""Fits the odds of joins (``gaps.py``) and the network that judges walls (``walls/judge.py``).

Run: ``python -m tests.fitting.walls FIRST COUNT`` (``pip install -e '.[fit]'``): draws pages of
these seeds, 2000 and above, and prints ``WEIGHTS`` of the joins and the text of
``wall_weights.py``. Walls are learnt from the way the merging goes with the weights it has, true
areas telling right from wrong at every step (Ross, Gordon, Bagnell, AISTATS 2011), a few times
over.
"""

from __future__ import annotations

import pickle
import sys
from dataclasses import replace
from multiprocessing import Pool
from pathlib import Path

import cv2
import numpy as np
import torch

from inkclean.base.arrays import F64, I32, I64, Bool
from inkclean.flats import find
from inkclean.flats.lines import gaps
from inkclean.flats.lines.gaps import Joins, on_cubic
from inkclean.flats.panels import CERTAIN
from inkclean.flats.values import FlatEdits
from inkclean.flats.walls import judge as walls
from inkclean.flats.walls.rooms import Rooms, rooted
from inkclean.flats.walls.votes import Merger
from inkclean.ink.values import Ink, Pencil
from tests.fitting import others
from tests.fitting.drawn import drawn, some_troubles
from tests.flats.pages import EASY, LOOSE, make_page

ALONG_MM = 0.5  # a join this near the true seam lies on it,
ALONG = 0.75  # with this share of its way
HIDDEN = 16
ROUNDS = 4
LEAK = 3.0  # a leak costs an artist more than a split
SCORED_MM2 = 6.0


class Lesson:
    """A page made ready: its joins with the truth, and the rooms that these make."""

    def __init__(self, seed: int, svgs: Path) -> None:
        ink, truth, ignored = _page(seed, svgs)
        self.page = find.prepare(ink)
        height, width = self.page.ink.shape
        size = (width, height)
        small = cv2.resize(truth.astype(np.float32), size, interpolation=cv2.INTER_NEAREST)
        self.truth = np.asarray(small, np.int32)
        self.joins, self.given = find._joins(self.page, 5.0, FlatEdits())
        if ignored is not None:
            at = np.clip(on_cubic(self.joins.cubic, 9).astype(int), 0, [width - 1, height - 1])
            told = ~ignored[at[..., 1], at[..., 0]].any(axis=1)
            self.joins, self.given = self.joins.chosen(told), self.given[told]
        self.right = _along_seam(self.truth, self.page.ink, self.joins, self.page.scale)


def _page(seed: int, svgs: Path) -> tuple[Ink, I32, Bool | None]:
    """Return ink, areas and what is not to be learnt from, of all kinds of page in turn."""
    rng = np.random.default_rng(seed)
    kind = seed % 8
    if kind < 3:
        size = rng.uniform(120, 210), rng.uniform(150, 297)
        page = make_page(seed, {0: EASY, 1: LOOSE}.get(kind) or some_troubles(rng), *size)
        return page.ink, page.truth, None
    ignored: Bool | None = None
    if kind == 3:
        coverage, truth, _ = others.rooms_and_channels(seed)
    elif kind < 6:
        coverage, truth = drawn(seed)
    else:
        coverage, truth, ignored = others.page(svgs, seed)
    pencil = Pencil(False, (), 0.0, None, "none")
    return Ink(coverage, find.WORKING_PX_PER_MM, pencil), truth, ignored


def _along_seam(truth: I32, ink: Bool, joins: Joins, scale: float) -> Bool:
    seam = np.zeros(truth.shape, bool)
    seam[:, 1:] |= truth[:, 1:] != truth[:, :-1]
    seam[1:] |= truth[1:] != truth[:-1]
    away = cv2.distanceTransform((~seam).astype(np.uint8), cv2.DIST_L2, 5)
    points = on_cubic(joins.cubic, 24)
    column = np.clip(points[..., 0].astype(int), 0, ink.shape[1] - 1)
    row = np.clip(points[..., 1].astype(int), 0, ink.shape[0] - 1)
    bare = ~ink[row, column]
    bare[:, 12] = True
    near = (away[row, column] < ALONG_MM * scale) & bare
    return np.asarray(near.sum(axis=1) >= ALONG * bare.sum(axis=1))


class Taught(Merger):
    """Merges as the weights have it, but is put right at every step, and keeps a record."""

    def __init__(self, rooms: Rooms, joins: Joins, fixed: Bool, scale: float, truth: I32) -> None:
        super().__init__(rooms, joins, fixed, scale)
        inside = rooms.open_ & (truth > 0)
        n, m = rooms.count + 1, int(truth.max()) + 1
        key, count = np.unique(
            rooms.label[inside].astype(np.int64) * m + truth[inside], return_counts=True
        )
        self.area = np.zeros(n, np.int64)
        order = np.argsort(count, kind="stable")
        self.area[key[order] // m] = key[order] % m
        self.seen: list[tuple[F64, bool, float]] = []

    def _record(self, row: int) -> bool:
        a, b = self.area[self.a[row]], self.area[self.b[row]]
        real = bool(a != b)
        small = min(self.size[self.a[row]], self.size[self.b[row]])
        weight = float(np.clip(small / SCORED_MM2, 0.05, 1.0)) * (LEAK if real else 1.0)
        if a > 0 and b > 0:
            self.seen.append((self.features(np.array([row]))[0], real, weight))
        return real

    def run(self) -> I64:
        """Merge as the weights have it; what falls wrongly stays, what stands wrongly falls."""
        while True:
            rows = self.worst(np.flatnonzero(self.odds < 0))
            if not len(rows):
                left = np.flatnonzero(np.isfinite(self.odds) & (self.odds >= 0))
                wrong = left[self.area[self.a[left]] == self.area[self.b[left]]]
                rows = wrong[[np.argmin(self.odds[wrong])]] if len(wrong) else wrong
            if not len(rows):
                break
            real = np.array([self._record(row) for row in rows.tolist()])
            self.wall[rows[real], walls.FIXED] = 2
            self.odds[rows[real]] = np.inf
            falls = rows[~real].tolist()
            self.rescore([self.merge(row) for row in falls if np.isfinite(self.odds[row])])
        for row in np.flatnonzero(np.isfinite(self.odds)).tolist():
            self._record(row)
        return rooted(self.parent)


def _prepared(task: tuple[Path, Path, int]) -> None:
    svgs, folder, seed = task
    lesson = Lesson(seed, svgs)
    with (folder / f"{seed}.pickle").open("wb") as file:
        pickle.dump(lesson, file)


def _lesson(path: Path) -> Lesson:
    with path.open("rb") as file:
        found: Lesson = pickle.load(file)  # noqa: S301
    return found


def _walked(task: tuple[Path, F64, tuple[F64, F64, F64]]) -> list[tuple[F64, bool, float]]:
    path, weights, net = task
    for name, value in zip(("HIDDEN", "OUTPUT", "DIRECT"), net, strict=True):
        setattr(walls, name, value)
    lesson = _lesson(path)
    odds = _ranked_odds(lesson.joins, weights)
    certain = np.abs(lesson.joins.odds) >= CERTAIN
    joins = replace(lesson.joins, odds=np.where(certain, lesson.joins.odds, odds))
    rooms = find._rooms(lesson.page, joins)
    fixed = lesson.given | (joins.odds >= CERTAIN)
    taught = Taught(rooms, joins, fixed, lesson.page.scale, lesson.truth)
    taught.run()
    return taught.seen


def _ranked_odds(joins: Joins, weights: F64) -> F64:
    plain = joins.features.copy()
    plain[:, [gaps.FEATURES.index("mutual"), gaps.FEATURES.index("best")]] = 0
    n = int(max(joins.first.max(initial=0), joins.second.max(initial=0))) + 1
    odds = plain @ weights
    ends = joins.first >= 0  # a ridge has no end that others share
    first, second = joins.first[ends], joins.second[ends]
    odds[ends] = gaps._with_ranks(plain[ends], odds[ends], first, second, n) @ weights
    return odds


def fit_joins(lessons: list[Path]) -> F64:
    """Return weights of the joins' features, by logistic regression."""
    x = np.concatenate([_lesson(p).joins.features for p in lessons])
    y = np.concatenate([_lesson(p).right for p in lessons])
    x_, y_ = torch.from_numpy(x), torch.from_numpy(y.astype(float))
    w = torch.zeros(x.shape[1], dtype=torch.float64, requires_grad=True)
    optimiser = torch.optim.LBFGS([w], max_iter=300)

    def loss() -> torch.Tensor:
        optimiser.zero_grad()
        value = torch.nn.functional.binary_cross_entropy_with_logits(x_ @ w, y_)
        value = value + 1e-4 * (w**2).sum()
        value.backward()
        return value

    optimiser.step(loss)
    weights = np.asarray(w.detach().numpy())
    print(f"joins {len(y)}, real {y.mean():.3f}, told {(((x @ weights) > 0) == y).mean():.4f}")
    return weights


def fit_walls(seen: list[tuple[F64, bool, float]]) -> tuple[F64, F64, F64]:
    """Return the weights of the network that judges walls."""
    torch.manual_seed(1)
    x = torch.from_numpy(np.stack([f for f, _, _ in seen]))
    y = torch.tensor([float(r) for _, r, _ in seen], dtype=torch.float64)
    weight = torch.tensor([w for _, _, w in seen], dtype=torch.float64)
    f = x.shape[1]
    hidden = (0.3 * torch.randn(f, HIDDEN, dtype=torch.float64)).requires_grad_()
    output = (0.3 * torch.randn(HIDDEN, dtype=torch.float64)).requires_grad_()
    direct = torch.zeros(f, dtype=torch.float64, requires_grad=True)
    optimiser = torch.optim.LBFGS([hidden, output, direct], max_iter=250, history_size=20)

    def loss() -> torch.Tensor:
        optimiser.zero_grad()
        odds = torch.tanh(x @ hidden) @ output + x @ direct
        each = torch.nn.functional.binary_cross_entropy_with_logits(odds, y, reduction="none")
        value = (each * weight).sum() / weight.sum()
        value = value + 2e-5 * sum((w**2).sum() for w in (hidden, output, direct))
        value.backward()
        return value

    optimiser.step(loss)
    return hidden.detach().numpy(), output.detach().numpy(), direct.detach().numpy()


def _faults(seen: list[tuple[F64, bool, float]], net: tuple[F64, F64, F64]) -> tuple[int, int]:
    """Return how many walls of scored areas the weights judge wrongly, either way."""
    x = np.stack([f for f, _, _ in seen])
    real = np.array([r for _, r, _ in seen])
    scored = np.array([w for _, _, w in seen]) >= np.where(real, LEAK, 1.0)
    stands = np.tanh(x @ net[0]) @ net[1] + x @ net[2] >= 0
    return int((real & ~stands & scored).sum()), int((~real & stands & scored).sum())


def table(name: str, values: F64) -> str:
    """Return the text of an array for a module of weights."""
    words = " ".join(f"{v:.3f}" for v in values.ravel())
    lines, line = [], "   "
    for word in words.split():
        if len(line) + len(word) > 96:
            lines.append(line)
            line = "   "
        line += " " + word
    lines.append(line)
    shape = f".reshape({', '.join(map(str, values.shape))})" if values.ndim > 1 else ""
    text = "\n".join(lines)
    return f'{name} = _table(\n    """\n{text}\n    """\n){shape}\n'


def main() -> None:
    """Prepare the pages, fit, and print."""
    svgs, folder = Path(sys.argv[1]), Path(sys.argv[2])
    first, count = int(sys.argv[3]), int(sys.argv[4])
    folder.mkdir(parents=True, exist_ok=True)
    cv2.setNumThreads(1)
    torch.set_num_threads(1)
    todo = [(svgs, folder, s) for s in range(first, first + count)]
    with Pool(2) as pool:
        pool.map(_prepared, [t for t in todo if not (folder / f"{t[2]}.pickle").exists()], 1)
        lessons = [folder / f"{s}.pickle" for _, _, s in todo]
        weights = fit_joins(lessons)
        net = np.zeros((len(walls.FEATURES), 1)), np.zeros(1), np.zeros(len(walls.FEATURES))
        for name, value in (("line", 2.0), ("seen", 2.0), ("share", 0.3)):
            net[2][walls.FEATURES.index(name)] = value
        seen: list[tuple[F64, bool, float]] = []
        for _ in range(ROUNDS):
            walked = pool.map(_walked, [(p, weights, net) for p in lessons], 1)
            fresh = [s for one in walked for s in one]
            leaks, splits = _faults(fresh, net)
            print(f"walked: {len(fresh)} walls, {leaks} leaks, {splits} splits", flush=True)
            seen += fresh
            net = fit_walls(seen)
    print("WEIGHTS =", np.round(weights, 3).tolist())
    text = "".join(table(n, v) for n, v in zip(("HIDDEN", "OUTPUT", "DIRECT"), net, strict=True))
    Path(folder / "wall_weights.txt").write_text(text)
    np.savez(folder / "fit.npz", weights=weights, hidden=net[0], output=net[1], direct=net[2])


if __name__ == "__main__":
    main()
