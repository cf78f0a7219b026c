"""The losses of a JPEG file, on the GPU."""

from __future__ import annotations

import math

import torch
from torch import Tensor


def _dct(device: torch.device) -> Tensor:
    k = torch.arange(8, device=device, dtype=torch.float32)
    basis = torch.cos((2 * k[None] + 1) * k[:, None] * math.pi / 16) * 0.5
    basis[0] *= math.sqrt(0.5)
    return basis


# ITU-T T.81, table K.1: quantisation of luminance.
_LUMA = (
    (16, 11, 10, 16, 24, 40, 51, 61),
    (12, 12, 14, 19, 26, 58, 60, 55),
    (14, 13, 16, 24, 40, 57, 69, 56),
    (14, 17, 22, 29, 51, 87, 80, 62),
    (18, 22, 37, 56, 68, 109, 103, 77),
    (24, 35, 55, 64, 81, 104, 113, 92),
    (49, 64, 78, 87, 103, 121, 120, 101),
    (72, 92, 95, 98, 112, 100, 103, 99),
)


def losses(steps: Tensor, quality: Tensor) -> Tensor:
    """Return ``steps`` 0..1 after the losses of JPEG's luminance."""
    n, high, wide = steps.shape
    basis = _dct(steps.device)
    table = torch.tensor(_LUMA, device=steps.device, dtype=torch.float32)
    scale = torch.where(quality < 50, 50 / quality, 2 - quality / 50)
    table = (table[None] * scale[:, None, None]).clamp_min(1)
    blocks = steps.reshape(n, high // 8, 8, wide // 8, 8).transpose(2, 3) * 255 - 128
    told = basis @ blocks @ basis.T
    told = torch.round(told / table[:, None, None]) * table[:, None, None]
    back = (basis.T @ told @ basis + 128) / 255
    return back.transpose(2, 3).reshape(n, high, wide).clamp(0, 1)
