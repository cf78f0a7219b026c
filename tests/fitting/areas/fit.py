"""Fits the network of ``net.py`` on pages that other processes draw meanwhile.

Run: ``python -m tests.fitting.areas.fit DRAWINGS.npz OUT MINUTES PROCESSES [START]``, on a GPU if
there is one. START is a checkpoint, or a network that was written before, which goes on with the
blocks it lacks. OUT gets ``areas.onnx.gz``, ``checkpoint.pt``, ``log.txt`` and pictures, every few
minutes and at the end.

What is written is the mean of the weights over the last tenth or so of all steps, weighed as in
Karras, Aittala, Lehtinen, Hellsten, Aila, Laine, CVPR 2024 (arXiv 2312.02696, section 3.1), with
its statistics measured anew (Izmailov and others, UAI 2018, arXiv 1803.05407).
"""

from __future__ import annotations

import copy
import multiprocessing as mp
import queue
import shutil
import sys
import time
import traceback
from dataclasses import dataclass
from multiprocessing.sharedctypes import RawArray
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import torch
import torch.nn.functional as fn
from torch import Tensor

from inkclean.flats.lines.seams import FINE
from tests.fitting.areas.figures import Drawings
from tests.fitting.areas.losses import losses, margined, resized, targets, unlike
from tests.fitting.areas.net import Areas, folded, taken_up, write
from tests.fitting.areas.pages import SIDE, page

CROP, BATCH = 768, 44  # px, for the first part of the time,
WHOLE_BATCH = 26  # whole pages for the rest
WHOLE_FROM = 0.66
SCALES = -0.3, 0.28  # logarithms of what a page is enlarged by, the other way round
RATE = 2.2e-3
LATER_RATE = 8e-4  # of what is already fitted
TOGETHER = 0.35  # weight of the affinities
AGAIN = 3  # one page in so many is seen at another size too,
SIZES = 0.75, 0.875, 1.125, 1.25
MARGIN = 160  # px of bare paper or less that it has more on each side then,
AGREE = 1.5  # and the weight of what is told otherwise then
POWER = 10.0  # of the running mean: the larger, the fewer of the last steps count
SAVED_S = 240.0
SLOTS = 4  # pages a process has under way


@dataclass
class Shelf:
    """Pages handed from the drawing processes, a slot each."""

    ink: Any
    label: Any
    slots: int

    def views(self) -> tuple[Any, Any]:
        """Return the slots as arrays."""
        shape = self.slots, SIDE, SIDE
        return (
            np.frombuffer(self.ink, np.uint8).reshape(shape),
            np.frombuffer(self.label, np.int16).reshape(shape),
        )


def draw(shelf: Shelf, free: Any, ready: Any, path: str, first: int, step: int) -> None:
    """Draw pages until the parent goes."""
    cv2.setNumThreads(1)
    drawings = Drawings(Path(path), apart=False)
    inks, labels = shelf.views()
    seed = first
    while True:
        seed += step
        try:
            ink, label = page(seed, drawings)
        except Exception:  # one page that fails must not end the fitting
            print("page", seed, traceback.format_exc()[-300:], flush=True)
            continue
        slot = free.get()
        inks[slot], labels[slot] = ink, np.minimum(label, 32000)
        ready.put(slot)


class Pool:
    """The pages drawn so far, on the device; the oldest give way."""

    def __init__(self, most: int, device: torch.device) -> None:
        self.ink = torch.zeros((most, SIDE, SIDE), dtype=torch.uint8, device=device)
        self.label = torch.zeros((most, SIDE, SIDE), dtype=torch.int16, device=device)
        self.count = 0

    def add(self, ink: Any, label: Any) -> None:
        """Take a page."""
        at = self.count % len(self.ink)
        self.ink[at] = torch.from_numpy(ink)
        self.label[at] = torch.from_numpy(label)
        self.count += 1

    def batch(self, many: int, side: int, rng: np.random.Generator) -> tuple[Tensor, Tensor]:
        """Return ink 0..1 and areas (N, side, side) of random pieces, turned and mirrored."""
        have = min(self.count, len(self.ink))
        cut = round(side * float(np.exp(rng.uniform(*SCALES))))
        inks, labels = [], []
        for _ in range(many):
            k = int(rng.integers(have))
            y, x = (int(rng.integers(min(0, SIDE - cut), max(0, SIDE - cut) + 1)) for _ in "yx")
            ink, label = (_window(m[k], y, x, cut) for m in (self.ink, self.label))
            turn = int(rng.integers(4))
            ink, label = torch.rot90(ink, turn), torch.rot90(label, turn)
            if rng.random() < 0.5:
                ink, label = ink.flip(1), label.flip(1)
            inks.append(ink)
            labels.append(label)
        ink, label = torch.stack(inks).float() / 255, torch.stack(labels)
        if cut != side:
            ink = fn.interpolate(ink[:, None], (side, side), mode="bilinear", antialias=cut > side)[
                :, 0
            ]
            label = fn.interpolate(label[:, None].float(), (side, side))[:, 0].to(torch.int16)
        level = torch.rand(many, 1, 1, device=ink.device) * 0.25 + 0.3
        hard = torch.rand(many, 1, 1, device=ink.device) < 0.5
        return torch.where(hard, (ink > level).float(), ink.clamp(0, 1)), label


def _window(page: Tensor, y: int, x: int, side: int) -> Tensor:
    """Return a square piece of a page; what lies outside is bare, and nothing is told of it."""
    high, wide = page.shape
    part = page[max(0, y) : y + side, max(0, x) : x + side]
    after = max(0, x + side - wide), max(0, y + side - high)
    return fn.pad(part, (max(0, -x), after[0], max(0, -y), after[1]))


class Fitting:
    """The network, its running mean, and the time they have."""

    def __init__(self, out: Path, minutes: float, began: float, start: Path | None) -> None:
        self.device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
        self.out, self.began, self.seconds = out, began, 60 * minutes
        self.net = Areas().to(self.device, memory_format=torch.channels_last)
        self.step = 0
        self.start = start
        if start and start.suffix == ".pt":
            state = torch.load(start, map_location="cpu")
            self.net.load_state_dict(
                {k: v.float() if v.is_floating_point() else v for k, v in state["mean"].items()}
            )
            self.step = int(state["step"])
        self.follow()
        self.optimiser = torch.optim.AdamW(self.net.parameters(), RATE, weight_decay=1e-3)
        self.lines: list[str] = []

    def follow(self) -> None:
        """Begin the running mean anew."""
        self.meant = 0
        self.mean = copy.deepcopy(self.net).eval()

    def share(self) -> float:
        """Return how much of the time is over."""
        return (time.time() - self.began) / self.seconds

    def say(self, text: str) -> None:
        """Keep a line of the log."""
        self.lines.append(text)
        print(text, flush=True)
        (self.out / "log.txt").write_text("\n".join(self.lines) + "\n")

    def learn(self, ink: Tensor, label: Tensor, rate: float) -> Tensor:
        """Take one step; return the losses of seams, affinities and sizes that disagree."""
        for group in self.optimiser.param_groups:
            group["lr"] = rate
        out = self.told(ink)
        seam, same = losses(out, ink, label)
        few = max(1, len(ink) // AGAIN)
        size = SIZES[self.step % len(SIZES)]
        ink_too, label_too = resized(ink[:few], label[:few], size)
        ink_too, label_too, inner = margined(ink_too, label_too, MARGIN)
        out_too = self.told(ink_too)
        seam_too, same_too = losses(out_too, ink_too, label_too)
        apart = unlike(out[:few], out_too[(..., *inner)])
        whole = seam + TOGETHER * same + (seam_too + TOGETHER * same_too) / AGAIN + AGREE * apart
        self.optimiser.zero_grad(set_to_none=True)
        whole.backward()
        torch.nn.utils.clip_grad_norm_(self.net.parameters(), 1.0)
        self.optimiser.step()
        self.step += 1
        self.meant += 1
        with torch.no_grad():
            keep = (1 - 1 / self.meant) ** (POWER + 1)
            mean, new = list(self.mean.parameters()), list(self.net.parameters())
            torch._foreach_lerp_(mean, new, 1 - keep)
        return torch.stack([seam, same, apart]).detach()

    def told(self, ink: Tensor) -> Tensor:
        """Return what the network tells of pages (N, H, W)."""
        cells = folded(ink).contiguous(memory_format=torch.channels_last)
        with torch.autocast(self.device.type, torch.bfloat16):
            out: Tensor = self.net(cells)
        return out

    def save(self, pool: Pool, rng: np.random.Generator) -> None:
        """Write the checkpoint and the network."""
        self.measure(pool, rng)
        mean = {
            k: v.half() if v.is_floating_point() else v for k, v in self.mean.state_dict().items()
        }
        file = self.out / "checkpoint.part"
        torch.save({"mean": mean, "step": self.step}, file)
        file.replace(self.out / "checkpoint.pt")
        write(self.mean, self.out / "areas.part")
        (self.out / "areas.part").replace(self.out / "areas.onnx.gz")

    def measure(self, pool: Pool, rng: np.random.Generator) -> None:
        """Measure the statistics that belong to the mean of the weights, on whole pages."""
        norms = [m for m in self.mean.modules() if isinstance(m, torch.nn.BatchNorm2d)]
        gpu = self.device.type == "cuda"
        for norm in norms:
            norm.reset_running_stats()
            norm.momentum = None  # the plain mean of all batches
        self.mean.train()
        for _ in range(24 if gpu else 2):
            ink, _ = pool.batch(WHOLE_BATCH if gpu else 2, SIDE if gpu else 512, rng)
            cells = folded(ink).contiguous(memory_format=torch.channels_last)
            with torch.no_grad(), torch.autocast(self.device.type, torch.bfloat16):
                self.mean(cells)
        self.mean.eval()


def fit(path: Path, out: Path, minutes: float, processes: int, start: Path | None) -> None:
    """Fit for so many minutes, all included, and write what came of it."""
    began = time.time()
    context = mp.get_context("fork")
    slots = SLOTS * processes
    shelf = Shelf(RawArray("B", slots * SIDE**2), RawArray("h", slots * SIDE**2), slots)
    free, ready = context.Queue(), context.Queue()
    for slot in range(slots):
        free.put(slot)
    seed = int(began) % 100_000 * 1_000_000
    helpers = [
        context.Process(
            target=draw, args=(shelf, free, ready, str(path), seed + k, processes), daemon=True
        )
        for k in range(processes)
    ]
    for helper in helpers:
        helper.start()
    try:
        _fit(Fitting(out, minutes, began, start), shelf, free, ready)
    finally:
        for helper in helpers:
            helper.kill()


def _fit(fitting: Fitting, shelf: Shelf, free: Any, ready: Any) -> None:
    rng = np.random.default_rng(fitting.step + 1)
    gpu = fitting.device.type == "cuda"
    pool = Pool(4000 if gpu else 24, fitting.device)
    inks, labels = shelf.views()
    end = 1 - min(0.2, 30 / fitting.seconds)  # the last seconds are for what is written
    first, told, at, saved = fitting.step, [], time.time(), time.time()
    while (share := fitting.share()) < end:
        taken = 0
        while pool.count < (96 if gpu else 3) or (taken < 6 and not ready.empty()):
            try:
                slot = ready.get(timeout=30)
            except queue.Empty:
                break
            pool.add(inks[slot], labels[slot])
            free.put(slot)
            taken += 1
        if fitting.start and fitting.start.suffix == ".gz" and fitting.step == first:
            ink, _ = pool.batch(24 if gpu else 2, CROP if gpu else 512, rng)
            taken_up(fitting.net, fitting.start, folded(ink))
            fitting.follow()
        whole = share > WHOLE_FROM
        side, many = (SIDE, WHOLE_BATCH) if whole else (CROP, BATCH)
        ink, label = pool.batch(many if gpu else 2, side if gpu else 512, rng)
        rate = (
            (LATER_RATE if fitting.start else RATE)
            * min(1.0, (fitting.step - first + 1) / 150)
            * 0.5
            * (1 + np.cos(np.pi * share / end))
        )
        told.append(fitting.learn(ink, label, float(rate)))
        if len(told) == (100 if gpu else 5):
            seam, same, apart = torch.stack(told).mean(0).tolist()
            speed = len(told) / (time.time() - at)
            fitting.say(
                f"step {fitting.step} {share:.3f} seam {seam:.4f} same {same:.4f} "
                f"apart {apart:.4f} {speed:.2f} steps/s, {pool.count} pages"
            )
            told, at = [], time.time()
        if time.time() - saved > SAVED_S:
            fitting.save(pool, rng)
            saved = time.time()
            if share < 0.6:
                shutil.copy(fitting.out / "areas.onnx.gz", fitting.out / "areas-half.onnx.gz")
    fitting.save(pool, rng)
    pictures(fitting, pool)
    fitting.say(f"done after {time.time() - fitting.began:.0f} s")


def pictures(fitting: Fitting, pool: Pool) -> None:
    """Write some pages: ink with the true seams, and the odds that are told."""
    for k in range(min(3, pool.count)):
        ink, label = pool.ink[k : k + 1].float() / 255, pool.label[k : k + 1]
        with torch.no_grad(), torch.autocast(fitting.device.type, torch.bfloat16):
            cells = folded(ink).contiguous(memory_format=torch.channels_last)
            out = fitting.mean(cells).float().sigmoid()
        seam = fn.pixel_shuffle(targets(ink, label)[0], FINE)[0, 0]
        told = fn.pixel_shuffle(out[:, : FINE**2], FINE)[0, 0]
        paper = 1 - fn.avg_pool2d(ink[:, None], 2)[0, 0]
        same = fn.interpolate(out[:, FINE**2 + 4 : FINE**2 + 5], scale_factor=2)[0, 0]
        left = torch.stack([paper * (1 - 0.7 * seam), paper, paper], -1)
        right = torch.stack(
            [paper * (1 - told), paper * (1 - 0.3 * told), paper * (0.4 + 0.6 * same)], -1
        )
        both = (torch.cat([left, right], 1).cpu().numpy() * 255).astype(np.uint8)
        cv2.imwrite(str(fitting.out / f"sample-{k}.png"), both)


if __name__ == "__main__":
    torch.manual_seed(1)
    torch.backends.cudnn.benchmark = True
    _, _path, _out, _minutes, _processes, *_start = sys.argv
    Path(_out).mkdir(parents=True, exist_ok=True)
    fit(
        Path(_path),
        Path(_out),
        float(_minutes),
        int(_processes),
        Path(_start[0]) if _start else None,
    )
