"""Fits the judge of walls (``inkclean/flats/walls/judge.py``) on what the network sees.

Run: ``python -m tests.fitting.areas.judge DRAWINGS.npz FOLDER FIRST COUNT PROCESSES``: draws pages
of these seeds, keeps their walls in FOLDER, and writes the judge's weights there. Walls are learnt
from the way the merging goes with the weights it has, true areas telling right from wrong at every
step (Ross, Gordon, Bagnell, AISTATS 2011), a few times over.
"""

from __future__ import annotations

import pickle
import sys
import time
from multiprocessing import get_context
from pathlib import Path

import cv2
import numpy as np
import torch

from inkclean.base.arrays import F64, I32, I64
from inkclean.flats import find
from inkclean.flats.panels import CERTAIN
from inkclean.flats.prepared import prepare
from inkclean.flats.values import FlatEdits
from inkclean.flats.walls import judge
from inkclean.flats.walls.belonging import belonging
from inkclean.flats.walls.rooms import Rooms, rooted
from inkclean.flats.walls.votes import Merger
from inkclean.ink.values import Ink, Pencil
from tests.fitting.areas.figures import Drawings
from tests.fitting.areas.pages import page
from tests.fitting.areas.pens import PX_PER_MM

FIRST_SEED = 900_000_000  # the network's own pages have lower ones
HIDDEN = 48
ROUNDS = 3
LEAK = 2.0  # a leak costs an artist two areas, a split one
SCORED_MM2 = 6.0
Net = tuple[F64, F64, F64]
Wall = tuple[F64, bool, float]


class Taught(Merger):
    """Merges as the weights have it, but is put right at every step, and keeps a record."""

    def learn(self, rooms: Rooms, truth: I32) -> None:
        """Take the true areas (H, W), 0 where none is told."""
        inside = rooms.cells.open_ & (truth > 0)
        n, m = rooms.count + 1, int(truth.max()) + 1
        key, count = np.unique(
            rooms.label[inside].astype(np.int64) * m + truth[inside], return_counts=True
        )
        self.area = np.zeros(n, np.int64)
        order = np.argsort(count, kind="stable")
        self.area[key[order] // m] = key[order] % m
        self.seen: list[Wall] = []

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
            falls = rows[~real].tolist()
            self.rescore([self.merge(row) for row in falls if np.isfinite(self.odds[row])])
        for row in np.flatnonzero(np.isfinite(self.odds)).tolist():
            self._record(row)
        return rooted(self.parent)


def made_ready(coverage: np.ndarray, truth: I32) -> Taught:
    """Return the walls of a page, ready to be walked."""
    ink = Ink(coverage, PX_PER_MM, Pencil(False, (), 0.0, None, "none"))
    ready = prepare(ink)
    joins, given = find._joins(ready, 5.0, FlatEdits())
    rooms, met = find._rooms(ready, joins)
    fixed = given | (joins.odds >= CERTAIN)
    taught = Taught(rooms, joins, belonging(rooms, met), fixed, ready.scale)
    taught.bar(find._barred(rooms, joins, ready, taught.odds))
    taught.keep(ready.patches.large(rooms))
    taught.learn(rooms, ready.turn.there(ready.around.cut(truth)))
    return taught


def _prepared(task: tuple[Path, Path, int]) -> None:
    drawings, folder, seed = task
    cv2.setNumThreads(1)
    rng = np.random.default_rng(seed)
    ink, truth = page(FIRST_SEED + seed, Drawings(drawings, apart=True))
    coverage = ink.astype(np.float32) / 255
    if rng.random() < 0.5:
        coverage = (coverage > 0.5).astype(np.float32)
    with (folder / f"{seed}.pickle").open("wb") as file:
        pickle.dump(made_ready(coverage, truth), file)


def _walked(task: tuple[Path, Net]) -> list[Wall]:
    path, net = task
    judge.weights = lambda: net  # type: ignore[assignment]
    with path.open("rb") as file:
        taught: Taught = pickle.load(file)  # noqa: S301
    taught.run()
    return taught.seen


def fit_walls(seen: list[Wall]) -> Net:
    """Return the weights of the network that judges walls."""
    torch.manual_seed(1)
    of = {
        "dtype": torch.float64,
        "device": torch.device("cuda" if torch.cuda.is_available() else "cpu"),
    }
    x = torch.from_numpy(np.stack([f for f, _, _ in seen])).to(**of)
    y = torch.tensor([float(r) for _, r, _ in seen], **of)
    weight = torch.tensor([w for _, _, w in seen], **of)
    f = x.shape[1]
    hidden = (0.3 * torch.randn(f, HIDDEN, **of)).requires_grad_()
    output = (0.3 * torch.randn(HIDDEN, **of)).requires_grad_()
    direct = torch.zeros(f, **of).requires_grad_()
    optimiser = torch.optim.LBFGS([hidden, output, direct], max_iter=300, history_size=20)

    def loss() -> torch.Tensor:
        optimiser.zero_grad()
        odds = torch.tanh(x @ hidden) @ output + x @ direct
        each = torch.nn.functional.binary_cross_entropy_with_logits(odds, y, reduction="none")
        value = (each * weight).sum() / weight.sum()
        value = value + 2e-5 * sum((w**2).sum() for w in (hidden, output, direct))
        value.backward()
        return value

    optimiser.step(loss)
    hidden, output, direct = (part.detach().cpu() for part in (hidden, output, direct))
    return hidden.numpy(), output.numpy(), direct.numpy()


def faults(seen: list[Wall], net: Net) -> tuple[int, int, int]:
    """Return how many walls of scored areas there are, and judged wrongly either way."""
    x = np.stack([f for f, _, _ in seen])
    real = np.array([r for _, r, _ in seen])
    scored = np.array([w for _, _, w in seen]) >= np.where(real, LEAK, 1.0)
    stands = np.tanh(x @ net[0]) @ net[1] + x @ net[2] >= 0
    return (
        int(scored.sum()),
        int((real & ~stands & scored).sum()),
        int((~real & stands & scored).sum()),
    )


def written(net: Net) -> bytes:
    """Return the weights as the package reads them."""
    return b"".join(np.ascontiguousarray(part, "<f4").tobytes() for part in net)


def main() -> None:
    """Prepare the pages, fit, and write."""
    drawings, folder = Path(sys.argv[1]), Path(sys.argv[2])
    first, count, processes = (int(word) for word in sys.argv[3:6])
    folder.mkdir(parents=True, exist_ok=True)
    torch.set_num_threads(processes)
    todo = [(drawings, folder, s) for s in range(first, first + count)]
    with get_context("forkserver").Pool(processes) as pool:
        pool.map(_prepared, [t for t in todo if not (folder / f"{t[2]}.pickle").exists()], 1)
        lessons = [folder / f"{s}.pickle" for _, _, s in todo]
        apart = len(lessons) // 6  # pages that tell how it does, and are not learnt from
        net, seen = judge.weights(), []
        for number in range(ROUNDS):
            walked = pool.map(_walked, [(p, net) for p in lessons], 1)
            checked = [s for one in walked[:apart] for s in one]
            print(f"round {number}: walls, leaks, splits {faults(checked, net)}", flush=True)
            seen += [s for one in walked[apart:] for s in one]
            began = time.time()
            net = fit_walls(seen)
            print(f"fitted on {len(seen)} walls in {time.time() - began:.0f} s", flush=True)
            (folder / "judge.f32").write_bytes(written(net))
        walked = pool.map(_walked, [(p, net) for p in lessons[:apart]], 1)
        print("at last:", faults([s for one in walked for s in one], net))


if __name__ == "__main__":
    main()
