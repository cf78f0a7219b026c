"""The network of ``places`` by compiled convolutions, where they are there, else by OpenCV.

Both give the same but for rounding. This way takes half the time, and a third of the memory: the
finest level is worked on in bands, and what is laid between finer pixels is summed where it lies.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache, partial

import numpy as np

from inkclean.base.arrays import F32
from inkclean.base.convolve import Kernel, Planes, can_convolve, run, some_rows
from inkclean.base.network import network, weights
from inkclean.base.network import run as run_net
from inkclean.base.pyramid import (
    BAND,
    QUARTERS,
    in_blocks,
    in_place,
    kernels_of,
    made,
    parts_of,
    rise,
    spread,
)
from inkclean.base.tiles import side_by_side, strips

_PARTS = r"first|fine|meet|last|detail|(?:down|narrow|up)\.\d+"


@dataclass(frozen=True)
class InkSight:
    """The network's convolutions, the parts by their names in ``tests/fitting/ink/net.py``."""

    first: list[Kernel]
    down: list[list[Kernel]]
    narrow: list[Kernel]
    up: list[Kernel]
    fine: Kernel
    meet: list[Kernel]
    last: list[Kernel]
    detail: list[Kernel]
    outputs: int

    def __call__(self, cells: F32) -> F32:
        """Return the log-odds (D, h, w) of ``cells`` (C, h, w); 32 divides h and w."""
        near = in_blocks(cells, 2)
        x = self._deep(near)
        odds = np.empty((self.outputs, *cells.shape[1:]), np.float32)
        side_by_side(partial(self._band, near, x, odds), strips(cells.shape[1], BAND))
        return odds

    def _deep(self, cells: Planes) -> Planes:
        """Return what the levels from the second finest on make of the cells."""
        x = made(self.first[0], cells, 2)
        for kernel in self.first[1:]:
            x = made(kernel, x)
        seen = []
        for stride, *blocks in self.down:
            seen.append(x)
            x = made(stride, x, 2)
            in_place(blocks, x)
        for narrow, up in zip(reversed(self.narrow), reversed(self.up), strict=True):
            wide = seen.pop()
            rise(narrow, x, wide, above=True)
            x = made(up, wide)
        return x

    def _band(self, cells: Planes, x: Planes, odds: F32, rows: slice) -> None:
        """Fill ``rows`` of ``odds`` on the finest level."""
        height, width = cells.size
        near = Planes.empty(self.fine.blocks, rows.stop - rows.start, width)
        low, high = max(rows.start - 1, 0), min(rows.stop + 1, height)
        places = [cells.steps(low), [0] * 4, near.steps(low - rows.start)]
        run(self.fine, cells, None, near, places, (high - low, width), True)
        spread(self.meet, x, near, True, slice(low, high), rows.start)
        detail = Planes.empty(self.detail[0].blocks, *near.size)
        every = slice(0, near.size[0])
        some_rows(self.detail[0], near, detail, every)
        told = Planes.empty(1, *near.size)
        some_rows(self.detail[1], detail, told, every, above=False)
        if self.last:
            spread(self.last, x, told, False, rows, rows.start)
        odds[:, rows] = told.inner[0, :, :, : self.outputs].transpose(2, 0, 1)


def read_sight(data: bytes) -> InkSight | None:
    """Return the network of an ONNX file; None where it is not laid out as this one."""
    parts = parts_of(data, _PARTS)
    if parts is None:
        return None
    levels = sum(name.startswith("down") for name in parts)
    asked = {"first", "fine", "meet", "detail"}
    asked |= {f"{part}.{level}" for part in ("down", "narrow", "up") for level in range(levels)}
    if not levels or asked - set(parts) or len(parts["detail"]) != 2:
        return None
    kernels = {
        name: kernels_of(given) for name, given in parts.items() if name not in ("meet", "last")
    }
    each = [[kernels[f"{part}.{k}"] for k in range(levels)] for part in ("down", "narrow", "up")]
    quarters = [
        [
            Kernel.of(given[:, :, down, right].T[:, :, None, None], bias, 0)
            for given, bias in parts.get(name, [])
            for down, right in QUARTERS
        ]
        for name in ("meet", "last")
    ]
    narrow, up = ([kernel for (kernel,) in level] for level in each[1:])
    first, (fine,), detail = (kernels[name] for name in ("first", "fine", "detail"))
    outputs = len(parts["detail"][1][1])
    return InkSight(first, each[0], narrow, up, fine, quarters[0], quarters[1], detail, outputs)


@cache
def _compiled(package: str, name: str) -> InkSight | None:
    return read_sight(weights(package, name)) if can_convolve() else None


def sight(package: str, name: str) -> Callable[[F32], F32]:
    """Return what makes log-odds (D, h, w) of cells (C, h, w), for one thread at a time."""
    return _compiled(package, name) or partial(run_net, network(package, name))
