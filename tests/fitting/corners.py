"""Fits the network that tells true corners (``inkclean/curves/corners.f32``).

``python -m tests.fitting.corners collect FONTS PICTURES DATA SEED`` draws PICTURES, letters of the
fonts in the folder FONTS among them (``outlines.py``); ``python -m tests.fitting.corners fit
DATA... corners.f32`` fits on what it kept. No drawing that the benchmarks measure is among them,
nor should a font be that they do.

A point of the edge counts as a corner's if it is the nearest to it; the points beside it count
the less the further they lie. Bends of 25 to 40 degrees and round ones no raster tells from a
corner are left out.
"""

from __future__ import annotations

import sys
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np
import torch
from scipy.spatial import cKDTree

from inkclean.arrays import F32, F64
from inkclean.curves.corners import turning
from inkclean.curves.edges import find_edges
from inkclean.curves.judge import LAYERS
from inkclean.curves.surroundings import SIZE, both_sides, surroundings
from tests.fitting.outlines import Drawn, drawn

_CORNER = 40.0
_BEND = 25.0
_TIP_PX = 6.0
_NEAR_PX = 1.8
_PLACE = 0.2
"""What a px of the corner's place weighs against its odds."""
_BESIDE = 0.35
"""Points that are further from the corner than the nearest count by a bell of so many px."""


def samples(picture: Drawn, coverage: F32) -> tuple[F32, F32]:
    """What lies about all points where the edge of ``coverage`` turns, and what is true of them:
    the share to which they are a corner's, weight, and its place (x, y) in their frame.
    """
    edges = find_edges(coverage)
    if edges.loops.size == 1:
        return np.zeros((0, SIZE), np.float32), np.zeros((0, 4), np.float32)
    z, core, at = turning(edges)
    about = surroundings(z, core[at], coverage, edges.blur, edges.noise)
    truth = np.zeros((at.size, 4), np.float32)
    truth[:, 1] = 1.0
    sharp = picture.corners[picture.turns > _CORNER]
    half = picture.corners[(picture.turns > _BEND) & (picture.turns <= _CORNER)]
    doubtful = np.vstack((half, picture.tight))
    if len(doubtful):
        near = cKDTree(doubtful).query(edges.points[at])[0] < _NEAR_PX
        truth[near, 1] = 0.0
    number = np.full(edges.points.shape[0], -1)
    number[at] = np.arange(at.size)
    offset = np.zeros(at.size, np.complex128)
    length = np.diff(edges.loops)
    tree = cKDTree(edges.points)
    if len(sharp):
        # What lies near a corner must be told apart from it.
        near = cKDTree(sharp).query(edges.points[at])[0] < 1.0
        truth[near, 1] = 1.0
    for corner in sharp:
        off, nearest = tree.query(corner)
        if off > _TIP_PX:
            continue
        loop = np.searchsorted(edges.loops, nearest, side="right") - 1
        place = corner[0] + 1j * corner[1]
        for step in (-1, 0, 1):
            point = edges.loops[loop] + (nearest - edges.loops[loop] + step) % length[loop]
            nth = number[point]
            if nth < 0:
                continue
            far = abs(place - z[core[point]])
            share = np.exp(-((far - off) ** 2) / (2.0 * _BESIDE**2))
            if off > _NEAR_PX and step == 0:
                truth[nth, 1] = 1.0
            if share > truth[nth, 0]:
                truth[nth, 0] = share
                offset[nth] = place - z[core[point]]
    frame = about.to_frame(offset)
    truth[:, 2], truth[:, 3] = frame.real, frame.imag
    return about.values, truth


def worn(rng: np.random.Generator, coverage: F32) -> F32:
    """The picture as it is, or as a photo leaves it, or one-bit ink, or on rough paper."""
    kind = rng.random()
    if kind < 0.4:
        return coverage
    if kind < 0.48:
        return np.asarray(coverage > 0.5, np.float32)
    if kind < 0.62:
        edge = (coverage > 0.0) & (coverage < 1.0)
        rough = coverage + edge * rng.normal(0.0, rng.uniform(0.03, 0.25), coverage.shape)
        return np.asarray(np.clip(rough, 0.0, 1.0), np.float32)
    soft = cv2.GaussianBlur(coverage, (0, 0), rng.uniform(0.2, 1.2))
    grain = cv2.GaussianBlur(rng.normal(0.0, 1.0, coverage.shape), (0, 0), rng.uniform(0.3, 0.9))
    soft = soft + (rng.uniform(0.0, 0.06) / grain.std()) * grain
    foot, head = rng.uniform(0.0, 0.18, 2)
    soft = np.where(soft < foot, 0.0, np.where(soft > 1.0 - head, 1.0, soft))
    return np.asarray(np.clip(soft, 0.0, 1.0), np.float32)


def collect(fonts: Path, pictures: int, out: Path, seed: int) -> None:
    """Draw and keep what ``fit`` needs."""
    rng = np.random.default_rng(seed)
    faces = sorted(fonts.rglob("*.[ot]tf"))
    values, truths = [], []
    for _ in range(pictures):
        picture = drawn(rng, faces)
        value, truth = samples(picture, worn(rng, picture.coverage))
        values.append(value.astype(np.float16))
        truths.append(truth)
    np.savez(out, values=np.concatenate(values), truth=np.concatenate(truths))


class Judge(torch.nn.Module):
    """The network as the package runs it."""

    def __init__(self, mean: F64, spread: F64) -> None:
        super().__init__()
        self.mean = torch.tensor(mean, dtype=torch.float32)
        self.spread = torch.tensor(spread, dtype=torch.float32)
        self.layers = torch.nn.ModuleList(torch.nn.Linear(a, b) for a, b in pairwise(LAYERS))

    def forward(self, values: torch.Tensor) -> torch.Tensor:
        x = (values - self.mean) / self.spread
        for layer in self.layers[:-1]:
            x = torch.relu(layer(x))
        return self.layers[-1](x)


def fit(data: list[Path], out: Path, rounds: int = 14, batch: int = 2048) -> None:
    """Fit on what ``collect`` kept and write the weights."""
    torch.manual_seed(1)
    torch.set_num_threads(1)
    rng = np.random.default_rng(1)
    loaded = [np.load(path) for path in data]
    values = np.concatenate([part["values"] for part in loaded])
    truth = np.concatenate([part["truth"] for part in loaded])
    known = truth[:, 1] > 0.0
    values, truth = values[known], truth[known]
    some = values[rng.permutation(len(values))[:50000]].astype(np.float64)
    net = Judge(some.mean(0), some.std(0) + 0.05)
    best = torch.optim.AdamW(net.parameters(), 2e-3, weight_decay=1e-4)
    steps = rounds * (len(values) // batch)
    plan = torch.optim.lr_scheduler.OneCycleLR(best, 4e-3, total_steps=steps + 1)
    for turn in range(rounds):
        order, total = rng.permutation(len(values)), np.zeros(2)
        for k in range(len(values) // batch):
            rows = order[k * batch : (k + 1) * batch]
            x, y = values[rows].astype(np.float32), truth[rows].copy()
            turned = rng.random(len(rows)) < 0.5
            x[turned] = both_sides(x[turned])
            y[turned, 2] *= -1.0
            said, right = net(torch.from_numpy(x)), torch.from_numpy(y)
            odds = torch.nn.functional.binary_cross_entropy_with_logits(said[:, 0], right[:, 0])
            off = torch.nn.functional.smooth_l1_loss(
                said[:, 1:], right[:, 2:], reduction="none", beta=0.2
            ).sum(1)
            place = (off * right[:, 0]).sum() / torch.clamp(right[:, 0].sum(), min=1.0)
            best.zero_grad()
            (odds + _PLACE * place).backward()
            best.step()
            plan.step()
            total += odds.item(), place.item()
        print(turn, total / (len(values) // batch), flush=True)
    write(net, out)


def write(net: Judge, out: Path) -> None:
    """The weights as the package reads them, what is taken off first folded into the first."""
    parts = []
    for k, layer in enumerate(net.layers):
        weight, bias = layer.weight.detach().double(), layer.bias.detach().double()
        if k == 0:
            weight = weight / net.spread.double()
            bias = bias - weight @ net.mean.double()
        parts += [weight.T.numpy().reshape(-1), bias.numpy()]
    out.write_bytes(np.concatenate(parts).astype("<f4").tobytes())


def main(given: list[str]) -> int:
    """Collect or fit."""
    if given[0] == "collect":
        fonts, pictures, out, seed = given[1:]
        collect(Path(fonts), int(pictures), Path(out), int(seed))
    else:
        fit([Path(name) for name in given[1:-1]], Path(given[-1]))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
