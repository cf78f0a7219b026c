"""Fits the judge of walls (``inkclean/flats/walls/judge.py``) on what the network sees.

Run: ``python -m tests.fitting.areas.judge OUT.f32 PROCESSES LESSONS...``, with what ``lessons.py``
wrote. Walls are learnt from the way the merging goes with the weights it has, true areas telling
right from wrong at every step (Ross, Gordon, Bagnell, AISTATS 2011), a few times over. A wall
counts by how many areas a wrong answer spoils. Every sixth page tells how it does, not learnt from.
"""

from __future__ import annotations

import sys
import time
from functools import partial
from multiprocessing import get_context
from multiprocessing.pool import Pool
from pathlib import Path

import numpy as np
import torch
from numpy.typing import NDArray

from inkclean.base.arrays import F64
from inkclean.flats.walls import judge
from tests.fitting.areas.lessons import opened, read

HIDDEN = 48
ROUNDS = 2
EPOCHS = 10
BATCH = 4096
RATE = 4e-3
DECAY = 1e-4
APART = 6
LESS, STRETCH = 0.5, 1.22
"""What is fitted is made less sure by so much and stretched: of shifts up to 1.2, this left most
areas right on pages not learnt from, and with it real openings have the quartiles that the limits
of ``merging/votes.py`` were set on."""
Net = tuple[F64, F64, F64]
Walls = tuple[NDArray[np.float32], NDArray[np.bool_], NDArray[np.float32]]


def _walked(packed: bytes, net: Net) -> Walls:
    judge.weights = lambda: net  # type: ignore[assignment]
    seen = opened(packed).walk()
    x = np.array([f for f, _, _ in seen], np.float32).reshape(-1, len(judge.FEATURES))
    return x, np.array([r for _, r, _ in seen], bool), np.array([w for *_, w in seen], np.float32)


def judged(packed: bytes, net: Net) -> tuple[str, tuple[int, int, int, int]]:
    """Return the kind of a page, and how its areas come out."""
    judge.weights = lambda: net  # type: ignore[assignment]
    page = opened(packed)
    return page.kind, page.judged()


def together(walls: list[Walls]) -> Walls:
    """Return the walls of several pages as one."""
    x, real, weight = (np.concatenate(parts) for parts in zip(*walls, strict=True))
    return x, real, weight


def fit_walls(walls: Walls, seed: int = 1) -> Net:
    """Return the weights of the network that judges walls."""
    torch.manual_seed(seed)
    x = torch.from_numpy(walls[0])
    y, weight = torch.from_numpy(walls[1]).float(), torch.from_numpy(walls[2])
    middle, spread = x.mean(0), x.std(0).clamp(min=1e-3)
    one = judge.FEATURES.index("one")
    middle[one], spread[one] = 0, 1
    x = (x - middle) / spread
    n, f = x.shape
    hidden = (torch.randn(f, HIDDEN) / f**0.5).requires_grad_()
    output = (0.1 * torch.randn(HIDDEN)).requires_grad_()
    direct = torch.zeros(f, requires_grad=True)
    parts = [hidden, output, direct]
    optimiser = torch.optim.Adam(parts, RATE)
    steps = max(20, EPOCHS * -(-n // BATCH))
    schedule = torch.optim.lr_scheduler.OneCycleLR(optimiser, RATE, steps, pct_start=0.1)
    for _ in range(EPOCHS):
        for rows in torch.randperm(n).split(BATCH):
            odds = torch.tanh(x[rows] @ hidden) @ output + x[rows] @ direct
            each = torch.nn.functional.binary_cross_entropy_with_logits(
                odds, y[rows], reduction="none"
            )
            loss = (each * weight[rows]).sum() / weight[rows].sum()
            loss = loss + DECAY * sum((w**2).sum() for w in parts)
            optimiser.zero_grad()
            loss.backward()
            optimiser.step()
            schedule.step()
    found = []
    for part in (hidden, direct):  # the features as they are
        whole = part.detach().double()
        plain = whole.numpy().T / spread.double().numpy()
        plain[..., one] -= plain @ middle.double().numpy()
        found.append(plain.T)
    return found[0], output.detach().double().numpy(), found[1]


def told(walls: Walls, net: Net) -> F64:
    """Return the log-odds of walls."""
    x = walls[0].astype(np.float64)
    return np.asarray(np.tanh(x @ net[0]) @ net[1] + x @ net[2])


def faults(walls: Walls, net: Net) -> str:
    """Return the loss, and the areas spoilt by walls judged wrongly either way."""
    odds, (_, real, weight) = told(walls, net), walls
    loss = np.logaddexp(0, np.where(real, -odds, odds))
    leaks, splits = weight[real & (odds < 0)].sum(), weight[~real & (odds >= 0)].sum()
    return (
        f"{len(odds)} walls, loss {(loss * weight).sum() / weight.sum():.4f}, "
        f"leaks {leaks:.0f}, splits {splits:.0f}"
    )


def table(pool: Pool, pages: list[bytes], net: Net) -> str:
    """Return how the areas of pages come out, by kind: right, pieces, leaks a page."""
    found = pool.map(partial(judged, net=net), pages, 4)
    rows = []
    for kind in [*sorted({k for k, _ in found}), ""]:
        areas, right, pieces, leaks = np.sum([s for k, s in found if k.startswith(kind)], axis=0)
        many = sum(k.startswith(kind) for k, _ in found)
        rows.append(f"{kind or 'all'} {right / areas:.3f} {pieces / areas:.3f} {leaks / many:.2f}")
    return "; ".join(rows)


def at_last(net: Net) -> Net:
    """Return the network less sure and stretched, see ``LESS``."""
    direct = net[2].copy()
    direct[judge.FEATURES.index("one")] -= LESS
    return net[0], STRETCH * net[1], STRETCH * direct


def written(net: Net) -> bytes:
    """Return the weights as the package reads them."""
    return b"".join(np.ascontiguousarray(part, "<f4").tobytes() for part in net)


def main() -> None:
    """Walk, fit, and write."""
    out, processes = Path(sys.argv[1]), int(sys.argv[2])
    pages = read([Path(word) for word in sys.argv[3:]])
    torch.set_num_threads(processes)
    lessons = [p for k, p in enumerate(pages) if k % APART]
    apart = pages[::APART]
    net: Net = judge.weights()
    seen: list[Walls] = []
    with get_context("forkserver").Pool(processes) as pool:
        print("before:", table(pool, apart, net), flush=True)
        for number in range(ROUNDS):
            seen += pool.map(partial(_walked, net=net), lessons, 4)
            began = time.time()
            net = fit_walls(together(seen))
            checked = together(pool.map(partial(_walked, net=net), apart, 4))
            print(f"round {number}, {time.time() - began:.0f} s:", faults(checked, net), flush=True)
            print("  ", table(pool, apart, net), flush=True)
            out.write_bytes(written(at_last(net)))


if __name__ == "__main__":
    main()
