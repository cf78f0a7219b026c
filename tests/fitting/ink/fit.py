"""Fits the network that tells ink from all else, on pages drawn while it fits.

Run: ``python -m tests.fitting.ink.fit ART MINUTES PROCESSES OUT [FROM TO]`` with the folder that
``tests.fitting.ink.art`` wrote; FROM and TO are the shares of the whole fitting that this run
begins and ends with (0 and 1). Starts from ``mean.pt`` and ``weights.pt`` in ART, or from an
``ink.onnx`` there that was written before, whose shape it keeps; else from nothing. Writes all
three into OUT every few minutes, ``half.onnx`` half-way, with them ``log.txt``, and pictures of
what it sees at the end. ``kept.npz`` in ART are pages kept apart (``tests.fitting.ink.kept``).
Where it starts from a network written before, no pixel but of dry strokes should be told worse
than by that one.
AdamW: Loshchilov, Hutter, ICLR 2019; the Dice loss: Milletari, Navab, Ahmadi, 3DV 2016.
"""

from __future__ import annotations

import copy
import math
import multiprocessing
import shutil
import sys
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import torch
import torch.nn.functional as fn
from torch import Tensor

from inkclean.base.arrays import U8
from tests.fitting.ink import kept
from tests.fitting.ink import net as nets
from tests.fitting.ink.marks import Art, page, text
from tests.fitting.ink.pool import KINDS, Pool, Shelf
from tests.fitting.ink.sketch import sketch
from tests.fitting.ink.wear import Seen, worn

RATE, RATE_AGAIN = 2.5e-3, 1e-3
MEAN = 0.9985  # of the running mean of weights
EDGES = 2.0  # what pixels at edges count on top
SOFT = 0.3  # what soft marks count in the output of their own
PALE_SAY = 2.0  # what pixels of soft marks count on top in the ink's
WORST, WORST_PX = 0.05, 12  # what the worst pixel in a square counts: of soft marks
WORST_DRY = 0.1  # of the middle of dry strokes, and of lone marks
KEEP = 1.0  # what counts on top that is told worse than by the network before
TEXT = 0.3  # share of pages full of lettering
WORN, TAKEN, TIMES = 128, 96, 3  # pieces worn at once, taken for a step, steps between
SHARES = (0.42, 0.26, 0.32)  # of the kinds
RESERVE_S = 25.0  # to write everything at the end
SAVE_S = 200.0  # between two times that the network is written


def drawing(art: str, seed: int, out: Any) -> None:
    """Draw pages for ever: coverage (SIDE²), nature (4, SIDE / 2, SIDE / 2), lettering or not.

    Nature is density, dryness, breadth, and the underdrawing. A page that fails is left out.
    """
    cv2.setNumThreads(1)
    rng, drawn = np.random.default_rng(seed), Art(Path(art))
    while True:
        try:
            lettered = bool(rng.random() < TEXT)
            maps = text(rng, drawn) if lettered else page(rng, drawn)
            planes = [*maps.nature[::2, ::2].transpose(2, 0, 1), sketch(rng)]
            made = maps.coverage(), np.ascontiguousarray(planes), lettered
        except (ValueError, IndexError, ArithmeticError, OSError, cv2.error) as fault:
            print(f"a page failed: {fault!r}", flush=True)
            continue
        out.put(made)


def drawers(art: Path, processes: int, first: int) -> tuple[list[Any], Any]:
    """Start processes that draw; return them and where their pages come."""
    context = multiprocessing.get_context("fork")
    queue = context.Queue(3 * processes)
    workers = [
        context.Process(target=drawing, args=(str(art), first + k, queue), daemon=True)
        for k in range(processes)
    ]
    for worker in workers:
        worker.start()
    return workers, queue


def collected(queue: Any) -> deque[tuple[U8, U8, bool]]:
    """Return pages as they come, unpacked by a thread of its own."""
    ready: deque[tuple[U8, U8, bool]] = deque()

    def unpack() -> None:
        while True:
            if len(ready) < 48:
                ready.append(queue.get())
            else:
                time.sleep(0.02)

    threading.Thread(target=unpack, daemon=True).start()
    return ready


def loss_of(out: Tensor, seen: Seen, *, keep: bool = False) -> Tensor:
    """Return cross-entropy, heavier at edges, and what the Dice measure lacks; soft marks' too.

    ``keep``: what is told worse than by the network before counts on top.
    """
    odds, truth, vote = nets.unfolded(out), seen.truth, seen.vote
    rim = fn.max_pool2d(truth[:, None], 3, 1, 1) + fn.max_pool2d(-truth[:, None], 3, 1, 1)
    pale = fn.interpolate((seen.soft > 0.5).float()[:, None], scale_factor=2.0)[:, 0]
    weight = vote * (1 + EDGES * rim[:, 0]) * (1 + PALE_SAY * pale)
    each = fn.binary_cross_entropy_with_logits(odds, truth, reduction="none")
    entropy = (each * weight).sum() / weight.sum()
    told = torch.sigmoid(odds) * vote
    both, all_ink = (told * truth).sum((1, 2)), (told + truth * vote).sum((1, 2))
    dice = 1 - (2 * both + 50) / (all_ink + 50)
    loss = entropy + 0.5 * dice.mean()
    firm = torch.maximum((truth > 0.8) * seen.middle, (truth > 0.5) * seen.alone)
    loss = loss + WORST_DRY * _worst(each, (vote > 0) * firm)
    loss = loss + WORST * _worst(each, ((truth < 0.02) & (vote > 0)).float() * pale)
    if keep:
        told = fn.binary_cross_entropy_with_logits(seen.before, truth, reduction="none")
        asked = weight * ((vote > 0) & (vote < 1.01)).float()
        more = (each - told).clamp_min(0) * asked
        loss = loss + KEEP * more.sum() / asked.sum().clamp_min(1)
    if out.shape[1] == nets.FOLD**2:
        return loss
    says, there = (seen.soft >= 0).float(), seen.soft.clamp_min(0)
    soft = fn.binary_cross_entropy_with_logits(out[:, -1], there, reduction="none")
    return loss + SOFT * (soft * says).sum() / says.sum()


def _worst(each: Tensor, where: Tensor) -> Tensor:
    """Return the mean over squares of the most that a pixel ``where`` (N, H, W) is 1 loses."""
    step = WORST_PX // 2
    most = fn.max_pool2d((each * where)[:, None], WORST_PX, step)
    some = fn.max_pool2d(where[:, None], WORST_PX, step)
    return (most.clamp_max(8) * some).sum() / some.sum().clamp_min(1)


def pictures(seen: Seen, out: Tensor, place: Path) -> None:
    """Write input, truth and output of some pieces side by side, and where marks are soft."""
    rows = []
    odds = nets.unfolded(out)
    soft = fn.interpolate(torch.sigmoid(out[:, -1:]), scale_factor=2.0)[:, 0]
    for k in range(min(12, len(odds))):
        parts = [1 - seen.dark[k], 1 - seen.truth[k] * (0.5 + 0.5 * seen.vote[k].clamp_max(1))]
        parts += [1 - torch.sigmoid(odds[k]), 1 - soft[k]]
        rows.append(np.hstack([(p.float().cpu().numpy() * 255).astype(np.uint8) for p in parts]))
    half = len(rows) // 2
    sheet = np.hstack([np.vstack(rows[:half]), np.vstack(rows[half : 2 * half])])
    cv2.imwrite(str(place), sheet)


def score(seen: Seen, out: Tensor) -> tuple[float, float, float]:
    """Return F of ink, ink found where dry or thin is all the same, and F of soft marks."""
    found, truth, says = nets.unfolded(out) > 0, seen.truth > 0.5, seen.vote > 0
    hit = (found & truth & says).sum()
    f = 2 * hit / ((found & says).sum() + (truth & says).sum()).clamp_min(1)
    dry = truth & (seen.vote > 1.5)
    recall = (found & dry).sum() / dry.sum().clamp_min(1)
    soft, asked = out[:, -1] > 0, seen.soft >= 0
    there = seen.soft > 0.5
    g = 2 * (soft & there).sum() / ((soft & asked).sum() + there.sum()).clamp_min(1)
    return float(f), float(recall), float(g)


class Fitting:
    """A network, the running mean of its weights, and what moves them."""

    def __init__(self, device: torch.device, art: Path, seen: Seen) -> None:
        """Start from the checkpoint in ``art``, or the network that ships, if it is there."""
        self.device, self.fast = device, device.type == "cuda"
        start, shipped = art / "weights.pt", art / "ink.onnx"
        net = nets.InkNet()
        if shipped.exists():
            net = nets.read(shipped, nets.folded(seen.dark, seen.level).cpu())
        self.before = copy.deepcopy(net).eval().to(device) if shipped.exists() else None
        self.net = net.to(device).to(memory_format=torch.channels_last)
        self.mean, self.rate, self.done = copy.deepcopy(self.net), RATE, 0
        self.skipped = torch.zeros((), dtype=torch.int64, device=device)  # steps without a measure
        self.going_on = start.exists() or shipped.exists()
        if start.exists():
            self.net.load_state_dict(torch.load(start, map_location=device))
            self.mean.load_state_dict(torch.load(art / "mean.pt", map_location=device))
        if shipped.exists():
            self.rate = RATE_AGAIN
        self.optimiser = torch.optim.AdamW(self.net.parameters(), self.rate, weight_decay=1e-4)
        self.pairs = list(
            zip(self.mean.state_dict().values(), self.net.state_dict().values(), strict=True)
        )

    def known(self, seen: Seen) -> Seen:
        """Return pieces with what the network before says of them."""
        if self.before is None:
            return seen
        given = nets.folded(seen.dark, seen.level)
        with (
            torch.no_grad(),
            torch.autocast(self.device.type, torch.bfloat16, enabled=self.fast),
        ):
            odds = nets.unfolded(self.before(given).float())
        return replace(seen, before=odds.clamp(-20, 20))

    def step(self, seen: Seen, share: float) -> Tensor:
        """Take one step on pieces after ``share`` of the whole fitting; return the loss."""
        fall = 0.5 * (1 + math.cos(math.pi * share)) + 0.002
        for group in self.optimiser.param_groups:
            group["lr"] = self.rate * min(1, self.done / 200 + 0.01) * fall
        given = nets.folded(seen.dark, seen.level).to(memory_format=torch.channels_last)
        with torch.autocast(self.device.type, torch.bfloat16, enabled=self.fast):
            out = self.net(given)
        loss = loss_of(out.float(), seen, keep=self.before is not None)
        self.optimiser.zero_grad(set_to_none=True)
        loss.backward()
        norm = torch.nn.utils.clip_grad_norm_(self.net.parameters(), 2.0)
        sound = torch.isfinite(norm) & torch.isfinite(loss.detach())
        self.skipped += ~sound
        for weights in self.net.parameters():
            if weights.grad is not None:
                weights.grad = torch.where(sound, weights.grad, 0.0)
        self.optimiser.step()
        keep = MEAN if self.going_on else min(MEAN, (self.done + 1) / (self.done + 20))
        with torch.no_grad():
            ours = [a for a, _ in self.pairs if a.is_floating_point()]
            theirs = [b for _, b in self.pairs if b.is_floating_point()]
            for mean, now in zip(ours, theirs, strict=True):  # what overflowed starts anew
                now.copy_(torch.where(torch.isfinite(now), now, mean))
            torch._foreach_lerp_(ours, theirs, 1 - keep)
        self.done += 1
        return torch.where(sound, loss.detach(), 0.0)

    def save(self, out: Path, *, half: bool = False) -> None:
        """Write weights, their mean, and the network, each in one go; ``half`` twice."""
        if not all(bool(torch.isfinite(a).all()) for a in self.mean.state_dict().values()):
            print("weights that are no numbers: not written", flush=True)
            return
        for name, net in (("weights.pt", self.net), ("mean.pt", self.mean)):
            torch.save(net.state_dict(), out / "part")
            (out / "part").replace(out / name)
        mean = copy.deepcopy(self.mean).cpu().to(memory_format=torch.contiguous_format)
        try:
            nets.write(mean, out / "part")
            (out / "part").replace(out / "ink.onnx")
            if half:
                shutil.copy(out / "ink.onnx", out / "half.onnx")
        except Exception as fault:  # the weights are kept: fitting goes on
            print(f"no ink.onnx: {fault!r}", flush=True)

    def tell(self, apart: dict[str, Seen], say: Callable[[str], None]) -> None:
        """Say how the mean does on pages kept apart."""
        mean = self.mean.eval()
        for kind, seen in apart.items():
            say(f"  kept {kind}: {kept.told(mean, seen)}")

    def finish(self, pool: Pool, out: Path, say: Callable[[str], None]) -> None:
        """Write everything; tell how it does on fresh pieces."""
        self.save(out)
        mean = self.mean.eval()
        with torch.no_grad():
            for kind in KINDS:
                seen = worn(pool.pieces(64 if self.fast else 12, kind))
                told = mean(nets.folded(seen.dark, seen.level)).float()
                pictures(seen, told, out / f"{kind}.jpg")
                say(kind + " F, dry, soft: " + ", ".join(f"{v:.4f}" for v in score(seen, told)))


def fit(art: Path, minutes: float, processes: int, out: Path, part: tuple[float, float]) -> None:
    """Fit for so many minutes, everything counted, and write the network."""
    began = time.time()
    last = began + 60 * minutes - min(RESERVE_S, 12 * minutes)
    out.mkdir(parents=True, exist_ok=True)
    first = int(began) % 100_000 * 100
    workers, queue = drawers(art, processes, first)
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    fast = device.type == "cuda"
    torch.manual_seed(first)
    torch.backends.cudnn.allow_tf32 = False
    torch.backends.cudnn.benchmark = True
    pool, ready = Pool(2400 if fast else 24, device), collected(queue)
    while pool.count < (64 if fast else 6):
        pool.take(ready, 8)
        time.sleep(0.01)
    shelf = Shelf(6144 if fast else 16, device)
    fitting = Fitting(device, art, kept.mixed(pool, 24 if fast else 2))
    apart = kept.seen(art / "kept.npz", device, 48 if fast else 4)
    torch.manual_seed(first)
    (out / "log.txt").write_text("")

    def say(words: str) -> None:
        print(words, flush=True)
        with (out / "log.txt").open("a") as log:
            log.write(words + "\n")

    start, total, every, rounds, spent = time.time(), 0.0, 300 if fast else 6, 0, 0.0
    saved = start
    say(f"{start - began:.0f} s to start, {pool.count} pages")
    fitting.tell(apart, say)
    while (now := time.time()) < last:
        share = part[0] + (part[1] - part[0]) * (now - start) / (last - start)
        pool.take(ready, 12 if pool.count < pool.size else 4)
        kind = KINDS[int(torch.multinomial(torch.tensor(SHARES), 1))]
        shelf.put(fitting.known(worn(pool.pieces(WORN if fast else 4, kind))))
        if fast and rounds % 100 == 0:
            torch.cuda.synchronize()
            spent = time.time() - now
        rounds += 1
        for _ in range(TIMES):
            total = total + fitting.step(shelf.some(TAKEN if fast else 4), share)
        if fitting.done % every == 0:
            say(
                f"{fitting.done} steps, {share:.2f}, loss {float(total) / every:.4f}, "
                f"{fitting.done / (now - start):.2f} steps/s, wear {spent:.3f} s, "
                f"{pool.count / (now - began):.1f} pages/s, {int(fitting.skipped)} steps left out, "
                f"{int(shelf.faulty)} pieces"
            )
            total = 0.0
        half = share >= (part[0] + part[1]) / 2 and not (out / "half.onnx").exists()
        if now - saved > SAVE_S or half:
            fitting.save(out, half=half)
            fitting.tell(apart, say)
            saved = now
    for worker in workers:
        worker.terminate()
    fitting.finish(pool, out, say)
    say(f"{time.time() - began:.0f} s, {fitting.done} steps")
    fitting.tell(apart, say)


if __name__ == "__main__":
    part = (float(sys.argv[5]), float(sys.argv[6])) if len(sys.argv) > 6 else (0.0, 1.0)
    fit(Path(sys.argv[1]), float(sys.argv[2]), int(sys.argv[3]), Path(sys.argv[4]), part)
