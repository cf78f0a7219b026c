"""Paper and what lies on it beside the ink, as factors of its light, on the GPU.

All maps are (N, H, W) on the fine grid; ``per_mm`` (N,) is its scale in px/mm.
"""

from __future__ import annotations

import math

import torch
import torch.nn.functional as fn
from torch import Tensor


def uniform(n: int, low: float, high: float, device: torch.device) -> Tensor:
    """Return (n,) random numbers."""
    return torch.rand(n, device=device) * (high - low) + low


def spread(n: int, low: float, high: float, device: torch.device) -> Tensor:
    """Return (n,) random numbers even in their logarithm."""
    return torch.exp(uniform(n, math.log(low), math.log(high), device))


def chance(n: int, share: float, device: torch.device) -> Tensor:
    """Return (n,) 1 with the probability ``share``, else 0."""
    return (torch.rand(n, device=device) < share).float()


def slow(shape: tuple[int, int, int], size: Tensor, by: int = 8) -> Tensor:
    """Return what ``field`` does where features are large: made ``by`` times coarser."""
    n, high, wide = shape
    small = field((n, -(-high // by), -(-wide // by)), size / by)
    return fn.interpolate(small[:, None], (high, wide), mode="bilinear")[:, 0]


def frequency(high: int, wide: int, device: torch.device) -> Tensor:
    """Return (H, W / 2 + 1) cycles a px of the real Fourier transform's terms."""
    down = torch.fft.fftfreq(high, device=device)[:, None]
    return torch.sqrt(down**2 + torch.fft.rfftfreq(wide, device=device)[None] ** 2)


def field(shape: tuple[int, int, int], size: Tensor, width: float = 0.8) -> Tensor:
    """Return (N, H, W) smooth noise of mean 0 and deviation 1, features ``size`` (N,) px large."""
    n, high, wide = shape
    waves = frequency(high, wide, size.device)
    octave = torch.log2(waves.clamp_min(0.3 / max(high, wide)) * 3)[None]
    near = (octave + torch.log2(size.clamp(1, max(high, wide)))[:, None, None]) / width
    weight = torch.exp(-0.5 * near**2) / waves.clamp_min(0.3 / max(high, wide))
    weight[:, 0, 0] = 0
    noise = torch.randn((n, high, wide // 2 + 1, 2), device=size.device)
    made = torch.fft.irfft2(torch.view_as_complex(noise) * weight, (high, wide))
    return made / made.std((1, 2), keepdim=True).clamp_min(1e-12)


def rank(noise: Tensor) -> Tensor:
    """Return normal ``noise`` as even ranks 0..1."""
    return 0.5 * (1 + torch.erf(noise * 0.70710678))


def blurred(maps: Tensor, sigma: Tensor) -> Tensor:
    """Return ``maps`` (N, H, W) under a Gaussian of ``sigma`` (N,) px, one for each.

    Borders run on at the other side.
    """
    high, wide = maps.shape[1:]
    waves = frequency(high, wide, maps.device)
    pass_ = torch.exp(-2 * (math.pi * waves[None] * sigma[:, None, None]) ** 2)
    return torch.fft.irfft2(torch.fft.rfft2(maps) * pass_, (high, wide))


def softened(maps: Tensor, sigma: Tensor) -> Tensor:
    """Return ``maps`` blurred widely, at a quarter of the size."""
    small = fn.avg_pool2d(maps[:, None], 4)[:, 0]
    small = blurred(small, sigma / 4)
    return fn.interpolate(small[:, None], maps.shape[1:], mode="bilinear")[:, 0]


def across(shape: tuple[int, int, int], turn: Tensor, off: Tensor) -> tuple[Tensor, Tensor]:
    """Return the distance in px from lines turned by ``turn``, and the place along them."""
    _, high, wide = shape
    y = torch.arange(high, device=turn.device)[None, :, None] - high / 2
    x = torch.arange(wide, device=turn.device)[None, None, :] - wide / 2
    cos, sin = torch.cos(turn)[:, None, None], torch.sin(turn)[:, None, None]
    return x * cos + y * sin - off[:, None, None], y * cos - x * sin


def grain(shape: tuple[int, int, int], relief: Tensor, per_mm: Tensor, most: Tensor) -> Tensor:
    """Return the light of bare paper about 1: tooth in raking light, fibres, clouds, laid lines."""
    n, device = shape[0], relief.device
    m = most[:, None, None]
    slope = relief - torch.roll(relief, (2, 2), (1, 2))
    raking = uniform(n, 0, 0.12, device)[:, None, None] * slope * 3 * m
    fine = 0.03 * m * field(shape, spread(n, 0.05, 0.3, device) * per_mm)
    clouds = 0.03 * m * slow(shape, spread(n, 0.6, 8, device) * per_mm)
    light = 1 + raking + fine + clouds
    flecks = field(shape, spread(n, 0.08, 0.25, device) * per_mm, 0.5)
    some = (chance(n, 0.12, device) * uniform(n, 0.1, 0.5, device))[:, None, None] * m
    light = light - some * torch.relu(flecks - 2.3).clamp_max(1)
    away, _ = across(shape, uniform(n, 0, 3.2, device), uniform(n, 0, 50, device))
    laid = torch.cos(away * (2 * math.pi / (per_mm * uniform(n, 0.8, 2.0, device)))[:, None, None])
    return light + (chance(n, 0.08, device) * uniform(n, 0, 0.04, device))[:, None, None] * m * laid


def printed(shape: tuple[int, int, int], per_mm: Tensor, density: Tensor) -> Tensor:
    """Return the density of squares or rules printed on the paper; ``density`` (N,) at most."""
    n, device = shape[0], per_mm.device
    leaning = 1 + 2.5 * chance(n, 0.25, device)
    turn = uniform(n, -0.06, 0.06, device) * leaning
    apart = per_mm * spread(n, 3.5, 9, device)
    wide = per_mm * uniform(n, 0.08, 0.35, device)
    total = torch.zeros(shape, device=device)
    both = chance(n, 0.6, device)
    for k, quarter in enumerate((0.0, math.pi / 2)):
        away, _ = across(shape, turn + quarter, uniform(n, 0, 200, device))
        beside = (torch.remainder(away, apart[:, None, None]) - apart[:, None, None] / 2).abs()
        line = torch.sigmoid((wide[:, None, None] / 2 - beside) / 0.5)
        total = torch.maximum(total, line * (both if k else torch.ones_like(both))[:, None, None])
    broken = (field(shape, spread(n, 0.1, 1.2, device) * per_mm) > 0.3).float()
    patchy = (chance(n, 0.35, device) * uniform(n, 0.5, 1, device))[:, None, None]
    return density[:, None, None] * total * (1 - patchy * broken)


def stains(shape: tuple[int, int, int], per_mm: Tensor) -> Tensor:
    """Return the density of stains, some with the darker line where a tide stopped."""
    n, device = shape[0], per_mm.device
    wave = slow(shape, spread(n, 4, 25, device) * per_mm) + 0.15 * field(
        shape, spread(n, 0.4, 2, device) * per_mm
    )
    level = uniform(n, -0.5, 1.8, device)[:, None, None]
    soft = uniform(n, 0.03, 0.6, device)[:, None, None]
    inside = torch.sigmoid((wave - level) / soft)
    tide = inside * (1 - inside) * 4
    much = (chance(n, 0.3, device) * spread(n, 0.03, 0.5, device))[:, None, None]
    rim = (chance(n, 0.4, device) * uniform(n, 0, 1.0, device))[:, None, None]
    return much * (inside + rim * tide)


def smudges(shape: tuple[int, int, int], per_mm: Tensor, old: Tensor) -> Tensor:
    """Return the density of spots of dirt with soft or grainy edges, on old pages the most."""
    n, device = shape[0], per_mm.device
    where = slow(shape, spread(n, 1, 8, device) * per_mm, 4)
    where = where + uniform(n, 0, 0.5, device)[:, None, None] * field(
        shape, spread(n, 0.1, 0.6, device) * per_mm
    )
    level = uniform(n, 1.6, 2.8, device)[:, None, None]
    soft = uniform(n, 0.05, 0.5, device)[:, None, None]
    some = (torch.rand(n, device=device) < 0.06 + 0.3 * old).float()
    much = (some * spread(n, 0.1, 1.6, device))[:, None, None]
    return much * torch.sigmoid((where - level) / soft)


def folds(shape: tuple[int, int, int], per_mm: Tensor) -> Tensor:
    """Return the density of folds and cast shadows' edges: lines and steps left by flattening."""
    n, device = shape[0], per_mm.device
    total = torch.zeros(shape, device=device)
    for share, sharp in ((0.15, 0.4), (0.12, 2.5)):
        away, _ = across(shape, uniform(n, 0, 6.3, device), uniform(n, -150, 150, device))
        bent = away + 0.3 * (per_mm[:, None, None]) * slow(shape, 4 * per_mm)
        wide = (per_mm * spread(n, 0.06, sharp, device))[:, None, None]
        line = torch.exp(-0.5 * (bent / wide) ** 2)
        much = (chance(n, share, device) * uniform(n, -0.25, 0.45, device))[:, None, None]
        total = total + much * line
    away, _ = across(shape, uniform(n, 0, 6.3, device), uniform(n, -150, 150, device))
    wide = (per_mm * spread(n, 0.3, 8, device))[:, None, None]
    step = torch.sigmoid(away / wide)
    far = torch.exp(-away.abs() / (per_mm * spread(n, 2, 15, device))[:, None, None])
    much = (chance(n, 0.3, device) * spread(n, 0.03, 0.6, device))[:, None, None]
    side = torch.where(torch.rand(n, device=device) < 0.5, 1.0, 0.0)[:, None, None]
    return total + much * step * (side + (1 - side) * far)


def dust(shape: tuple[int, int, int], per_mm: Tensor) -> Tensor:
    """Return the density of dust: round specks, a few lint hairs, the scanner's too."""
    n, device = shape[0], per_mm.device
    total = torch.zeros(shape, device=device)
    for _ in range(2):
        bump = field(shape, spread(n, 0.04, 0.15, device) * per_mm, 0.35)
        level = uniform(n, 3.0, 4.3, device)[:, None, None]
        some = (chance(n, 0.4, device) * uniform(n, 0.2, 1.6, device))[:, None, None]
        total = total + some * torch.sigmoid((bump - level) / 0.15)
    return total


def rims(shape: tuple[int, int, int], per_mm: Tensor, old: Tensor) -> Tensor:
    """Return the density of a scanner's or the sheet's dark rim along a border of the piece."""
    n, device = shape[0], per_mm.device
    quarter = torch.randint(4, (n,), device=device).float() * (math.pi / 2)
    turn = quarter + uniform(n, -0.03, 0.03, device)
    edge = shape[1] / 2 - per_mm * uniform(n, 0.0, 2.5, device) * (1 + 3 * old)
    away, _ = across(shape, turn, edge)
    away = away + (per_mm * uniform(n, 0, 0.3, device))[:, None, None] * slow(shape, 3 * per_mm)
    soft = (per_mm * spread(n, 0.03, 1.5, device))[:, None, None]
    some = (torch.rand(n, device=device) < 0.1 + 0.1 * old).float()
    much = (some * spread(n, 0.15, 1.5, device))[:, None, None]
    return much * torch.sigmoid(away / soft)
