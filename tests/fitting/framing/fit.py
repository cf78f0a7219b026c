"""Fit the network that tells the sheet: ``python -m tests.fitting.framing.fit MINUTES CORES OUT``.

Photos are made on the GPU meanwhile, from surfaces and art that other processes draw. They are
kept for a while, and each is shown a few times, turned, mirrored and tinted otherwise;
twenty-five minutes of half a GPU and five cores are one turn.
"""

from __future__ import annotations

import copy
import multiprocessing as mp
import queue
import sys
import time
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import torch
import torch.nn.functional as fn
from torch import Tensor

from tests.fitting.framing import art, surfaces
from tests.fitting.framing.net import LONG, SHORT, Sheets, folded, unfolded, write
from tests.fitting.framing.scenes import Photos, Pools, photos, sent

POOL, LEAST = 600, 40  # surfaces and pages kept; before these many nothing is fitted
KEPT, FIRST = 6000, 480  # photos kept; before these many nothing is fitted
MADE, STEPS = 24, 3  # photos made at a time, and steps of a batch each after that
RATE, DECAY, KEEP = 2.5e-3, 1e-3, 0.999
NEAR = 4.0  # what places near the sheet's sides count more
SIZES = ((LONG, SHORT), (SHORT, LONG))
SIDES, OTHERS = 0.4, 0.25  # weights of the losses of sides and other sheets
NEARER = 0.4  # share of batches of which a part is shown
WIDE = 21  # places about the sheet's sides that are near them


def draw(seed: int, out: Any) -> None:
    """Put surfaces and pages of art into a queue for ever."""
    cv2.setNumThreads(1)
    rng = np.random.default_rng([seed, time.time_ns()])
    while True:
        out.put(("tops", surfaces.surface(rng)))
        for _ in range(2):
            out.put(("art", art.page(rng)))


class Filling:
    """The pools, filled from the queue as things come."""

    def __init__(self, device: str, source: Any, size: int) -> None:
        self.source, self.size = source, size
        side = surfaces.SIDE
        self.all = {
            "tops": torch.zeros(size, 3, side, side, dtype=torch.uint8, device=device),
            "art": torch.zeros(
                size, 3, art.SMALL[1], art.SMALL[0], dtype=torch.uint8, device=device
            ),
        }
        self.seen = {"tops": 0, "art": 0}

    def take(self, most: int) -> None:
        """Take up to so many that wait."""
        for _ in range(most):
            try:
                kind, picture = self.source.get_nowait()
            except queue.Empty:
                return
            told = torch.from_numpy(picture).permute(2, 0, 1)
            self.all[kind][self.seen[kind] % self.size] = told.to(self.all[kind].device)
            self.seen[kind] += 1

    def wait(self, least: int) -> None:
        """Take until there are so many of both."""
        while min(self.seen.values()) < least:
            self.take(50)
            time.sleep(0.05)

    def pools(self) -> Pools:
        """Return what is there."""
        tops, pages = (
            self.all[kind][: min(self.seen[kind], self.size)] for kind in ("tops", "art")
        )
        return Pools(tops, pages)


class Kept:
    """Photos that are kept, the wider side across: the oldest make place for new ones."""

    def __init__(self, device: str, size: int) -> None:
        high, wide = SHORT // 2, LONG // 2
        shapes = ((3, SHORT, LONG), (high, wide), (high, wide), (high, wide))
        self.parts = [
            torch.zeros(size, *shape, dtype=torch.uint8, device=device) for shape in shapes
        ]
        self.size, self.seen = size, 0

    def put(self, some: Photos) -> None:
        """Keep some photos more."""
        many = len(some.codes)
        at = self.seen % self.size
        for kept, part in zip(self.parts, some.parts(), strict=True):
            upright = part.transpose(-1, -2) if part.shape[-1] < part.shape[-2] else part
            codes = upright if kept.dim() == 4 else (upright * 255).round()
            kept[at : at + many] = codes.to(torch.uint8)[: self.size - at]
        self.seen += many

    def some(self, rng: np.random.Generator, many: int) -> Photos:
        """Return photos by chance, mirrored, turned, nearer and tinted by chance."""
        device = self.parts[0].device
        which = sent(rng.integers(0, min(self.seen, self.size), many), device)
        parts = [part[which] for part in self.parts]
        codes, *told = (part.float() for part in parts)
        told = [part / 255 for part in told]
        if rng.random() < NEARER:
            codes, told = _nearer(rng, codes, told)
        gain = sent(np.exp(rng.normal(0, 0.04, (many, 3, 1, 1))).astype(np.float32), device)
        dark = sent(np.exp(rng.normal(0, 0.12, (many, 1, 1, 1))).astype(np.float32), device)
        codes = ((codes / 255).clamp_min(1e-3) ** dark * gain * 255).round().clamp(0, 255)
        turned = [axis for axis in (-1, -2) if rng.random() < 0.5]
        parts = [codes, *told]
        if turned:
            parts = [part.flip(turned) for part in parts]
        if rng.random() < 0.5:
            parts = [part.transpose(-1, -2) for part in parts]
        return Photos(parts[0], parts[1], (parts[2] > 0.5).float(), parts[3])


def _nearer(
    rng: np.random.Generator, codes: Tensor, told: list[Tensor]
) -> tuple[Tensor, list[Tensor]]:
    """Return pictures and maps of the same part of each photo, drawn out to the whole."""
    many = len(codes)
    size = rng.uniform(0.82, 1.0, (many, 1)) * rng.uniform(0.96, 1.0, (many, 2))
    shift = rng.uniform(-1, 1, (many, 2)) * (1 - size)
    part = np.zeros((many, 2, 3), np.float32)
    part[:, 0, 0], part[:, 1, 1], part[:, :, 2] = size[:, 0], size[:, 1], shift
    place = sent(part, codes.device)
    grid = fn.affine_grid(place, list(codes.shape), align_corners=False)
    codes = fn.grid_sample(codes, grid, "bilinear", "border", align_corners=False)
    maps = torch.stack(told, 1)
    grid = fn.affine_grid(place, list(maps.shape), align_corners=False)
    maps = fn.grid_sample(maps, grid, "bilinear", "border", align_corners=False)
    return codes, list(maps.unbind(1))


def loss_of(odds: Tensor, truth: Photos) -> Tensor:
    """Return what the log-odds of sheet and sides miss of the truth."""
    told = unfolded(odds.float())
    sheet, sides = truth.sheet, truth.sides
    wide = _most(sheet) + _most(-sheet)
    weight = 1 + NEAR * wide.clamp(0, 1)
    each = fn.binary_cross_entropy_with_logits(told[:, 0], sheet, reduction="none") * weight
    share = torch.sigmoid(told[:, 0])
    both = (share * sheet).sum((1, 2)) + 50
    dice = 1 - 2 * both / ((share**2).sum((1, 2)) + (sheet**2).sum((1, 2)) + 100)
    edge = fn.binary_cross_entropy_with_logits(told[:, 1], sides, pos_weight=told.new_tensor(3.0))
    rest = fn.binary_cross_entropy_with_logits(told[:, 2], truth.others)
    return each.mean() + 0.5 * dice.mean() + SIDES * edge + OTHERS * rest


def _most(share: Tensor) -> Tensor:
    """Return the largest of the places around each, (N, H, W)."""
    across = fn.max_pool2d(share[:, None], (1, WIDE), 1, (0, WIDE // 2))
    return fn.max_pool2d(across, (WIDE, 1), 1, (WIDE // 2, 0))[:, 0]


def figures(net: Sheets, tests: list[Photos]) -> str:
    """Return how well the network does on photos that are kept."""
    net.eval()
    over, sides = [], []
    for some in tests:
        with torch.no_grad():
            told = unfolded(net(folded(some.codes)).float())
        mask, true = told[:, 0] > 0, some.sheet > 0.5
        over.append((mask & true).sum((1, 2)) / (mask | true).sum((1, 2)).clamp_min(1))
        edge = some.sides > 0.5
        hit = ((told[:, 1] > 0) & edge).sum((1, 2))
        sides.append(hit / edge.sum((1, 2)).clamp_min(1))
    one = torch.cat(over)
    few = " ".join(f"{float(one.quantile(q)):.3f}" for q in (0.1, 0.25, 0.5, 0.75))
    return (
        f"IoU mean {float(one.mean()):.4f} quantiles {few}, "
        f"over .97 {float((one > 0.97).float().mean()):.3f}, "
        f"sides {float(torch.cat(sides).mean()):.3f}"
    )


def shown(net: Sheets, tests: list[Photos], out: Path) -> None:
    """Write photos beside what the network sees."""
    rows = []
    for some in tests:
        with torch.no_grad():
            told = torch.sigmoid(unfolded(net(folded(some.codes[:6])).float()))
        row = []
        for k in range(len(told)):
            picture = some.codes[k].permute(1, 2, 0).cpu().numpy()[..., ::-1]
            small = cv2.resize(
                picture, (told.shape[3], told.shape[2]), interpolation=cv2.INTER_AREA
            )
            maps = [(told[k, j].cpu().numpy() * 255).astype(np.uint8) for j in (0, 1, 2)]
            both = np.vstack([small, *(cv2.cvtColor(m, cv2.COLOR_GRAY2BGR) for m in maps)])
            row.append(cv2.resize(both, (240, 720)))
        rows.append(np.hstack(row))
    cv2.imwrite(str(out), np.vstack(rows), [cv2.IMWRITE_JPEG_QUALITY, 88])


class Fitting:
    """The network, its running mean, and the photos that it is fitted on."""

    def __init__(self, filling: Filling, rng: np.random.Generator, batch: int, kept: int) -> None:
        self.filling, self.rng, self.batch = filling, rng, batch
        self.device = filling.all["tops"].device.type
        self.kept = Kept(self.device, kept)
        self.net = Sheets().to(self.device).to(memory_format=torch.channels_last)
        self.mean = copy.deepcopy(self.net)
        self.steps = torch.optim.AdamW(
            self.net.parameters(), RATE, weight_decay=DECAY, fused=self.device == "cuda"
        )
        self.step = 0
        pairs = zip(self.mean.state_dict().values(), self.net.state_dict().values(), strict=True)
        real = [pair for pair in pairs if pair[0].dtype.is_floating_point]
        self.means, self.owns = [p[0] for p in real], [p[1] for p in real]

    def make(self) -> None:
        """Make photos and keep them."""
        size = SIZES[int(self.rng.integers(0, 2))]
        self.filling.take(12)
        with torch.no_grad():
            self.kept.put(photos(self.rng, self.filling.pools(), min(MADE, self.batch), size))

    def go_on(self, part: float) -> Tensor:
        """Fit on some photos, ``part`` of the time gone; return the loss."""
        cosine = 0.01 + 0.99 * (0.5 + 0.5 * np.cos(np.pi * min(part, 1.0)))
        for group in self.steps.param_groups:
            group["lr"] = RATE * min(1.0, (self.step + 1) / 300) * cosine
        with torch.no_grad():
            some = self.kept.some(self.rng, self.batch)
        self.net.train()
        with torch.autocast(self.device, torch.bfloat16, enabled=self.device == "cuda"):
            odds = self.net(folded(some.codes).contiguous(memory_format=torch.channels_last))
        loss = loss_of(odds, some)
        self.steps.zero_grad()
        loss.backward()
        torch.nn.utils.clip_grad_norm_(self.net.parameters(), 1.0)
        self.steps.step()
        keep = min(KEEP, (1 + self.step) / (10 + self.step))
        with torch.no_grad():
            torch._foreach_lerp_(self.means, self.owns, 1 - keep)
        self.step += 1
        return loss.detach()


def main(
    minutes: float, cores: int, out: Path, batch: int = 48, pool: int = POOL, kept: int = KEPT
) -> None:
    """Fit for so many minutes, then write the network."""
    out.mkdir(parents=True, exist_ok=True)
    began = time.time()
    source: Any = mp.get_context("fork").Queue(64)
    for k in range(max(1, cores - 1)):
        mp.get_context("fork").Process(target=draw, args=(k, source), daemon=True).start()
    torch.manual_seed(1)
    torch.set_num_threads(2)
    torch.backends.cudnn.benchmark = True
    rng = np.random.default_rng(time.time_ns())
    filling = Filling("cuda" if torch.cuda.is_available() else "cpu", source, pool)
    filling.wait(min(LEAST, pool))
    fitting = Fitting(filling, rng, batch, kept)
    few, sets = min(batch, 16), 12 if pool == POOL else 2
    with torch.no_grad():
        tests = [photos(rng, filling.pools(), few, SIZES[k % 2]) for k in range(sets)]
    while fitting.kept.seen < min(FIRST, kept):
        fitting.make()
    print(f"began after {time.time() - began:.0f} s", flush=True)
    losses: list[Tensor] = []
    said, made = time.time(), 0.0
    while (part := (time.time() - began) / (60 * minutes)) < 1:
        fitting.make()
        losses += [fitting.go_on(part) for _ in range(STEPS)]
        if time.time() - said > min(60, 6 * minutes):
            mean = float(torch.stack(losses).mean())
            print(
                f"{time.time() - began:5.0f} s, step {fitting.step}, loss {mean:.4f}, "
                f"photos {fitting.kept.seen}, surfaces {filling.seen['tops']}; "
                f"{figures(fitting.mean, tests)}",
                flush=True,
            )
            said, losses = time.time(), []
            if said - made > min(150, 12 * minutes):
                made = said
                write(fitting.mean, out / "part.gz")
                (out / "part.gz").replace(out / "sheets.onnx.gz")
    print(f"after {fitting.step} steps: {figures(fitting.mean, tests)}", flush=True)
    write(fitting.mean, out / "sheets.onnx.gz")
    shown(fitting.mean.eval(), tests, out / "shown.jpg")


if __name__ == "__main__":
    main(float(sys.argv[1]), int(sys.argv[2]), Path(sys.argv[3]), *(int(a) for a in sys.argv[4:]))
