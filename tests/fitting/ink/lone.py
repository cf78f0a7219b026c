"""Lone marks: dots, full stops and short ticks, which nothing beside them shows to be ink.

A dot of a fine pen is a few px, so it counts next to nothing beside strokes; each is weighed as
a short stroke is. Dust lies on the same pages, smaller and paler: what a mark holds tells them
apart, and a mark that cannot be told from the paper's noise has no say.
"""

from __future__ import annotations

import torch
import torch.nn.functional as fn
from torch import Tensor

from tests.fitting.ink.papers import chance, softened, spread, uniform

SHARE, MOST = 0.3, 14  # of the pieces that get marks; how many each
CLOSE = 0.45  # share of pieces on which they lie in company
WIDE_MM, LONG_MM, TICKS = (0.12, 0.42), (0.2, 0.8), 0.35  # share of ticks among them
CLEAR_MM = 0.35  # nothing else is drawn so near
PATCH = 64  # px of the fine grid that hold a mark
SMALL_PX, STEPS = 8, 9  # what is no longer is small; looked for in so many steps
COUNTS_PX, MOST_SAY = 80.0, 8.0  # a small mark counts as so many px, a px at most so much
BESIDE, BESIDE_PX = 0.25, 2  # what the paper around it counts of that
# Ink is seen if it is so much darker than the paper by it: in its noise, and at all. A lone mark
# has to be darker: in noise, and as a share of the page's ink.
SEEN, LEAST_SEEN = 0.9, 0.025
LONE_SEEN, LONE_SHARE = 4.0, 0.13


def marks(cover: Tensor, per_mm: Tensor) -> tuple[Tensor, Tensor]:
    """Return coverage and density of dots and ticks, (N, H, W), where ``cover`` is bare."""
    n, high, wide = cover.shape
    device = cover.device
    many = torch.randint(1, MOST + 1, (n,), device=device) * chance(n, SHARE, device)
    asked = torch.arange(MOST, device=device)[None] < many[:, None]
    middle = torch.rand(n, 1, 2, device=device)
    apart = (spread(n, 0.6, 5, device) * per_mm / high)[:, None, None]
    close = middle + apart * torch.randn(n, MOST, 2, device=device)
    free = torch.rand(n, MOST, 2, device=device)
    at = torch.where(chance(n, CLOSE, device)[:, None, None] > 0, close, free)
    which, k = asked.nonzero(as_tuple=True)
    at, scale = at[which, k], per_mm[which]
    m = len(which)
    pen = spread(n, *WIDE_MM, device)[which] * uniform(m, 0.8, 1.25, device)
    long = spread(m, *LONG_MM, device) * chance(m, TICKS, device) * scale
    turn = uniform(m, 0, 3.2, device)
    density = uniform(n, 0.5, 1.3, device)[which] * uniform(m, 0.75, 1.2, device)

    rows = (at[:, 0] * (high - PATCH)).clamp(0, high - PATCH - 1)
    columns = (at[:, 1] * (wide - PATCH)).clamp(0, wide - PATCH - 1)
    steps = torch.arange(PATCH, device=device)
    down = rows.long()[:, None, None] + steps[None, :, None]
    right = columns.long()[:, None, None] + steps[None, None, :]
    y = down - rows[:, None, None] - PATCH / 2
    x = right - columns[:, None, None] - PATCH / 2
    cos, sin = torch.cos(turn)[:, None, None], torch.sin(turn)[:, None, None]
    along = ((x * cos + y * sin).abs() - long[:, None, None] / 2).clamp_min(0)
    away = torch.hypot(along, y * cos - x * sin) - (pen * scale)[:, None, None] / 2
    own = (0.5 - away).clamp(0, 1)
    flat = (which[:, None, None] * high + down) * wide + right
    taken = cover.reshape(-1)[flat] * (away < CLEAR_MM * scale[:, None, None])
    own = own * (taken.amax((1, 2)) < 0.02)[:, None, None]
    laid, code = (
        torch.zeros(n * high * wide, device=device),
        torch.ones(n * high * wide, device=device),
    )
    laid.scatter_reduce_(0, flat.reshape(-1), own.reshape(-1), "amax")
    inside = away < 2
    code[flat[inside]] = density[:, None, None].expand_as(away)[inside]
    return laid.reshape(cover.shape), code.reshape(cover.shape)


def small(truth: Tensor, broad: Tensor) -> Tensor:
    """Return (N, h, w) bool: what is ink and no longer than ``SMALL_PX``, on no ``broad`` stroke.

    How far each piece of ink reaches is told on step by step from px to px.
    """
    n, high, wide = truth.shape
    ink = (truth > 0.15)[:, None]
    y = torch.arange(high, device=truth.device, dtype=truth.dtype)[None, None, :, None]
    x = torch.arange(wide, device=truth.device, dtype=truth.dtype)[None, None, None, :]
    ends = torch.cat([s.expand(n, 1, high, wide) for s in (y, -y, x, -x)], 1)
    nothing = torch.full_like(ends, -1e4)
    ends = torch.where(ink, ends, nothing)
    for _ in range(STEPS):
        ends = torch.where(ink, fn.max_pool2d(ends, 3, 1, 1), nothing)
    long = torch.maximum(ends[:, 0] + ends[:, 1], ends[:, 2] + ends[:, 3]) + 1
    return (long <= SMALL_PX) & ink[:, 0] & ~broad


def say(truth: Tensor, alone: Tensor) -> Tensor:
    """Return (N, h, w) what lone marks and the paper beside them count, 1 elsewhere."""
    own = (truth * alone)[:, None]
    area = fn.avg_pool2d(own, 2 * SMALL_PX + 1, 1, SMALL_PX) * (2 * SMALL_PX + 1) ** 2
    more = (COUNTS_PX / area.clamp_min(1)).clamp(1, MOST_SAY) - 1
    here = more * alone[:, None]
    beside = fn.max_pool2d(here, 2 * BESIDE_PX + 1, 1, BESIDE_PX) * (truth < 0.15)[:, None]
    return 1 + torch.maximum(here, BESIDE * beside)[:, 0]


def to_be_seen(dark: Tensor, truth: Tensor, alone: Tensor, full: Tensor, per_mm: Tensor) -> Tensor:
    """Return 0 around ink that nobody could see: too near the paper for the page's noise.

    ``full`` (N,) is how dark the page's ink is; lone marks are asked for a share of it.
    """
    near = fn.max_pool2d(truth[:, None], 9, 1, 4)[:, 0] > 0.02
    paper = torch.where(near, torch.nan, dark)
    few = paper[:, ::4, ::4].reshape(len(dark), -1)
    usual = few.nanmedian(1).values.nan_to_num(0)[:, None, None]
    noise = (few - usual[:, :, 0]).abs().nanmedian(1).values.nan_to_num(0.01) * 1.48
    noise = noise[:, None, None]
    sigma = 0.4 * per_mm
    bare = torch.where(near, torch.zeros_like(dark), dark)
    ground = softened(bare, 3 * sigma) / softened((~near).float(), 3 * sigma).clamp_min(0.03)
    ground = torch.where(ground > 0, ground, usual)
    ink = softened(dark * truth, sigma) / softened(truth, sigma).clamp_min(1e-3)
    contrast = ink - ground
    unseen = (contrast < SEEN * noise) | (contrast < LEAST_SEEN)
    most = fn.max_pool2d((dark * alone)[:, None], 2 * SMALL_PX + 1, 1, SMALL_PX)[:, 0] - ground
    around = fn.max_pool2d(alone[:, None].float(), 9, 1, 4)[:, 0] > 0
    faint = (most < LONE_SEEN * noise) | (most < LONE_SHARE * full[:, None, None])
    return 1 - (near & (unseen | (around & faint))).float()
