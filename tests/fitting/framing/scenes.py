"""Photos of sheets on surfaces, made on the GPU: what is drawn, where it lies, its light, the lens.

A pool of surfaces and one of art (``surfaces.py``, ``art.py``) come from the processor's cores;
each photo puts some of them together anew, so none is seen twice. Light is linear until the lens.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch
import torch.nn.functional as fn
from numpy.typing import NDArray
from torch import Tensor

from tests.fitting.framing import things
from tests.fitting.framing.cameras import beside, camera, page_half, pictured, placed

FINER = 1  # photos are drawn so much finer, then averaged: sides are exact without
HEAPS = ("none", "stack", "fan", "rows", "strewn")
HEAP_SHARES = (0.4, 0.14, 0.15, 0.08, 0.23)
MOST_OTHERS = 9
NOTEBOOKS = 0.22  # share of sets of photos with a notebook's other page
BOARDS = 0.25  # with a board, mat or cover under the sheet that shows around it


@dataclass(frozen=True)
class Pools:
    """``tops`` (K, 3, S, S) and ``art`` (L, 3, h, w), uint8."""

    tops: Tensor
    art: Tensor


@dataclass(frozen=True)
class Photos:
    """``codes`` (N, 3, H, W) uint8; ``sheet`` (N, H/2, W/2) its share of each place, whatever lies
    over it; ``sides`` likewise 1 along its own sides; ``others`` the share of other sheets."""

    codes: Tensor
    sheet: Tensor
    sides: Tensor
    others: Tensor

    def only(self, chosen: Tensor) -> Photos:
        """Return some of them."""
        return Photos(*(part[chosen] for part in self.parts()))

    def parts(self) -> tuple[Tensor, Tensor, Tensor, Tensor]:
        """Return all there is of them."""
        return self.codes, self.sheet, self.sides, self.others


def sent(values: NDArray[np.float32] | NDArray[np.int64], device: str | torch.device) -> Tensor:
    """Return numbers on the device, without waiting for what it does meanwhile."""
    told = torch.from_numpy(np.ascontiguousarray(values))
    if torch.device(device).type == "cpu":
        return told
    return told.pin_memory().to(device, non_blocking=True)


class Chance:
    """Numbers for each of N photos, as (N, 1, 1) tensors."""

    def __init__(self, rng: np.random.Generator, many: int, device: str) -> None:
        self.rng, self.many, self.device = rng, many, device

    def put(self, values: NDArray[np.float64] | NDArray[np.bool_]) -> Tensor:
        """Return (N, 1, 1) or (N, C, 1, 1) for (N,) or (N, C)."""
        return sent(np.asarray(values, np.float32), self.device)[..., None, None]

    def even(self, low: float, high: float, share: float = 1.0) -> Tensor:
        """Return numbers between two, 0 instead for all but a share."""
        values = self.rng.uniform(low, high, self.many)
        return self.put(values * (self.rng.random(self.many) < share))

    def times(self, low: float, high: float, share: float = 1.0) -> Tensor:
        """Return numbers between two, evenly by their logarithm, 0 for all but a share."""
        values = np.exp(self.rng.uniform(np.log(low), np.log(high), self.many))
        return self.put(values * (self.rng.random(self.many) < share))

    def paper(self) -> Tensor:
        """Return the sRGB tone (N, 3, 1, 1) of paper: white, cream, grey, toned now and then."""
        tone = 1 - self.rng.beta(1.2, 6, (self.many, 1)) * 0.6
        tint = self.rng.normal(0, 1, (self.many, 3)) * self.rng.choice(
            [0.005, 0.02, 0.06], (self.many, 1), p=[0.6, 0.3, 0.1]
        )
        warm = np.array([0.02, 0.0, -0.05]) * self.rng.beta(1, 3, (self.many, 1)) * 1.5
        return self.put(np.clip(tone + tint + warm, 0.25, 1.0))


def linear(codes: Tensor) -> Tensor:
    """Return light for sRGB values 0 to 1, as near as photos need."""
    return codes.clamp(0, 1) ** 2.2


def inside(u: Tensor, v: Tensor, half: Tensor, rounded: Tensor) -> Tensor:
    """Return the signed distance (N, H, W) from the sides of rectangles, more inwards."""
    x, y = u.abs() - half[:, 0] + rounded, v.abs() - half[:, 1] + rounded
    out = torch.hypot(x.clamp_min(0), y.clamp_min(0))
    return rounded - out - torch.maximum(x, y).clamp_max(0)


def waved(c: Chance, at: Tensor, half: Tensor) -> Tensor:
    """Return how far a side is off its line along ``at``: bowed, cut askew, torn."""
    t = at / half
    bow = c.put(c.rng.normal(0, 0.006, c.many) * (c.rng.random(c.many) < 0.35)) * (1 - t * t)
    for low, high, size, share in (
        (1, 4, 0.002, 0.3),
        (15, 60, 0.0015, 0.08),
        (60, 250, 0.001, 0.08),
    ):
        bow = bow + c.even(0, size, share) * torch.sin(
            at * c.even(low, high) * 6.28 + c.even(0, 6.28)
        )
    return bow


def look(pool: Tensor, which: NDArray[np.int64], x: Tensor, y: Tensor, beyond: str) -> Tensor:
    """Return sRGB values (N, 3, H, W) of pictures of a pool at −1 to 1."""
    chosen = pool[sent(np.asarray(which, np.int64), pool.device)].float() / 255
    return fn.grid_sample(chosen, torch.stack([x, y], -1), "bilinear", beyond, align_corners=False)


def table(c: Chance, pools: Pools, u: Tensor, v: Tensor) -> Tensor:
    """Return the surface's sRGB values; of many only the tone is changed, towards paper's too."""
    scale, turn = c.times(0.55, 1.6), c.even(-3.15, 3.15)
    x = (u * turn.cos() + v * turn.sin()) / scale + c.even(-1, 1)
    y = (v * turn.cos() - u * turn.sin()) / scale + c.even(-1, 1)
    seen = look(pools.tops, c.rng.integers(0, len(pools.tops), c.many), x, y, "reflection")
    mean = seen.mean((2, 3), keepdim=True)
    full = np.where(c.rng.random(c.many) < 0.5, 1.0, c.rng.uniform(0.02, 1, c.many))
    away = (seen - mean) * c.put(full)[:, None]
    grey = mean.mean(1, keepdim=True) + c.put(c.rng.normal(0, 0.03, (c.many, 3)))
    tone = torch.where(c.put(c.rng.random(c.many) < 0.25)[:, None] > 0, grey, mean)
    light = c.paper() - c.even(-0.03, 0.18)[:, None]
    return (torch.where(c.put(c.rng.random(c.many) < 0.4)[:, None] > 0, light, tone) + away).clamp(
        0.01, 1
    )


def shadow(c: Chance, u: Tensor, v: Tensor, half: Tensor, most: float) -> Tensor:
    """Return the light (N, H, W) that a sheet lets onto what lies under it."""
    way, far = c.even(0, 6.28), c.times(0.0005, 0.015)
    soft = c.times(0.0006, 0.02)
    d = inside(u - far * way.cos(), v - far * way.sin(), half, soft)
    return 1 - c.times(0.02, most, 0.92) * torch.sigmoid(2.5 * d / soft)


def paper(
    c: Chance,
    art: tuple[Tensor, NDArray[np.int64]],
    u: Tensor,
    v: Tensor,
    half: Tensor,
    tone: Tensor,
) -> Tensor:
    """Return the light of a sheet with its art, folds and bends (N, 3, H, W)."""
    pool, which = art
    flip = c.put(c.rng.choice([-1.0, 1.0], (c.many, 2)))
    wide = (half[:, 0] > half[:, 1]).float()
    x, y = u / half[:, 0] * flip[:, 0], v / half[:, 1] * flip[:, 1]
    seen = look(pool, which, x * (1 - wide) + y * wide, y * (1 - wide) + x * wide, "border")
    seen = (
        1
        - (1 - seen)
        * c.put(np.where(c.rng.random(c.many) < 0.8, 1.0, c.rng.uniform(0, 1, c.many)))[:, None]
    )
    way = c.even(0, 6.28)
    across = u * way.cos() + v * way.sin()
    light = 1 + c.even(0, 0.1, 0.5) * torch.sin(across * c.even(0.5, 4) * 6.28 + c.even(0, 6.28))
    for at in (u, v):
        d = at - c.even(-0.35, 0.35)
        here = c.times(0.001, 0.01)
        light = light - c.put(
            c.rng.normal(0, 0.12, c.many) * (c.rng.random(c.many) < 0.12)
        ) * torch.exp(-((d / here) ** 2))
        light = light + c.put(
            c.rng.normal(0, 0.03, c.many) * (c.rng.random(c.many) < 0.12)
        ) * torch.tanh(d / here)
    return linear(seen * tone) * light[:, None]


def photos(rng: np.random.Generator, pools: Pools, many: int, size: tuple[int, int]) -> Photos:
    """Return ``many`` photos (width, height) px, alike in how many things there are in each."""
    device = str(pools.tops.device)
    c = Chance(rng, many, device)
    halves = [page_half(rng) for _ in range(many)]
    views, modes = zip(*(camera(rng, half, size) for half in halves), strict=True)
    matrices = np.stack(views)
    half = c.put(np.stack(halves))
    u, v, scale = _plane(matrices, size, device)
    light = linear(table(c, pools, u, v))
    tone = c.paper()
    art = pools.art, rng.integers(0, len(pools.art), many)
    shown = [pictured(matrix, size) for matrix in matrices]
    heap = str(rng.choice(HEAPS, p=HEAP_SHARES))
    other = torch.zeros_like(u)
    for _ in range(0 if heap == "none" else int(rng.integers(1, MOST_OTHERS))):
        poses = [placed(rng, heap, own, seen) for own, seen in zip(halves, shown, strict=True)]
        at, turn, own = (c.put(np.array([pose[k] for pose in poses])) for k in range(3))
        x, y = u - at[:, 0], v - at[:, 1]
        x, y = x * turn.cos() + y * turn.sin(), y * turn.cos() - x * turn.sin()
        like = c.put(rng.random(many) < 0.6)[:, None]
        tint = (tone * like + c.paper() * (1 - like)) * (1 + c.put(rng.normal(0, 0.02, many)))[
            :, None
        ]
        again = np.where(rng.random(many) < 0.3, art[1], rng.integers(0, len(pools.art), many))
        light, other = _laid(c, (pools.art, again), (light, other), (x, y, scale), own, tint)
    if rng.random() < BOARDS:
        light, other = _board(c, (light, other), (u, v, scale), half)
    if rng.random() < NOTEBOOKS:
        pages = np.stack([beside(rng, own, seen) for own, seen in zip(halves, shown, strict=True)])
        light, other = _other_page(c, pools, (light, other), (u, v, scale), half, tone, pages)
    # the sheet itself: its sides, and the holes in it
    x, y = u + waved(c, v, half[:, 1]), v + waved(c, u, half[:, 0])
    d = inside(x, y, half, c.even(0.001, 0.03, 0.15) + 1e-4)
    cover = (d * scale * FINER + 0.5).clamp(0, 1)
    own = paper(c, art, x, y, half, tone)
    near = d.abs()
    own = own * (1 + c.even(-0.12, 0.12, 0.3) * torch.exp(-near / c.times(0.003, 0.05)))[:, None]
    under = shadow(c, u, v, half, 0.6) * (
        1 - c.times(0.02, 0.6, 0.6) * torch.exp(-((near / c.times(0.0006, 0.003)) ** 2))
    )
    alpha = cover * (1 - _holes(c, x, y, half, scale)) if rng.random() < 0.2 else cover
    light = light * under[:, None] * (1 - alpha[:, None]) + own * alpha[:, None]
    pooled = fn.avg_pool2d(cover[:, None], 2 * FINER)
    rest = fn.avg_pool2d((other * (1 - cover))[:, None], 2 * FINER)
    sides = fn.max_pool2d(pooled, 3, 1, 1) + fn.max_pool2d(-pooled, 3, 1, 1) > 0.5
    light = things.laid_on(c, light, matrices, halves)
    bare = [k for k, mode in enumerate(modes) if mode == "scan"]
    codes = things.taken(c, light, fn.avg_pool2d(cover[:, None], FINER), bare)
    return Photos(codes, pooled[:, 0], sides[:, 0].float(), rest[:, 0])


def _plane(
    matrices: NDArray[np.float64], size: tuple[int, int], device: str
) -> tuple[Tensor, Tensor, Tensor]:
    """Return where on the plane each place is, and px of the photo per unit there."""
    back = np.linalg.inv(matrices)
    middle = back @ np.array([size[0] / 2, size[1] / 2, 1.0])
    back = back / middle[:, 2:, None]
    m = sent(back.astype(np.float32), device)[..., None, None]
    x = ((torch.arange(size[0] * FINER, device=device) + 0.5) / FINER)[None, None]
    y = ((torch.arange(size[1] * FINER, device=device) + 0.5) / FINER)[None, :, None]
    w = (m[:, 2, 0] * x + m[:, 2, 1] * y + m[:, 2, 2]).clamp_min(0.02)
    u = (m[:, 0, 0] * x + m[:, 0, 1] * y + m[:, 0, 2]) / w
    v = (m[:, 1, 0] * x + m[:, 1, 1] * y + m[:, 1, 2]) / w
    det = sent(np.abs(np.linalg.det(back)).astype(np.float32), device)[:, None, None]
    return u, v, torch.sqrt(w**3 / det)


def _laid(
    c: Chance,
    art: tuple[Tensor, NDArray[np.int64]],
    there: tuple[Tensor, Tensor],
    at: tuple[Tensor, Tensor, Tensor],
    half: Tensor,
    tone: Tensor,
) -> tuple[Tensor, Tensor]:
    """Return the light, and the share of other sheets, with another laid on all that is there."""
    light, other = there
    u, v, scale = at
    d = inside(u, v, half, c.even(0.0005, 0.02, 0.2) + 1e-4)
    alpha = (d * scale * FINER + 0.5).clamp(0, 1)
    under = shadow(c, u, v, half, 0.5)[:, None]
    laid = paper(c, art, u, v, half, tone)
    light = light * under * (1 - alpha[:, None]) + laid * alpha[:, None]
    return light, torch.maximum(other, alpha)


def _board(
    c: Chance, there: tuple[Tensor, Tensor], at: tuple[Tensor, Tensor, Tensor], half: Tensor
) -> tuple[Tensor, Tensor]:
    """Return the same with a board, a mat, a block's back or a cover, a little larger than the
    sheet, under it; other sheets are under both."""
    light, other = there
    u, v, scale = at
    more = c.put(
        np.exp(c.rng.uniform(np.log(0.003), np.log(0.15), (c.many, 1)))
        * c.rng.uniform(0.2, 1, (c.many, 2))
        * (c.rng.random((c.many, 1)) < 0.6)
    )
    off = c.put(c.rng.uniform(-1, 1, (c.many, 2))) * more
    turn = c.even(-0.02, 0.02, 0.4)
    x, y = u * turn.cos() + v * turn.sin(), v * turn.cos() - u * turn.sin()
    x, y, size = x - off[:, 0], y - off[:, 1], half + more
    d = inside(x, y, size, c.even(0.001, 0.04, 0.6) + 1e-4)
    alpha = (d * scale * FINER + 0.5).clamp(0, 1)
    alpha = alpha * (more[:, 0] > 0).float()
    tone = c.put(c.rng.beta(0.7, 1.3, (c.many, 1)) + c.rng.normal(0, 0.08, (c.many, 3)))
    own = linear(tone.clamp(0.01, 1)) * (1 - c.even(0, 0.4) * (1 - d / 0.05).clamp(0, 1))[:, None]
    dark = 1 - (1 - shadow(c, x, y, size, 0.6)) * (more[:, 0] > 0).float()
    light = light * dark[:, None] * (1 - alpha[:, None]) + own * alpha[:, None]
    return light, other * (1 - alpha)


def _other_page(
    c: Chance,
    pools: Pools,
    there: tuple[Tensor, Tensor],
    at: tuple[Tensor, Tensor, Tensor],
    half: Tensor,
    tone: Tensor,
    pages: NDArray[np.float64],
) -> tuple[Tensor, Tensor]:
    """Return the same with the notebook's other page, its middle at ``pages`` (N, 2), beside the
    sheet, the fold between them."""
    u, v, scale = at
    away = c.put(pages)
    across = c.put((np.abs(pages[:, 0]) > 0) & (np.abs(pages[:, 0]) < 9))
    seen = c.put(np.abs(pages).max(1) < 9)
    art = pools.art, c.rng.integers(0, len(pools.art), c.many)
    near = tone * (
        1 + c.put(c.rng.normal(0, 0.02, (c.many, 3)) * (c.rng.random((c.many, 1)) < 0.5))
    )
    light, other = _laid(
        c, art, there, (u - away[:, 0], v - away[:, 1], scale), half, near.clamp(0, 1)
    )
    fold = (u - away[:, 0] / 2).abs() * across + (v - away[:, 1] / 2).abs() * (1 - across)
    dark = c.even(0, 0.5, 0.8) * torch.exp(-fold / c.times(0.003, 0.06)) * seen
    light = light * (1 - dark)[:, None]
    along = torch.remainder(v * across + u * (1 - across), c.even(0.015, 0.05))
    wire = (fold < c.even(0.008, 0.03)) & (along < c.even(0.004, 0.012, 0.4)) & (seen > 0)
    metal = wire.float()[:, None]
    light = light * (1 - metal) + linear(c.paper() - c.even(0, 0.8)[:, None]) * metal
    return light, other


def _holes(c: Chance, u: Tensor, v: Tensor, half: Tensor, scale: Tensor) -> Tensor:
    """Return 1 where a sheet is punched: two or four holes, or a row where it was torn off."""
    row = c.put(c.rng.random(c.many) < 0.5)
    period = row * c.even(0.015, 0.06) + (1 - row) * c.even(0.25, 0.35)
    radius = torch.minimum(c.even(0.006, 0.014), period * 0.35)
    side = c.put(c.rng.choice([-1.0, 1.0], c.many))
    along = torch.remainder(v + c.even(-0.1, 0.1), period) - period / 2
    away = u * side + half[:, 0] - c.even(0.01, 0.06) * (1 - row) - c.even(0.004, 0.02) * row
    d = radius - torch.hypot(along, away)
    return (d * scale * FINER + 0.5).clamp(0, 1)
