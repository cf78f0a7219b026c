"""Fits the network that tells true corners (``inkclean/curves/corners.f32``).

``python -m tests.fitting.corners collect SVGS FONTS PICTURES DATA`` draws PICTURES of its own
(``outlines.py``) and reads the drawings of the folder SVGS (``svgs.mjs``; Open Peeps alone);
``python -m tests.fitting.corners fit DATA corners.f32`` fits on them. Neither sees a drawing that
the benchmarks measure, nor a font that they do.

A point of the edge counts as a corner's if it is the nearest to it; the points beside it count
the less the further they lie. Bends of 25 to 40 degrees and round ones no raster tells from a
corner are left out.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import shapely
import shapely.affinity
import torch
from scipy.spatial import cKDTree

from inkclean.arrays import F32, F64
from inkclean.curves.corners import turning
from inkclean.curves.edges import find_edges
from inkclean.curves.judge import LAYERS
from inkclean.curves.surroundings import SIZE, both_sides, surroundings
from inkclean.demo.camera import Conditions, photograph
from inkclean.demo.page import draw
from inkclean.pipeline import clean_photo
from inkclean.sheet.squaring import to_photo
from inkclean.ticket import Settings
from tests.curves import drawings
from tests.fitting.outlines import SIDE, Drawn, drawn, forms, of_polygons
from tests.scoring.cases import photo

PX_PER_MM = 12.0
PHOTOS: tuple[dict[str, Any], ...] = (
    {},
    {"blur_px": 1.4, "tilt": 12.0},
    {"light_ratio": 3.0, "jpeg_quality": 80},
    {"turn": -4.0, "blur_px": 0.6, "tint": "cream"},
)
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
    length = np.diff(edges.loops)
    tree = cKDTree(edges.points)
    if len(sharp):
        # what lies near a corner must be told apart from it
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
                frame = (place - z[core[point]]) * np.conj(about.way[nth])
                frame = np.conj(frame) if about.mirrored[nth] else frame
                truth[nth, 2:] = frame.real, frame.imag
    # Where the border cuts a drawing off, its path has no corner.
    rim = np.minimum(edges.points[at], np.array(coverage.shape[::-1]) - edges.points[at]).min(
        axis=1
    )
    truth[rim < 2.0, 1] = 0.0
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


def photographed(rng: np.random.Generator, faces: list[Path], nth: int) -> Drawn:
    """A page full of pictures as it comes back from a simulated photo, cleaned."""
    page = draw()
    scale = page.px_per_mm / PX_PER_MM
    side = int(SIDE * scale)
    ink = np.zeros_like(page.ink)
    found: list[list[F64]] = []
    for top in range(side // 2, ink.shape[0] - 3 * side // 2, side):
        for left in range(side // 2, ink.shape[1] - 3 * side // 2, side):
            inked = forms(rng, faces)
            large = shapely.affinity.scale(inked, scale, scale, origin=(0.0, 0.0))
            ink[top : top + side, left : left + side] = of_polygons(large, side).coverage
            small = of_polygons(inked, SIDE)
            place = np.array([left, top]) / page.px_per_mm
            found.append([small.corners / PX_PER_MM + place, small.turns,
                          small.tight / PX_PER_MM + place])  # fmt: skip
    conditions = Conditions(desk="wood", seed=nth, **PHOTOS[nth % len(PHOTOS)])
    shot = photograph(replace(page, ink=ink), conditions)
    cleaned = clean_photo(photo(shot, f"corners{nth}"), Settings())
    frame = cleaned.sheet.frame
    high, wide = cleaned.ink.coverage.shape
    fit_mm = np.array([frame.width_mm, frame.height_mm]) / [wide, high]
    columns, rows = np.meshgrid(np.linspace(0, wide, 9), np.linspace(0, high, 9))
    grid = np.stack((columns, rows), axis=-1).reshape(-1, 2)
    back = cv2.findHomography(shot.to_page(to_photo(frame, grid * fit_mm)), grid)[0]

    def seen(points: F64) -> F64:
        return np.asarray(cv2.perspectiveTransform(points[None], back)[0], np.float64)

    corners, turns, tight = (np.concatenate(part) for part in zip(*found, strict=True))
    return Drawn(cleaned.ink.coverage, seen(corners), turns, seen(tight))


def collect(svgs: Path, fonts: Path, pictures: int, photos: int, out: Path, seed: int = 1) -> None:
    """Draw, read and keep what ``fit`` needs."""
    rng = np.random.default_rng(seed)
    faces = sorted(fonts.rglob("*.[ot]tf"))
    values, truths = [], []

    def keep(picture: Drawn) -> None:
        value, truth = samples(picture, worn(rng, picture.coverage))
        values.append(value.astype(np.float16))
        truths.append(truth)

    for _ in range(pictures):
        keep(drawn(rng, faces))
    for path in sorted(svgs.glob("*.svg")):
        d = drawings.figure(path, int(rng.integers(280, 620)))
        keep(Drawn(d.coverage, d.corners, d.turns, d.tight))
    for nth in range(photos):
        picture = photographed(rng, faces, 10 * seed + nth)
        value, truth = samples(picture, picture.coverage)
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


def fit(data: list[Path], out: Path, rounds: int = 24, batch: int = 2048) -> None:
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
        collect(
            Path(given[1]),
            Path(given[2]),
            int(given[3]),
            int(given[4]),
            Path(given[5]),
            *map(int, given[6:]),
        )
    else:
        fit([Path(name) for name in given[1:-1]], Path(given[-1]))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
