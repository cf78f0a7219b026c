"""Fits the network that tells ink from all else, on pages drawn while it fits.

Run: ``python -m tests.fitting.ink.fit ART MINUTES PROCESSES OUT`` with the folder that
``tests.fitting.ink.art`` wrote. Starts from ``checkpoint.pt`` in ART, or from an ``ink.onnx``
there that was written before. Writes the
network (``ink.onnx``), ``checkpoint.pt``, ``log.txt`` and pictures of what it sees into OUT.
AdamW: Loshchilov, Hutter, ICLR 2019; the Dice loss: Milletari, Navab, Ahmadi, 3DV 2016.
"""

from __future__ import annotations

import copy
import math
import multiprocessing
import sys
import threading
import time
from collections import deque
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import torch
import torch.nn.functional as fn
from torch import Tensor

from inkclean.base.arrays import U8
from tests.fitting.ink import net as nets
from tests.fitting.ink.marks import Art, page
from tests.fitting.ink.strokes import DENSITY_ONE, PX_PER_MM, SIDE
from tests.fitting.ink.wear import Pieces, Seen, worn

CROP = 384  # px of what the network sees
RATE, RATE_AGAIN = 2.5e-3, 1e-3
MEAN = 0.998  # of the running mean of weights
SCALES = ((4.0, 10.0), (8.5, 22.0))  # px/mm, of coarse and fine batches
LEVEL = 0.6  # share of pieces that lie level, as pages do
EDGES = 2.0  # what pixels at edges count on top
RESERVE_S = 25.0  # to write everything at the end


def drawing(art: str, seed: int, out: Any) -> None:
    """Draw pages for ever, each as coverage (SIDE²) and nature (3, SIDE / 2, SIDE / 2)."""
    cv2.setNumThreads(1)
    rng, drawn = np.random.default_rng(seed), Art(Path(art))
    while True:
        maps = page(rng, drawn)
        nature = np.ascontiguousarray(maps.nature[::2, ::2].transpose(2, 0, 1))
        out.put((maps.coverage(), nature))


def collected(queue: Any) -> deque[tuple[U8, U8]]:
    """Return pages as they come, unpacked by a thread of its own."""
    ready: deque[tuple[U8, U8]] = deque(maxlen=64)

    def unpack() -> None:
        while True:
            ready.append(queue.get())

    threading.Thread(target=unpack, daemon=True).start()
    return ready


class Pool:
    """The pages drawn last."""

    def __init__(self, size: int, device: torch.device) -> None:
        """Make room."""
        self.cover = torch.zeros((size, SIDE, SIDE), dtype=torch.uint8, device=device)
        self.nature = torch.zeros((size, 3, SIDE // 2, SIDE // 2), dtype=torch.uint8, device=device)
        self.size, self.count, self.device = size, 0, device

    def add(self, cover: U8, nature: U8) -> None:
        """Keep a page in place of the oldest."""
        at = self.count % self.size
        self.cover[at] = torch.from_numpy(cover).to(self.device)
        self.nature[at] = torch.from_numpy(nature).to(self.device)
        self.count += 1

    def take(self, ready: deque[tuple[U8, U8]], most: int) -> None:
        """Keep what lies ready."""
        for _ in range(min(most, len(ready))):
            self.add(*ready.popleft())

    def pieces(self, n: int, coarse: bool) -> Pieces:
        """Return crops at twice the network's scale, turned and mirrored."""
        device = self.device
        low, high = SCALES[0 if coarse else 1]
        per_mm = 2 * torch.exp(
            torch.rand(n, device=device) * (math.log(high) - math.log(low)) + math.log(low)
        )
        main = self._maps(n, per_mm, coarse, nature=True)
        behind = self._maps(n, per_mm, coarse, nature=False)
        pencil = self._maps(n, per_mm, coarse, nature=False)
        return Pieces(
            cover=main[:, 0],
            density=main[:, 1] * (255 / DENSITY_ONE),
            dry=main[:, 2],
            broad=main[:, 3],
            behind=behind[:, 0],
            pencil=pencil[:, 0],
            per_mm=per_mm,
        )

    def _maps(self, n: int, per_mm: Tensor, coarse: bool, *, nature: bool) -> Tensor:
        device = self.device
        which = torch.randint(min(self.count, self.size), (n,), device=device)
        half = CROP / (per_mm / PX_PER_MM) / (SIDE / 2)  # of the page's half side
        turn = torch.rand(n, device=device) * 2 * math.pi
        level = torch.round(turn * 2 / math.pi) * math.pi / 2 + 0.03 * torch.randn(n, device=device)
        turn = torch.where(torch.rand(n, device=device) < LEVEL, level, turn)
        flip = torch.where(torch.rand(n, device=device) < 0.5, 1.0, -1.0)
        room = (1 - half).clamp_min(0)
        x, y = ((torch.rand(n, device=device) * 2 - 1) * room for _ in range(2))
        cos, sin = torch.cos(turn) * half, torch.sin(turn) * half
        matrix = torch.stack(
            [torch.stack([cos * flip, -sin, x], 1), torch.stack([sin * flip, cos, y], 1)], 1
        )
        grid = fn.affine_grid(matrix, [n, 1, 2 * CROP, 2 * CROP], align_corners=False)
        cover = self.cover[which][:, None].float()
        if coarse:
            cover = fn.avg_pool2d(cover, 2)
        found = [fn.grid_sample(cover, grid, align_corners=False)]
        if nature:
            made = self.nature[which].float()
            found.append(fn.grid_sample(made, grid, mode="nearest", align_corners=False))
        return torch.cat(found, 1).float() / 255


def loss_of(odds: Tensor, seen: Seen) -> Tensor:
    """Return cross-entropy, heavier at edges, and what the Dice measure lacks."""
    truth, vote = seen.truth, seen.vote
    rim = fn.max_pool2d(truth[:, None], 3, 1, 1) + fn.max_pool2d(-truth[:, None], 3, 1, 1)
    weight = vote * (1 + EDGES * rim[:, 0])
    each = fn.binary_cross_entropy_with_logits(odds, truth, reduction="none")
    entropy = (each * weight).sum() / weight.sum()
    told = torch.sigmoid(odds) * vote
    both, all_ink = (told * truth).sum((1, 2)), (told + truth * vote).sum((1, 2))
    dice = 1 - (2 * both + 50) / (all_ink + 50)
    return entropy + 0.5 * dice.mean()


def pictures(seen: Seen, odds: Tensor, out: Path) -> None:
    """Write input, truth and output of some pieces side by side."""
    rows = []
    for k in range(min(12, len(odds))):
        parts = [1 - seen.dark[k], 1 - seen.truth[k] * (0.5 + 0.5 * seen.vote[k])]
        parts.append(1 - torch.sigmoid(odds[k]))
        rows.append(np.hstack([(p.float().cpu().numpy() * 255).astype(np.uint8) for p in parts]))
    half = len(rows) // 2
    sheet = np.hstack([np.vstack(rows[:half]), np.vstack(rows[half : 2 * half])])
    cv2.imwrite(str(out), sheet)


class Fitting:
    """A network, the running mean of its weights, and what moves them."""

    def __init__(self, device: torch.device, art: Path, seen: Seen) -> None:
        """Start from the checkpoint in ``art``, or the network that ships, if it is there."""
        self.device, self.fast = device, device.type == "cuda"
        start, shipped = art / "checkpoint.pt", art / "ink.onnx"
        net = nets.InkNet()
        if shipped.exists() and not start.exists():
            net = nets.read(shipped, nets.folded(seen.dark, seen.level).cpu())
        self.net = net.to(device).to(memory_format=torch.channels_last)
        self.mean, self.rate, self.steps, self.done = copy.deepcopy(self.net), RATE, 0, 0
        self.going_on = False
        if start.exists():
            kept = torch.load(start, map_location=device)
            self.net.load_state_dict(kept["weights"])
            self.mean.load_state_dict(kept["mean"])
            self.steps = kept["steps"]
        if start.exists() or shipped.exists():
            self.rate, self.going_on = RATE_AGAIN, True
        self.optimiser = torch.optim.AdamW(self.net.parameters(), self.rate, weight_decay=1e-4)

    def step(self, seen: Seen, share: float) -> Tensor:
        """Take one step on pieces after ``share`` of the time; return the loss."""
        fall = 0.5 * (1 + math.cos(math.pi * share))
        for group in self.optimiser.param_groups:
            group["lr"] = self.rate * min(1, self.done / 150 + 0.01) * fall
        given = nets.folded(seen.dark, seen.level).to(memory_format=torch.channels_last)
        with torch.autocast(self.device.type, torch.bfloat16, enabled=self.fast):
            odds = self.net(given)
        loss = loss_of(nets.unfolded(odds.float()), seen)
        self.optimiser.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(self.net.parameters(), 2.0)
        self.optimiser.step()
        keep = MEAN if self.going_on else min(MEAN, (self.done + 1) / (self.done + 20))
        with torch.no_grad():
            states = self.mean.state_dict().values(), self.net.state_dict().values()
            for ours, theirs in zip(*states, strict=True):
                if ours.is_floating_point():
                    ours.lerp_(theirs, 1 - keep)
                else:
                    ours.copy_(theirs)
        self.done += 1
        return loss.detach()

    def finish(self, pool: Pool, out: Path) -> None:
        """Write checkpoint, network, and pictures."""
        state = {
            "weights": self.net.state_dict(),
            "mean": self.mean.state_dict(),
            "steps": self.steps + self.done,
        }
        torch.save(state, out / "checkpoint.pt")
        mean = self.mean.eval()
        with torch.no_grad():
            for coarse in (True, False):
                seen = worn(pool.pieces(12, coarse))
                odds = nets.unfolded(mean(nets.folded(seen.dark, seen.level)).float())
                pictures(seen, odds, out / f"{'coarse' if coarse else 'fine'}.png")
            nets.write(mean.cpu().to(memory_format=torch.contiguous_format), out / "ink.onnx")


def halves(seen: Seen) -> list[Seen]:
    """Return the pieces in two parts."""
    half = len(seen.dark) // 2
    parts = slice(half), slice(half, None)
    return [Seen(seen.dark[p], seen.level[p], seen.truth[p], seen.vote[p]) for p in parts]


def fit(art: Path, minutes: float, processes: int, out: Path) -> None:
    """Fit for so many minutes, everything counted, and write the network."""
    began = time.time()
    last = began + 60 * minutes - min(RESERVE_S, 12 * minutes)
    out.mkdir(parents=True, exist_ok=True)
    context = multiprocessing.get_context("fork")
    queue = context.Queue(3 * processes)
    first = int(began) % 100_000 * 100
    workers = [
        context.Process(target=drawing, args=(str(art), first + k, queue), daemon=True)
        for k in range(processes)
    ]
    for worker in workers:
        worker.start()
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    fast = device.type == "cuda"
    torch.manual_seed(first)
    torch.backends.cudnn.allow_tf32 = False
    torch.backends.cudnn.benchmark = True
    pool, ready = Pool(2400 if fast else 24, device), collected(queue)
    while pool.count < (64 if fast else 6):
        pool.take(ready, 8)
        time.sleep(0.01)
    fitting = Fitting(device, art, worn(pool.pieces(8 if fast else 2, coarse=False)))
    log = (out / "log.txt").open("w")

    def say(text: str) -> None:
        print(text, flush=True)
        log.write(text + "\n")
        log.flush()

    start, total, every = time.time(), 0.0, 100 if fast else 4
    say(f"{start - began:.0f} s to start, {pool.count} pages")
    while (now := time.time()) < last:
        share = (now - start) / (last - start)
        pool.take(ready, 6)
        seen = worn(pool.pieces(128 if fast else 4, coarse=bool(torch.rand(()) < 0.4)))
        for part in halves(seen):
            total = total + fitting.step(part, share)
        if fitting.done % every == 0:
            say(
                f"{fitting.done} steps, {share:.2f}, loss {float(total) / every:.4f}, "
                f"{fitting.done / (now - start):.2f} steps/s, "
                f"{pool.count / (now - began):.1f} pages/s"
            )
            total = 0.0
    for worker in workers:
        worker.terminate()
    fitting.finish(pool, out)
    say(f"{time.time() - began:.0f} s, {fitting.steps + fitting.done} steps in all")
    log.close()


if __name__ == "__main__":
    fit(Path(sys.argv[1]), float(sys.argv[2]), int(sys.argv[3]), Path(sys.argv[4]))
