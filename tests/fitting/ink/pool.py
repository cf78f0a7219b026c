"""The pages drawn last, crops of them, and the pieces worn last, on the GPU.

A piece's pencil is three things: a sketch that knows nothing of the ink, the ink's own lines
looked for beforehand (bent a little, once or twice beside them), and another page's lines.
"""

from __future__ import annotations

import math
from collections import deque

import torch
import torch.nn.functional as fn
from torch import Tensor

from inkclean.base.arrays import U8
from tests.fitting.ink.papers import across, blurred, slow, spread, uniform
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
        self.nature = torch.zeros((size, 4, SIDE // 2, SIDE // 2), dtype=torch.uint8, device=device)
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
        pages, grid = self._pages(n, kind), self._grid(per_mm, way)
        main = self._cover(pages, grid, coarse=coarse)
        nature = self.nature[pages][:, :3].float() / 255
        made = fn.grid_sample(nature, grid, mode="nearest", align_corners=False)
        behind = self._cover(self._pages(n, kind), self._grid(per_mm, -way), coarse=coarse)
        old = (torch.rand(n, device=device) < AGED[kind]).float()
        return Pieces(
            cover=main * self._written(per_mm, old),
            density=made[:, 0] * (255 / DENSITY_ONE),
            dry=made[:, 1],
            broad=made[:, 2],
            behind=behind,
            pencil=self._pencil(pages, grid, per_mm),
            per_mm=per_mm,
            old=old,
        )

    def _written(self, per_mm: Tensor, old: Tensor) -> Tensor:
        """Return (N, H, W) 1 where something is drawn or written; on some pieces a part is bare."""
        n, device = len(per_mm), per_mm.device
        bare = torch.rand(n, device=device) < 0.06 + 0.19 * old
        turn = torch.randint(4, (n,), device=device) * (math.pi / 2)
        turn = turn + 0.1 * torch.randn(n, device=device)
        far = torch.where(bare, uniform(n, -1.0, 0.6, device), -3.0) * CROP
        away, _ = across((n, 2 * CROP, 2 * CROP), turn, far)
        bent = away + (2 * per_mm)[:, None, None] * slow(tuple(away.shape), 6 * per_mm)
        return (bent > 0).float()

    def _pencil(self, pages: Tensor, grid: Tensor, per_mm: Tensor) -> Tensor:
        """Return (N, H, W) 0 to 1: how hard a pencil was pressed."""
        device, n = self.device, len(pages)
        sketch = self.nature[pages][:, 3:].float() / 255
        total = fn.grid_sample(sketch, grid, align_corners=False)[:, 0]
        total = total * (torch.rand(n, 1, 1, device=device) < 0.7)
        for share, far_mm in ((0.55, 1.0), (0.35, 1.4), (0.25, 0.0)):
            # the ink's own lines, or those of another page
            which = pages if far_mm else self._pages(n, "fine")
            bend = torch.randn(n, 2, 7, 7, device=device) * far_mm
            bend = bend * torch.rand(n, 1, 1, 1, device=device) * (2 / SIDE * PX_PER_MM)
            bend = fn.interpolate(bend, grid.shape[1:3], mode="bicubic", align_corners=True)
            lines = self._cover(which, grid + bend.permute(0, 2, 3, 1), coarse=True)
            lines = _pencil_lines(lines, per_mm)
            press = (torch.rand(n, device=device) < share) * (
                0.3 + 0.7 * torch.rand(n, device=device)
            )
            total = torch.maximum(total, lines * press[:, None, None])
        # parts of it erased
        gone = slow(tuple(total.shape), spread(n, 4, 30, device) * per_mm)
        erased = torch.sigmoid((gone - uniform(n, -0.3, 2.5, device)[:, None, None]) * 4)
        return total.clamp(0, 1) * (1 - 0.9 * erased)

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

    def _grid(self, per_mm: Tensor, way: int) -> Tensor:
        """Return where crops look; ``way`` is 1 for upright ones, -1 for mirrored, 0 for any."""
        device, n = self.device, len(per_mm)
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
        return fn.affine_grid(matrix, [n, 1, 2 * CROP, 2 * CROP], align_corners=False)

    def _cover(self, which: Tensor, grid: Tensor, *, coarse: bool) -> Tensor:
        """Return (N, H, W) 0 to 1: the shapes of pages where ``grid`` looks."""
        cover = self.cover[which][:, None].float()
        if coarse:
            cover = fn.avg_pool2d(cover, 2)
        return fn.grid_sample(cover, grid, align_corners=False)[:, 0] / 255


def _pencil_lines(lines: Tensor, per_mm: Tensor) -> Tensor:
    """Return ink's shapes as a pencil would draw them: broad soft lines, no blacks filled."""
    n, device = len(per_mm), per_mm.device
    near = blurred(lines, 0.3 * per_mm)
    rims = lines * (1 - ((near - 0.75) * 8).clamp(0, 1))
    soft = blurred(rims, spread(n, 0.05, 0.25, device) * per_mm)
    return ((soft - 0.05) * uniform(n, 2.5, 9, device)[:, None, None]).clamp(0, 1)


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
            middle=blank(CROP, CROP),
            before=blank(CROP, CROP),
            alone=blank(CROP, CROP),
        )
        self.size, self.count, self.device = size, 0, device
        self.faulty = torch.zeros((), dtype=torch.int64, device=device)

    def put(self, seen: Seen) -> None:
        """Keep pieces in place of the oldest; what is no number in one takes its say."""
        n = len(seen.dark)
        at = torch.arange(self.count, self.count + n, device=self.device) % self.size
        sound = torch.ones(n, dtype=torch.bool, device=self.device)
        for name, plane in vars(self.held).items():
            given = getattr(seen, name).to(plane.dtype)
            sound &= torch.isfinite(given.reshape(n, -1)).all(1)
            plane[at] = given.nan_to_num(0, 0, 0)
        self.held.vote[at] *= sound[:, None, None]
        self.faulty += (~sound).sum()
        self.count += n

    def some(self, n: int) -> Seen:
        """Return pieces at random."""
        at = torch.randint(min(self.count, self.size), (n,), device=self.device)
        return Seen(**{name: plane[at].float() for name, plane in vars(self.held).items()})
