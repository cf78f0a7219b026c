"""Hands and things over a sheet, the room's light, the camera; photos are (N, 3, H, W) of light."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import torch
import torch.nn.functional as fn
from numpy.typing import NDArray
from torch import Tensor

if TYPE_CHECKING:
    from tests.fitting.framing.scenes import Chance

F64 = NDArray[np.float64]
SPOTS = 5


def laid_on(c: Chance, light: Tensor, matrices: F64, halves: list[F64]) -> Tensor:
    """Return the photos with hands, pens, rulers, cups and the like over the sheets' sides."""
    kind = c.rng.random()
    if kind < 0.42:
        return light
    high, wide = light.shape[2:]
    x = torch.arange(wide, device=light.device).float()[None, None] + 0.5
    y = torch.arange(high, device=light.device).float()[None, :, None] + 0.5
    spots, inward, scale = _spots(c, matrices, halves, (wide, high))
    if kind < 0.68:
        return _hand(c, light, (x, y), (spots, inward, scale))
    if kind < 0.74:
        light = _hand(c, light, (x, y), (spots, inward, scale))
    for _ in range(int(c.rng.integers(1, 6))):
        light = _thing(c, light, (x, y), _spots(c, matrices, halves, (wide, high)))
    return light


def _spots(
    c: Chance, matrices: F64, halves: list[F64], size: tuple[int, int]
) -> tuple[F64, F64, F64]:
    """Return a place (N, 2) on a side of each sheet in px, in the picture if one of a few is, the
    way inwards, px of its length."""
    spots, ways, scales = [], [], []
    for matrix, half in zip(matrices, halves, strict=True):
        a = c.rng.uniform(-1, 1, (SPOTS, 2))
        k = c.rng.integers(0, 2, SPOTS)
        off = c.rng.choice([1.0, 0.9, c.rng.uniform(0, 1.3)], SPOTS)
        a[np.arange(SPOTS), k] = np.sign(a[np.arange(SPOTS), k]) * off
        points = np.concatenate(
            [a * half, [[0, 0], [half[0], 0], [-half[0], 0], [0, half[1]], [0, -half[1]]]]
        )
        seen = np.column_stack([points, np.ones(len(points))]) @ matrix.T
        seen = seen[:, :2] / seen[:, 2:]
        shown = ((seen[:SPOTS] > 0) & (seen[:SPOTS] < size)).all(axis=1)
        spot, (middle, *ends) = seen[int(shown.argmax())], seen[SPOTS:]
        way = middle - spot
        spots.append(spot)
        ways.append(way / max(np.hypot(*way), 1.0))
        scales.append(max(np.hypot(*(ends[0] - ends[1])), np.hypot(*(ends[2] - ends[3]))))
    return np.array(spots), np.array(ways), np.array(scales)


def _limb(c: Chance, at: tuple[Tensor, Tensor], a: F64, b: F64, ra: F64, rb: F64) -> Tensor:
    """Return the signed distance (N, H, W) from limbs between (N, 2) ``a`` and ``b``."""
    x, y = at
    start, leg = c.put(a), c.put(b - a)
    dx, dy = x - start[:, 0], y - start[:, 1]
    t = ((dx * leg[:, 0] + dy * leg[:, 1]) / (leg**2).sum(1).clamp_min(1.0)).clamp(0, 1)
    return c.put(ra) * (1 - t) + c.put(rb) * t - torch.hypot(dx - t * leg[:, 0], dy - t * leg[:, 1])


def _hand(
    c: Chance, light: Tensor, at: tuple[Tensor, Tensor], place: tuple[F64, F64, F64]
) -> Tensor:
    """Return the photos with a forearm, palm and fingers, bent or stretched."""
    spot, inward, scale = place
    n = c.many
    turn = c.rng.normal(0, 0.5, n)
    way = np.stack([inward[:, 0] * np.cos(turn) - inward[:, 1] * np.sin(turn),
                    inward[:, 0] * np.sin(turn) + inward[:, 1] * np.cos(turn)], 1)  # fmt: skip
    across = np.stack([-way[:, 1], way[:, 0]], 1) * c.rng.choice([-1.0, 1.0], (n, 1))
    unit = (scale * np.exp(c.rng.normal(-2.6, 0.3, n)))[:, None]  # half a hand's breadth
    palm = spot + way * unit * c.rng.uniform(-1, 2, (n, 1))
    wrist = palm - way * unit * 2.0
    r = unit[:, 0]
    d = _limb(
        c,
        at,
        wrist - way * unit * 30 + across * unit * c.rng.normal(0, 8, (n, 1)),
        wrist,
        r * c.rng.uniform(0.8, 1.6, n),
        r * 0.75,
    )
    d = torch.maximum(d, _limb(c, at, wrist, palm, r * 0.75, r))
    bent = c.rng.normal(0, 0.5, (n, 1))
    for k in range(4):
        root = palm + across * unit * (k - 1.5) * 0.5
        knuckle = root + (
            way + across * c.rng.normal((k - 1.5) * 0.12, 0.1, (n, 1))
        ) * unit * c.rng.uniform(1.0, 1.7, (n, 1))
        tip = knuckle + (way + across * bent) * unit * c.rng.uniform(0.2, 1.1, (n, 1))
        d = torch.maximum(d, _limb(c, at, root, knuckle, r * 0.3, r * 0.26))
        d = torch.maximum(d, _limb(c, at, knuckle, tip, r * 0.26, r * 0.22))
    thumb = palm - across * unit * 0.8
    d = torch.maximum(
        d,
        _limb(
            c,
            at,
            thumb,
            thumb + (way - across * c.rng.uniform(0, 1.2, (n, 1))) * unit * 1.1,
            r * 0.34,
            r * 0.25,
        ),
    )
    skin = (
        np.array([0.80, 0.52, 0.40])
        * c.rng.uniform(0.1, 1.0, (n, 1))
        * np.exp(c.rng.normal(0, 0.12, (n, 3)))
    )
    round_ = (d / c.put(r * 0.4)).clamp(0, 1)
    own = (
        c.put(skin)[:, None].squeeze(1)
        * (0.5 + 0.5 * torch.sqrt(1 - (1 - round_) ** 2 + 1e-4))[:, None]
    )
    sleeve = c.put(c.rng.random(n) < 0.4)[:, None]
    cuff = _limb(
        c,
        at,
        wrist - way * unit * 30,
        wrist - way * unit * c.rng.uniform(0.3, 3, (n, 1)),
        r * 1.8,
        r * 1.2,
    )
    d2 = torch.where(sleeve[:, 0] > 0, torch.maximum(d, cuff), d)
    cloth = (cuff + 0.5).clamp(0, 1)[:, None] * sleeve
    own = own * (1 - cloth) + c.put(c.rng.beta(1, 1.5, (n, 3))) * cloth
    dark = _cast(c, d2, r * 0.8)
    alpha = (d2 + 0.5).clamp(0, 1)[:, None]
    return light * dark * (1 - alpha) + own * alpha


def _cast(c: Chance, d: Tensor, reach: F64) -> Tensor:
    """Return the light (N, 1, H, W) left by the shadow of something ``d`` px around."""
    soft = c.put(np.maximum(reach * c.rng.uniform(0.1, 1, c.many), 1.0))
    return 1 - (c.even(0.05, 0.6) * torch.sigmoid(3 * d / soft + c.even(-1, 1.5)))[:, None]


def _thing(
    c: Chance, light: Tensor, at: tuple[Tensor, Tensor], place: tuple[F64, F64, F64]
) -> Tensor:
    """Return the photos with one thing more: pen, ruler, eraser, cup, telephone, coin, tape."""
    spot, _, scale = place
    n = c.many
    kind = c.rng.random(n)
    long = np.where(
        kind < 0.45,
        c.rng.uniform(0.15, 0.4, n),
        np.where(kind < 0.7, c.rng.uniform(0.2, 0.7, n), c.rng.uniform(0.015, 0.25, n)),
    )
    wide = np.where(
        kind < 0.45,
        c.rng.uniform(0.006, 0.022, n),
        np.where(kind < 0.7, c.rng.uniform(0.015, 0.06, n), long * c.rng.uniform(0.4, 1, n)),
    )
    cup = kind > 0.88
    wide = np.where(cup, long, wide)
    rounded = np.where(cup, 1.0, c.rng.choice([0.05, 0.3, 0.98], n)) * wide
    turn = c.put(c.rng.uniform(-3.2, 3.2, n))
    x, y = at[0] - c.put(spot[:, 0]), at[1] - c.put(spot[:, 1])
    u, v = x * turn.cos() + y * turn.sin(), y * turn.cos() - x * turn.sin()
    a, b, r = (c.put(size * scale) for size in (long, wide, rounded))
    qx, qy = u.abs() - a + r, v.abs() - b + r
    d = r - torch.hypot(qx.clamp_min(0), qy.clamp_min(0)) - torch.maximum(qx, qy).clamp_max(0)
    own = c.put(c.rng.beta(0.8, 1.2, (n, 3)))
    shade = 1 - c.even(0, 0.8) * (v / b).clamp(-1, 1) ** 2
    shade = shade + c.even(0, 1.5, 0.3) * torch.exp(-((((v / b) - 0.3) / 0.15) ** 2))
    tip = (u / a > c.even(0.5, 1.1)).float()[:, None]
    own = (own * (1 - tip) + c.put(c.rng.beta(0.8, 1.2, (n, 3))) * tip) * shade[:, None]
    ticks = ((torch.remainder(u, c.even(3, 9)) < 1.2) & (v > b * 0.6)).float() * c.put(
        (kind > 0.45) & (kind < 0.7)
    )
    rings = (torch.cos(d / c.even(3, 15)) > 0.6).float() * c.put(cup)
    own = own * (1 - 0.7 * ticks - 0.4 * rings)[:, None]
    clear = np.where(
        (kind > 0.45) & (kind < 0.7) & (c.rng.random(n) < 0.5), c.rng.uniform(0.15, 0.8, n), 1.0
    )
    alpha = (d + 0.5).clamp(0, 1)[:, None] * c.put(clear)[:, None]
    return light * _cast(c, d, wide * scale) * (1 - alpha) + own * alpha


def taken(c: Chance, light: Tensor, cover: Tensor, bare: list[int]) -> Tensor:
    """Return codes (N, 3, H, W) uint8 as a camera takes the light, or a scanner where ``bare``."""
    n, _, high, wide = light.shape
    x = torch.linspace(-1, 1, wide, device=light.device)[None, None]
    y = torch.linspace(-1, 1, high, device=light.device)[None, :, None]
    room = _room(c, x, y)
    rim = torch.ones_like(room)
    for at in (x, -x, y, -y):
        rim = rim * (
            1
            - c.even(0, 1, 0.3)
            * torch.sigmoid((at - 1 + c.times(0.002, 0.05)) / c.times(0.001, 0.02))
        )
    scanned = c.put(np.isin(np.arange(n), bare))
    light = light * torch.where(scanned > 0, rim * c.even(0.95, 1.05), room)[:, None]
    glare = torch.exp(
        -(((x - c.even(-1, 1)) ** 2 + (y - c.even(-1, 1)) ** 2) / c.times(0.01, 0.5))
    ) * c.even(0, 0.6, 0.12)
    light = light + (glare * (1 - scanned))[:, None]
    grain = torch.randn(n, 1, high, wide, device=light.device)
    grain = fn.avg_pool2d(grain, 3, 1, 1) * c.even(0, 0.06, 0.5)[:, None]
    light = light * (1 + grain * cover)
    light = light * c.put(np.exp(c.rng.normal(0, 0.07, (n, 3)))) * c.times(0.35, 1.25)[:, None]
    light = light + c.even(0, 0.05, 0.3)[:, None]
    light = _blurred(light, float(np.exp(c.rng.uniform(np.log(0.3), np.log(1.4)))))
    codes = light.clamp(1e-5, None) ** (1 / 2.2)
    curve = c.even(0, 0.5)[:, None]
    codes = codes * (1 - curve) + curve * (codes.clamp(0, 1) ** 2 * (3 - 2 * codes.clamp(0, 1)))
    grey = codes.mean(1, keepdim=True)
    full = c.put(np.where(c.rng.random(n) < 0.06, 0.0, c.rng.uniform(0.7, 1.2, n)))[:, None]
    codes = grey + (codes - grey) * full
    fine = torch.randn_like(codes)
    soft = fn.interpolate(
        torch.randn(n, 3, high // 3, wide // 3, device=light.device), (high, wide), mode="bilinear"
    )
    codes = codes + (fine * c.times(0.1, 5)[:, None] + soft * c.even(0, 3, 0.5)[:, None]) / 255
    return (codes * 255).round().clamp(0, 255).to(torch.uint8)


def _room(c: Chance, x: Tensor, y: Tensor) -> Tensor:
    """Return the room's light (N, H, W): it falls off, lamps stand by, things cast shadows."""
    way = c.even(0, 6.28)
    room = 1 + c.even(0, 0.45) * (x * way.cos() + y * way.sin())
    spot = (x - c.even(-1.5, 1.5)) ** 2 + (y - c.even(-1.5, 1.5)) ** 2
    room = room * (1 + c.times(0.1, 3, 0.3) * torch.exp(-spot / c.times(0.1, 2)))
    room = room * (1 - c.even(0, 0.25) * (x * x + y * y) / 2)
    for _ in range(2):  # straight edges
        way = c.even(0, 6.28)
        away = x * way.cos() + y * way.sin() - c.even(-0.8, 0.8)
        room = room * (1 - c.even(0.05, 0.65, 0.26) * torch.sigmoid(away / c.times(0.002, 0.15)))
    spot = torch.sqrt(
        ((x - c.even(-1, 1)) / c.even(0.3, 1)) ** 2 + ((y - c.even(-1, 1)) / c.even(0.3, 1)) ** 2
    )
    room = room * (1 - c.even(0.05, 0.6, 0.2) * torch.sigmoid((1 - spot) / c.times(0.01, 0.4)))
    way = c.even(0, 6.28)  # a window's bars
    bars = torch.sin((x * way.cos() + y * way.sin()) * c.even(3, 15))
    room = room * (
        1 - c.even(0.05, 0.5, 0.05) * torch.sigmoid((bars - c.even(-0.5, 0.8)) / c.times(0.02, 0.5))
    )
    return room.clamp_min(0.03)


def _blurred(light: Tensor, sigma: float) -> Tensor:
    reach = max(1, int(3 * sigma))
    t = torch.arange(-reach, reach + 1, device=light.device).float()
    kernel = torch.exp(-((t / sigma) ** 2) / 2)
    kernel = (kernel / kernel.sum()).expand(3, 1, -1)
    light = fn.conv2d(
        fn.pad(light, (reach, reach, 0, 0), "replicate"), kernel[:, :, None], groups=3
    )
    return fn.conv2d(fn.pad(light, (0, 0, reach, reach), "replicate"), kernel[..., None], groups=3)
