"""The network of ``seams`` by compiled convolutions, where they are there, else by OpenCV.

Both give the same but for rounding; this way takes half the time.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache, partial

import numpy as np

from inkclean.base.arrays import F32
from inkclean.base.convolve import Kernel, Planes, can_convolve
from inkclean.base.network import network, run, weights
from inkclean.base.pyramid import in_blocks, in_place, kernels_of, made, parts_of, rise

_PARTS = r"first|deep|last|(?:down|fall|narrow|rise)\.\d+"


@dataclass(frozen=True)
class AreaSight:
    """The network's convolutions, the parts by their names in ``tests/fitting/areas/net.py``."""

    first: Kernel
    fall: list[list[Kernel]]
    down: list[Kernel]
    deep: list[Kernel]
    narrow: list[Kernel]
    rise: list[list[Kernel]]
    last: Kernel
    outputs: int

    def __call__(self, cells: F32) -> F32:
        """Return the log-odds (D, h, w) of ``cells`` (C, h, w); 32 divides h and w."""
        x = made(self.first, in_blocks(cells))
        seen = []
        for fall, down in zip(self.fall, self.down, strict=True):
            x = _through(fall, x)
            seen.append(x)
            x = made(down, x, 2)
        in_place(self.deep, x)
        for narrow, blocks in zip(reversed(self.narrow), reversed(self.rise), strict=True):
            wide = seen.pop()
            rise(narrow, x, wide, above=False)
            x = _through(blocks, wide)
        told = made(self.last, x, above=False)
        planes = told.inner.transpose(0, 3, 1, 2).reshape(-1, *told.size)
        return np.ascontiguousarray(planes[: self.outputs])


def _through(kernels: list[Kernel], x: Planes) -> Planes:
    """Return what one convolution, or blocks of two, make of ``x``, which may be changed."""
    if len(kernels) == 1:
        return made(kernels[0], x)
    in_place(kernels, x)
    return x


def read_sight(data: bytes) -> AreaSight | None:
    """Return the network of an ONNX file; None where it is not laid out as this one."""
    parts = parts_of(data, _PARTS)
    if parts is None:
        return None
    levels = sum(name.startswith("down") for name in parts)
    asked = {"first", "deep", "last"}
    kinds = ("fall", "down", "narrow", "rise")
    asked |= {f"{kind}.{level}" for kind in kinds for level in range(levels)}
    if not levels or asked != set(parts):
        return None
    kernels = {name: kernels_of(given) for name, given in parts.items()}
    fall, down, narrow, up = ([kernels[f"{kind}.{k}"] for k in range(levels)] for kind in kinds)
    return AreaSight(
        kernels["first"][0],
        fall,
        [kernel for (kernel,) in down],
        kernels["deep"],
        [kernel for (kernel,) in narrow],
        up,
        kernels["last"][0],
        len(parts["last"][0][1]),
    )


@cache
def _compiled(package: str, name: str) -> AreaSight | None:
    return read_sight(weights(package, name)) if can_convolve() else None


def sight(package: str, name: str) -> Callable[[F32], F32]:
    """Return what makes log-odds (D, h, w) of cells (C, h, w), for one thread at a time."""
    return _compiled(package, name) or partial(run, network(package, name))
