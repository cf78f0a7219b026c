"""Fit the network that tells the sheet: ``python -m tests.fitting.framing.fit MINUTES CORES OUT``.

Photos are made on the GPU meanwhile, from surfaces and art that other processes draw; twenty
minutes of a third of a GPU and six cores are one turn.
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
from tests.fitting.framing.scenes import Photos, Pools, photos

POOL, LEAST = 360, 40  # surfaces and pages kept; before these many nothing is fitted
RATE, DECAY, KEEP = 2.5e-3, 1e-3, 0.999
NEAR = 4.0  # what places near the sheet's sides count more
SIZES = ((LONG, SHORT), (SHORT, LONG))
SIDES = 0.4  # weight of the sides' loss


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


def joined(parts: list[Photos]) -> Photos:
    """Return several sets of photos of one size as one."""
    return Photos(
        *(torch.cat([getattr(p, name) for p in parts]) for name in ("codes", "sheet", "sides"))
    )


def loss_of(odds: Tensor, truth: Photos) -> Tensor:
    """Return what the log-odds of sheet and sides miss of the truth."""
    told = unfolded(odds.float())
    sheet, sides = truth.sheet, truth.sides
    wide = fn.max_pool2d(sheet[:, None], 21, 1, 10) + fn.max_pool2d(-sheet[:, None], 21, 1, 10)
    weight = 1 + NEAR * wide[:, 0].clamp(0, 1)
    each = fn.binary_cross_entropy_with_logits(told[:, 0], sheet, reduction="none") * weight
    share = torch.sigmoid(told[:, 0])
    both = (share * sheet).sum((1, 2)) + 50
    dice = 1 - 2 * both / ((share**2).sum((1, 2)) + (sheet**2).sum((1, 2)) + 100)
    edge = fn.binary_cross_entropy_with_logits(told[:, 1], sides, pos_weight=told.new_tensor(3.0))
    return each.mean() + 0.5 * dice.mean() + SIDES * edge


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
            maps = [(told[k, j].cpu().numpy() * 255).astype(np.uint8) for j in (0, 1)]
            both = np.vstack([small, *(cv2.cvtColor(m, cv2.COLOR_GRAY2BGR) for m in maps)])
            row.append(cv2.resize(both, (240, 540)))
        rows.append(np.hstack(row))
    cv2.imwrite(str(out), np.vstack(rows), [cv2.IMWRITE_JPEG_QUALITY, 88])


class Fitting:
    """The network, its running mean, and the photos that it is fitted on."""

    def __init__(
        self, filling: Filling, rng: np.random.Generator, batch: int, began: float
    ) -> None:
        self.filling, self.rng, self.batch, self.began = filling, rng, batch, began
        self.device = filling.all["tops"].device.type
        self.net = Sheets().to(self.device).to(memory_format=torch.channels_last)
        self.mean = copy.deepcopy(self.net)
        self.steps = torch.optim.AdamW(self.net.parameters(), RATE, weight_decay=DECAY)
        self.step = 0

    def some(self) -> Photos:
        """Return photos of one size, mirrored or not."""
        size = SIZES[int(self.rng.integers(0, 2))]
        with torch.no_grad():
            pools = self.filling.pools()
            some = joined([photos(self.rng, pools, self.batch // 2, size) for _ in range(2)])
            turned = [axis for axis in (-1, -2) if self.rng.random() < 0.5]
            if turned:
                some = Photos(*(t.flip(turned) for t in (some.codes, some.sheet, some.sides)))
        return some

    def go_on(self, part: float) -> float:
        """Fit on some photos, ``part`` of the time gone; return the loss."""
        cosine = 0.02 + 0.98 * (0.5 + 0.5 * np.cos(np.pi * part))
        for group in self.steps.param_groups:
            group["lr"] = RATE * min(1.0, self.step / 300) * cosine
        some = self.some()
        self.net.train()
        with torch.autocast(self.device, torch.bfloat16, enabled=self.device == "cuda"):
            odds = self.net(folded(some.codes).contiguous(memory_format=torch.channels_last))
        loss = loss_of(odds, some)
        self.steps.zero_grad()
        loss.backward()
        torch.nn.utils.clip_grad_norm_(self.net.parameters(), 1.0)
        self.steps.step()
        keep = min(KEEP, (1 + self.step) / (10 + self.step))
        own = self.net.state_dict()
        with torch.no_grad():
            for name, value in self.mean.state_dict().items():
                if value.dtype.is_floating_point:
                    value.lerp_(own[name], 1 - keep)
        self.step += 1
        self.filling.take(12)
        return float(loss.detach())


def main(minutes: float, cores: int, out: Path, batch: int = 48, pool: int = POOL) -> None:
    """Fit for so many minutes, then write the network."""
    out.mkdir(parents=True, exist_ok=True)
    source: Any = mp.get_context("fork").Queue(64)
    for k in range(max(1, cores - 1)):
        mp.get_context("fork").Process(target=draw, args=(k, source), daemon=True).start()
    began = time.time()
    torch.manual_seed(1)
    torch.set_num_threads(2)
    rng = np.random.default_rng(time.time_ns())
    filling = Filling("cuda" if torch.cuda.is_available() else "cpu", source, pool)
    filling.wait(min(LEAST, pool))
    fitting = Fitting(filling, rng, batch, began)
    few = min(batch, 16)
    tests = [
        photos(rng, filling.pools(), few, SIZES[k % 2]) for k in range(12 if pool == POOL else 2)
    ]
    print(f"began after {time.time() - began:.0f} s", flush=True)
    losses, half, said = [], False, time.time()
    while (part := (time.time() - began) / (60 * minutes)) < 1:
        losses.append(fitting.go_on(part))
        if time.time() - said > min(30, 6 * minutes):
            print(
                f"{time.time() - began:5.0f} s, step {fitting.step}, loss {np.mean(losses):.4f}, "
                f"surfaces {filling.seen['tops']}; {figures(fitting.mean, tests)}",
                flush=True,
            )
            said, losses = time.time(), []
            write(fitting.mean, out / "part.gz")
            (out / "part.gz").replace(out / "sheets.onnx.gz")
            if part > 0.5 and not half:
                half = True
                write(fitting.mean, out / "half.onnx.gz")
    print(f"after {fitting.step} steps: {figures(fitting.mean, tests)}", flush=True)
    write(fitting.mean, out / "sheets.onnx.gz")
    shown(fitting.mean.eval(), tests, out / "shown.jpg")


if __name__ == "__main__":
    main(float(sys.argv[1]), int(sys.argv[2]), Path(sys.argv[3]), *(int(a) for a in sys.argv[4:]))
