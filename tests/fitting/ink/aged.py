"""What old sheets and copies have beside the ink: deep folds, copying noise, creases; and washes.

All are densities (N, H, W) on the fine grid; ``per_mm`` (N,) is its scale in px/mm, ``old`` (N,)
1 for an old page, ``page`` (N,) how dense the page's ink is, ``weak`` (N,) the same levelled.
"""

from __future__ import annotations

import math

import torch
import torch.nn.functional as fn
from torch import Tensor

from tests.fitting.ink.papers import across, field, slow, spread, uniform


def beside(shape: tuple[int, int, int], per_mm: Tensor, old: Tensor, page: Tensor) -> Tensor:
    """Return the density of all of these, each on a few of the pieces."""
    total = torch.zeros(shape, device=per_mm.device)
    weak = (0.3 + 0.7 * page).clamp_max(1.3)
    for make, share, aged, given in (
        (gutters, 0.09, 4.0, weak),
        (copied, 0.09, 4.0, weak),
        (creases, 0.1, 1.0, page),
        (washes, 0.1, 0.5, page),
    ):
        # on old pages so many times as often as on others
        few = torch.multinomial(1 + (aged - 1) * old, max(1, round(share * shape[0])))
        part = make((len(few), shape[1], shape[2]), per_mm[few], given[few])
        total[few] = total[few] + part
    return total


def _quarter(n: int, device: torch.device, lean: float) -> Tensor:
    """Return (n,) angles: level or upright, give or take ``lean``."""
    way = torch.randint(4, (n,), device=device).float() * (math.pi / 2)
    return way + lean * torch.randn(n, device=device)


def gutters(shape: tuple[int, int, int], per_mm: Tensor, weak: Tensor) -> Tensor:
    """A deep fold or the gutter of a book: dark and broad, sharp on one side, rough inside."""
    n, device = shape[0], per_mm.device
    far = 0.45 * shape[1]
    away, _ = across(shape, _quarter(n, device, 0.05), uniform(n, -far, far, device))
    away = away + (0.4 * per_mm)[:, None, None] * slow(shape, spread(n, 2, 8, device) * per_mm)
    sharp = (per_mm * spread(n, 0.04, 0.5, device))[:, None, None]
    fade = (per_mm * spread(n, 0.3, 4, device))[:, None, None]
    body = torch.sigmoid(away / sharp) * torch.exp(-away.clamp_min(0) / fade)
    rough = uniform(n, 0, 0.5, device)[:, None, None] * field(
        shape, spread(n, 0.1, 0.6, device) * per_mm
    )
    broken = torch.sigmoid(2 + 2 * slow(shape, spread(n, 6, 30, device) * per_mm))
    much = (weak * spread(n, 0.2, 1.8, device))[:, None, None]
    return much * body * (1 + rough).clamp(0.2, 2) * broken


def copied(shape: tuple[int, int, int], per_mm: Tensor, weak: Tensor) -> Tensor:
    """The grain of a copy or a microfilm: specks and streaks, dense towards one side."""
    n, high, wide = shape
    device = per_mm.device
    far = 0.5 * high
    away, _ = across(shape, _quarter(n, device, 0.2), uniform(n, -far, far, device))
    where = torch.sigmoid(away / (spread(n, 0.05, 0.4, device) * high)[:, None, None])
    where = where + 0.25 * slow(shape, spread(n, 3, 15, device) * per_mm)
    size = (spread(n, 0.1, 0.35, device) * per_mm).clamp_min(2.0)
    fine = field(shape, size, 0.5)
    streak = field((n, high, wide // 8), size)[:, None]
    streak = fn.interpolate(streak, (high, wide), mode="bilinear")[:, 0]
    share = uniform(n, 0, 0.8, device)[:, None, None]
    noise = (fine + share * streak) / torch.sqrt(1 + share**2)
    most = uniform(n, 0.8, 3.2, device)[:, None, None]
    much = (weak * spread(n, 0.2, 1.2, device))[:, None, None]
    return much * torch.sigmoid((noise - 2.6 + most * where.clamp(0, 1.3)) / 0.25)


def creases(shape: tuple[int, int, int], per_mm: Tensor, page: Tensor) -> Tensor:
    """Thin lines that wander and meet, as in leather or paper that was crumpled."""
    n, device = shape[0], per_mm.device
    total = torch.zeros(shape, device=device)
    for _ in range(2):
        ground = field(shape, spread(n, 0.8, 5, device) * per_mm, 0.5)
        thin = spread(n, 0.02, 0.08, device)[:, None, None]
        patch = torch.sigmoid(3 * slow(shape, spread(n, 3, 20, device) * per_mm))
        total = torch.maximum(total, torch.exp(-0.5 * (ground / thin) ** 2) * patch)
    some = spread(n, 0.04, 0.4, device) * page.clamp(0.2, 1.0)
    return some[:, None, None] * total


def washes(shape: tuple[int, int, int], per_mm: Tensor, page: Tensor) -> Tensor:
    """Broad even tone with clean edges, far paler than the ink."""
    n, device = shape[0], per_mm.device
    wave = slow(shape, spread(n, 4, 18, device) * per_mm, 4)
    level = uniform(n, 0.5, 1.6, device)[:, None, None]
    soft = spread(n, 0.004, 0.05, device)[:, None, None]
    much = spread(n, 0.08, 0.42, device) * page.clamp(0.3, 2.2)
    return much[:, None, None] * torch.sigmoid((wave - level) / soft)
