"""The pages drawn last, crops of them, and the pieces worn last, on the GPU."""

from __future__ import annotations

import math
from collections import deque

import torch
import torch.nn.functional as fn
from torch import Tensor

from inkclean.base.arrays import U8
from tests.fitting.ink.strokes import DENSITY_ONE, PX_PER_MM, SIDE
from tests.fitting.ink.wear import Pieces, Seen

CROP = 384  # px of what the network sees
# px/mm of the pieces of a kind, share of them from pages full of lettering, and share of old ones
KINDS = ("old", "coarse", "fine")
SCALES = {"old": (4.5, 16.0), "coarse": (4.0, 10.0), "fine": (8.5, 22.0)}
LETTERED = {"old": 0.75, "coarse": 0.25, "fine": 0.2}
AGED = {"old": 0.9, "coarse": 0.35, "fine": 0.1}
LEVEL, UPRIGHT = 0.6, 0.85  # share of pieces that lie level, as pages do; upright, of old ones


class Pool:
    """The pages drawn last."""

    def __init__(self, size: int, device: torch.device) -> None:
        """Make room."""
        self.cover = torch.zeros((size, SIDE, SIDE), dtype=torch.uint8, device=device)
        self.nature = torch.zeros((size, 3, SIDE // 2, SIDE // 2), dtype=torch.uint8, device=device)
        self.lettered = torch.zeros(size, dtype=torch.bool, device=device)
        self.size, self.count, self.device = size, 0, device

    def add(self, cover: U8, nature: U8, lettered: bool) -> None:
        """Keep a page in place of the oldest."""
        at = self.count % self.size
        self.cover[at] = torch.from_numpy(cover).to(self.device)
        self.nature[at] = torch.from_numpy(nature).to(self.device)
        self.lettered[at] = lettered
        self.count += 1

    def take(self, ready: deque[tuple[U8, U8, bool]], most: int) -> None:
        """Keep what lies ready."""
        for _ in range(min(most, len(ready))):
            self.add(*ready.popleft())

    def pieces(self, n: int, kind: str) -> Pieces:
        """Return crops at twice the network's scale, turned and mirrored."""
        device = self.device
        low, high = SCALES[kind]
        if kind == "old":  # one half or the other: coarse pages are averaged first
            middle = math.sqrt(low * high)
            low, high = (low, middle) if torch.rand(()) < 0.5 else (middle, high)
        per_mm = 2 * torch.exp(
            torch.rand(n, device=device) * (math.log(high) - math.log(low)) + math.log(low)
        )
        coarse = 2 * high < 1.1 * PX_PER_MM
        # old pages lie upright, and the page behind them mirrored
        way = 1 if kind == "old" else 0
        main = self._maps(self._pages(n, kind), per_mm, coarse, way, nature=True)
        behind = self._maps(self._pages(n, kind), per_mm, coarse, -way)
        pencil = self._maps(self._pages(n, "fine"), per_mm, coarse, 0)
        return Pieces(
            cover=main[:, 0],
            density=main[:, 1] * (255 / DENSITY_ONE),
            dry=main[:, 2],
            broad=main[:, 3],
            behind=behind[:, 0],
            pencil=pencil[:, 0],
            per_mm=per_mm,
            old=(torch.rand(n, device=device) < AGED[kind]).float(),
        )

    def _pages(self, n: int, kind: str) -> Tensor:
        """Return (n,) numbers of pages."""
        lettered = self.lettered[: min(self.count, self.size)]
        share = LETTERED[kind]
        weight = torch.where(
            lettered,
            share / lettered.sum().clamp_min(1),
            (1 - share) / (~lettered).sum().clamp_min(1),
        )
        return torch.multinomial(weight, n, replacement=True)

    def _maps(
        self, which: Tensor, per_mm: Tensor, coarse: bool, way: int, *, nature: bool = False
    ) -> Tensor:
        """Return crops; ``way`` is 1 for upright ones, -1 for mirrored ones, 0 for any."""
        device, n = self.device, len(which)
        half = CROP / (per_mm / PX_PER_MM) / (SIDE / 2)  # of the page's half side
        turn = torch.rand(n, device=device) * 2 * math.pi
        level = torch.round(turn * 2 / math.pi) * math.pi / 2 * (0 if way else 1)
        level = level + 0.03 * torch.randn(n, device=device)
        share = UPRIGHT if way else LEVEL
        turn = torch.where(torch.rand(n, device=device) < share, level, turn)
        flip = torch.where(torch.rand(n, device=device) < (1 + way) / 2, 1.0, -1.0)
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


class Shelf:
    """The pieces worn last: each is seen more than once."""

    def __init__(self, size: int, device: torch.device) -> None:
        """Make room."""
        kind = torch.float16 if device.type == "cuda" else torch.float32

        def blank(*shape: int) -> Tensor:
            return torch.zeros((size, *shape), dtype=kind, device=device)

        self.held = Seen(
            dark=blank(CROP, CROP),
            level=blank(),
            truth=blank(CROP, CROP),
            vote=blank(CROP, CROP),
            soft=blank(CROP // 2, CROP // 2),
        )
        self.size, self.count, self.device = size, 0, device

    def put(self, seen: Seen) -> None:
        """Keep pieces in place of the oldest."""
        n = len(seen.dark)
        at = torch.arange(self.count, self.count + n, device=self.device) % self.size
        for name, plane in vars(self.held).items():
            plane[at] = getattr(seen, name).to(plane.dtype)
        self.count += n

    def some(self, n: int) -> Seen:
        """Return pieces at random."""
        at = torch.randint(min(self.count, self.size), (n,), device=self.device)
        return Seen(**{name: plane[at].float() for name, plane in vars(self.held).items()})
