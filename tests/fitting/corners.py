"""Fits the network that tells true corners (``inkclean/curves/outlines/corners.f32``).

``python -m tests.fitting.corners collect FONTS PICTURES DATA SEED`` draws PICTURES, letters of
the fonts in the folder FONTS among them (``outlines.py``); ``... figures SVGS PICTURES DATA SEED``
takes drawings of filled shapes (``peeps`` of ``areas/svgs.mjs``: Open Peeps, Pablo Stanley, CC0),
turned, mirrored, 256 to 720 px wide; ``... fit DATA... NETWORK.f32`` fits on what they kept, and a
file named twice counts twice; ``... teach NETWORK... DATA TAUGHT`` puts what several networks say
in place of what is true: one that is fitted on this does nearly as well as all of them together. A
network named ``a-160-64.f32`` has inner layers of those sizes, else it has the package's. No
drawing that the benchmarks measure is among them, nor should a font be that they do.

A point of the edge counts as a corner's if it is the nearest to it; the points beside it count
the less the further they lie. Bends of 25 to 40 degrees and round ones no raster tells from a
corner are left out.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Iterable
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np
import torch
from scipy.spatial import cKDTree

from inkclean.base.arrays import F32, F64
from inkclean.curves.outlines.corners import turning
from inkclean.curves.outlines.edges import find_edges
from inkclean.curves.outlines.judge import LAYERS, run_network, unpack
from inkclean.curves.outlines.surroundings import SIZE, both_sides, look_around
from tests.curves import drawings
from tests.fitting.outlines import Drawn, drawn

_TURNED = 0.7
"""Share of the open drawings that are turned."""
_CORNER = 40.0
_BEND = 25.0
_TIP_PX = 6.0
_NEAR_PX = 1.8
_PLACE = 0.2
"""What a px of the corner's place weighs against its odds."""
_AT_ONCE = 8192
_BESIDE = 0.35
"""Points that are further from the corner than the nearest count by a bell of so many px."""


def samples(picture: Drawn, coverage: F32) -> tuple[F32, F32]:
    """What lies about all points where the edge of ``coverage`` turns, and what is true of them:
    the share to which they are a corner's, weight, and its place (x, y) in their frame.
    """
    edges = find_edges(coverage)
    if edges.loops.size == 1:
        return np.zeros((0, SIZE), np.float32), np.zeros((0, 4), np.float32)
    points, core, at = turning(edges)
    about = look_around(points, core[at], coverage, edges.blur, edges.noise)
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
    offset = np.zeros((at.size, 2))
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
        for step in (-1, 0, 1):
            point = edges.loops[loop] + (nearest - edges.loops[loop] + step) % length[loop]
            nth = number[point]
            if nth < 0:
                continue
            away = corner - points[core[point]]
            far = np.hypot(*away)
            share = np.exp(-((far - off) ** 2) / (2.0 * _BESIDE**2))
            if off > _NEAR_PX and step == 0:
                truth[nth, 1] = 1.0
            if share > truth[nth, 0]:
                truth[nth, 0] = share
                offset[nth] = away
    truth[:, 2:] = about.to_frame(offset)
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
    keep((drawn(rng, faces) for _ in range(pictures)), rng, out)


def figures(svgs: Path, pictures: int, out: Path, seed: int) -> None:
    """Take open drawings and keep what ``fit`` needs."""
    rng = np.random.default_rng(seed)
    files = sorted((svgs / "peeps").glob("*.svg"))

    def one() -> Drawn:
        file = files[rng.integers(len(files))]
        text = re.sub(r"<metadata.*?</metadata>", "", file.read_text("utf-8"), flags=re.DOTALL)
        if rng.random() < _TURNED:
            text = turned(text, rng)
        seen = drawings.figure(file, int(rng.uniform(256, 720)), text)
        return Drawn(seen.coverage, seen.corners, seen.turns, seen.tight)

    keep((one() for _ in range(pictures)), rng, out)


def turned(text: str, rng: np.random.Generator) -> str:
    """The SVG's drawing turned about its middle at random, and every other time mirrored."""
    box = re.search(r'viewBox="([-\d. ]+)"', text)
    assert box
    left, top, wide, high = (float(n) for n in box[1].split())
    turn = f"rotate({rng.uniform(0, 360):.2f} {left + wide / 2} {top + high / 2})"
    if rng.random() < 0.5:
        turn += f" translate({2 * left + wide} 0) scale(-1 1)"
    first, last = text.index(">", text.index("<svg")) + 1, text.rindex("</svg>")
    return f'{text[:first]}<g transform="{turn}">{text[first:last]}</g>{text[last:]}'


def keep(pictures: Iterable[Drawn], rng: np.random.Generator, out: Path) -> None:
    """Wear the pictures and write what is seen and true of them."""
    values, truths = [], []
    for picture in pictures:
        value, truth = samples(picture, worn(rng, picture.coverage))
        values.append(value.astype(np.float16))
        truths.append(truth)
    np.savez(out, values=np.concatenate(values), truth=np.concatenate(truths))


def sizes_of(network: Path) -> tuple[int, ...]:
    """Sizes of all layers, by the file's name."""
    inner = tuple(map(int, re.findall(r"(?<=-)\d+", network.stem)))
    return (SIZE, *inner, LAYERS[-1]) if inner else LAYERS


def teach(networks: list[Path], data: Path, out: Path) -> None:
    """Write ``data`` anew, true now what the ``networks`` say on the whole, from either side."""
    teachers = [unpack(path.read_bytes(), sizes_of(path)) for path in networks]
    values = np.load(data)["values"]
    truth = np.ones((len(values), 4), np.float32)
    for first in range(0, len(values), _AT_ONCE):
        part = slice(first, first + _AT_ONCE)
        seen = values[part].astype(np.float32)
        one, other = (
            np.mean([run_network(layers, way) for layers in teachers], axis=0)
            for way in (seen, both_sides(seen))
        )
        other[:, 1] *= -1.0
        odds, *place = ((one + other) / 2.0).T
        truth[part, 0] = 1.0 / (1.0 + np.exp(-odds))
        truth[part, 2], truth[part, 3] = place
    np.savez(out, values=values, truth=truth)


class Judge(torch.nn.Module):
    """The network as the package runs it."""

    def __init__(self, mean: F64, spread: F64, sizes: tuple[int, ...] = LAYERS) -> None:
        super().__init__()
        self.mean = torch.tensor(mean, dtype=torch.float32)
        self.spread = torch.tensor(spread, dtype=torch.float32)
        self.layers = torch.nn.ModuleList(torch.nn.Linear(a, b) for a, b in pairwise(sizes))

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
    net = Judge(some.mean(0), some.std(0) + 0.05, sizes_of(out))
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
            told, right = net(torch.from_numpy(x)), torch.from_numpy(y)
            odds = torch.nn.functional.binary_cross_entropy_with_logits(told[:, 0], right[:, 0])
            off = torch.nn.functional.smooth_l1_loss(
                told[:, 1:], right[:, 2:], reduction="none", beta=0.2
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
    """Collect, teach or fit."""
    if given[0] in ("collect", "figures"):
        source, pictures, out, seed = given[1:]
        work = collect if given[0] == "collect" else figures
        work(Path(source), int(pictures), Path(out), int(seed))
    elif given[0] == "teach":
        *networks, data, out_file = map(Path, given[1:])
        teach(networks, data, out_file)
    else:
        fit([Path(name) for name in given[1:-1]], Path(given[-1]))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
