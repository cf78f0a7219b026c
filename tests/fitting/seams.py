"""Fits the network of ``inkclean/flats/lines/seams.py`` on drawn pages and writes it as ONNX.

Run: ``python -m tests.fitting.seams FOLDER MINUTES OUT.onnx``, with the pages of
``tests.fitting.drawn`` in FOLDER (``pip install -e '.[fit]'``). A network of the shape of
Ronneberger, Fischer, Brox, U-Net, MICCAI 2015, small enough for a page a second on two cores.
"""

from __future__ import annotations

import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import torch
import torch.nn.functional as fn
from numpy.typing import NDArray
from torch import Tensor, nn

from inkclean.base.arrays import F32, U8

WIDTHS = (24, 40, 64, 96)
FOLD = 4  # so many px a side are channels of one cell
FINE = 2  # and so many places a side the odds of a cell are told for
CROP = 384  # px of the working raster
BATCH = 8
RATE = 2e-3
NEAR = 3  # px from the true seam that count as on it
PARTS = 0.56, 0.12, 0.22, 0.1  # of pieces: page maker, figures, icons, channels
PAPER = 0.15  # weight of paper where no seam is


class Seams(nn.Module):
    """Ink at 8 px/mm, folded 4 × 4 into channels, to the log-odds of a seam at 4 px/mm."""

    def __init__(self) -> None:
        """Lay out the levels."""
        super().__init__()
        w = WIDTHS
        self.down = nn.ModuleList()
        before = FOLD**2
        for width in w:
            self.down.append(self._two(before, width))
            before = width
        self.narrow = nn.ModuleList(nn.Conv2d(w[k + 1], w[k], 1) for k in range(len(w) - 1))
        self.up = nn.ModuleList(
            nn.Sequential(
                nn.Conv2d(2 * w[k], w[k], 3, padding=1, bias=False), nn.BatchNorm2d(w[k]), nn.ReLU()
            )
            for k in range(len(w) - 1)
        )
        self.last = nn.Conv2d(w[0], FINE**2, 1)

    @staticmethod
    def _two(before: int, width: int) -> nn.Sequential:
        return nn.Sequential(
            nn.Conv2d(before, width, 3, padding=1, bias=False),
            nn.BatchNorm2d(width),
            nn.ReLU(),
            nn.Conv2d(width, width, 3, padding=1, bias=False),
            nn.BatchNorm2d(width),
            nn.ReLU(),
        )

    def forward(self, x: Tensor) -> Tensor:
        """Return (N, 4, H, W) log-odds for (N, 16, H, W) ink; sides divisible by 8."""
        seen = []
        for k, stage in enumerate(self.down):
            x = stage(x if k == 0 else fn.max_pool2d(x, 2))
            seen.append(x)
        for k in reversed(range(len(self.up))):
            wide = fn.interpolate(self.narrow[k](x), scale_factor=2.0, mode="nearest")
            x = self.up[k](torch.cat([wide, seen[k]], 1))
        out: Tensor = self.last(x)
        return out


def folded(ink: Tensor) -> Tensor:
    """Return (N, 16, H/4, W/4) for (N, H, W)."""
    return fn.pixel_unshuffle(ink[:, None], FOLD)


class Pages:
    """Random pieces of drawn pages, turned and mirrored."""

    def __init__(self, folder: Path, rng: np.random.Generator) -> None:
        """Load all pages of the folder."""
        files = sorted(folder.glob("*.npy"))
        pages = [_widened(np.load(p)) for p in files]
        short = [(max(0, CROP - p.shape[1]), max(0, CROP - p.shape[2])) for p in pages]
        self.pages = [
            np.pad(p, ((0, 0), (0, high), (0, wide)))
            for p, (high, wide) in zip(pages, short, strict=True)
        ]
        area = np.array([p[0].size for p in self.pages], float)
        kind = np.array([_kind(p) for p in files])
        for k, part in enumerate(PARTS):
            area[kind == k] *= part / max(1.0, area[kind == k].sum())
        self.share, self.rng = area / area.sum(), rng

    def piece(self) -> U8:
        """Return one piece (3, CROP, CROP) with ink in it."""
        while True:
            page = self.pages[self.rng.choice(len(self.pages), p=self.share)]
            y = self.rng.integers(page.shape[1] - CROP + 1)
            x = self.rng.integers(page.shape[2] - CROP + 1)
            cut = page[:, y : y + CROP, x : x + CROP]
            if (cut[0] > 128).mean() > 0.01:
                cut = np.rot90(cut, int(self.rng.integers(4)), (1, 2))
                return np.ascontiguousarray(cut[:, :, ::-1] if self.rng.random() < 0.5 else cut)

    def batch(self) -> tuple[Tensor, Tensor, Tensor]:
        """Return ink, what is seam, and how much each place counts."""
        cuts = np.stack([self.piece() for _ in range(BATCH)])
        ink = cuts[:, 0].astype(np.float32) / 255
        if self.rng.random() < 0.5:  # a clean bitmap, as the flats hand it over
            ink = (ink > float(self.rng.uniform(0.3, 0.55))).astype(np.float32)
        seam, inked, black = (_halved(a) for a in (cuts[:, 1], ink, cuts[:, 2]))
        weight = (PAPER + (1 - PAPER) * np.maximum(inked, seam)) * (1 - black)
        cells = folded(torch.from_numpy(ink)).contiguous(memory_format=torch.channels_last)
        return cells, torch.from_numpy(seam[:, None]), torch.from_numpy(weight[:, None])


def _kind(path: Path) -> int:
    """Return which of ``PARTS`` a page is of: see others.py for how they are named."""
    if path.stem[0] == "c":
        return 3
    return 1 + int(path.stem[1:]) % 2 if path.stem[0] == "o" else 0


def _widened(page: U8) -> U8:
    """Return the page with seams and the rims of blacks as broad as they count."""
    page[1] = cv2.dilate(page[1], np.ones((2 * NEAR + 1, 2 * NEAR + 1), np.uint8))
    page[2] = cv2.dilate(page[2], np.ones((9, 9), np.uint8))
    return page


def _halved(maps: NDArray[Any]) -> F32:
    """Return the largest of every 2 × 2 pixels."""
    n, height, width = maps.shape
    most = maps.reshape(n, height // 2, 2, width // 2, 2).max(axis=(2, 4))
    return np.asarray(most, np.float32)


def fit(folder: Path, minutes: float, out: Path) -> None:
    """Fit for so many minutes, rate falling to nothing, and write the network."""
    torch.manual_seed(1)
    pages = Pages(folder, np.random.default_rng(1))
    net = Seams().to(memory_format=torch.channels_last)
    start = out.with_suffix(".pt")
    if start.exists():
        net.load_state_dict(torch.load(start))
    rate = RATE
    optimiser = torch.optim.AdamW(net.parameters(), rate, weight_decay=1e-4)
    pool = ThreadPoolExecutor(1)
    ahead = pool.submit(pages.batch)
    began, step, mean = time.time(), 0, 0.0
    while (share := (time.time() - began) / (60 * minutes)) < 1:
        for group in optimiser.param_groups:
            group["lr"] = rate * min(1, step / 100) * 0.5 * (1 + np.cos(np.pi * share))
        ink, seam, weight = ahead.result()
        ahead = pool.submit(pages.batch)
        odds = fn.pixel_shuffle(net(ink), FINE)
        loss = (fn.binary_cross_entropy_with_logits(odds, seam, reduction="none") * weight).sum()
        loss = loss / weight.sum()
        optimiser.zero_grad()
        loss.backward()
        optimiser.step()
        step, mean = step + 1, 0.98 * mean + 0.02 * loss.item()
        if step % 50 == 0:
            print(f"{step} steps, {share:.2f}, loss {mean:.4f}", flush=True)
        if step % 250 == 0:
            write(net, out)
    write(net, out)


def write(net: Seams, out: Path) -> None:
    """Write the network as ONNX for any size of page."""
    torch.save(net.state_dict(), out.with_suffix(".pt"))
    net.eval()
    torch.onnx.export(
        net,
        (torch.zeros(1, FOLD**2, 64, 64),),
        str(out),
        input_names=["ink"],
        output_names=["odds"],
        dynamic_axes={"ink": {2: "h", 3: "w"}, "odds": {2: "h", 3: "w"}},
        opset_version=12,
        dynamo=False,
    )
    net.train()


if __name__ == "__main__":
    fit(Path(sys.argv[1]), float(sys.argv[2]), Path(sys.argv[3]))
