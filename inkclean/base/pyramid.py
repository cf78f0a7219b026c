"""Networks of several levels by compiled convolutions, where they are there, else by OpenCV.

Both give the same but for rounding; this way takes half the time.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache, partial

import numpy as np

from inkclean.base import network
from inkclean.base.arrays import F32
from inkclean.base.convolve import LANES, Kernel, Planes, can_convolve, convolve, lay_rows, run
from inkclean.base.network import layers
from inkclean.base.tiles import side_by_side, strips

BAND = 32  # rows at once
_PARTS = r"first|deep|last|(?:down|fall|narrow|rise)\.\d+"
QUARTERS = ((0, 0), (0, 1), (1, 0), (1, 1))  # the finer pixels of one: down and right


def parts_of(data: bytes, named: str) -> dict[str, list[list[F32]]] | None:
    """Return weights and bias of the convolutions of an ONNX file, in order, part by part.

    ``named`` is a pattern for the parts' names, which their nodes' names begin with. None if there
    is another convolution, or one without a bias of its own.
    """
    parts: dict[str, list[list[F32]]] = {}
    for name, (kind, given) in layers(data).items():
        if kind in ("Conv", "ConvTranspose"):
            found = re.match(f"/({named})/", name)
            if not found or len(given) != 2:
                return None
            parts.setdefault(found[1], []).append(given)
    return parts


def kernels_of(given: list[list[F32]]) -> list[Kernel]:
    """Return the convolutions of a part; their pictures stay as large, or are stepped over."""
    return [Kernel.of(weights, bias, (weights.shape[2] - 1) // 2) for weights, bias in given]


def in_blocks(cells: F32, rim: int = 1) -> Planes:
    """Return ``cells`` (C, h, w) as planes."""
    blocks = -(-len(cells) // LANES)
    planes = Planes.empty(blocks, cells.shape[1], cells.shape[2], rim)
    cells = np.ascontiguousarray(cells, np.float32)
    side_by_side(lambda rows: lay_rows(cells, planes, rows), strips(cells.shape[1], BAND))
    return planes


def made(kernel: Kernel, source: Planes, stride: int = 1, *, above: bool = True) -> Planes:
    """Return the convolution of planes."""
    height, width = source.size
    target = Planes.empty(kernel.blocks, height // stride, width // stride)
    convolve(kernel, source, target, stride=stride, above=above)
    return target


def in_place(blocks: list[Kernel], x: Planes) -> None:
    """Run blocks of two convolutions about a short cut; ``x`` becomes what they make of it."""
    between = Planes.empty(max((one.blocks for one in blocks[::2]), default=0), *x.size)
    for one, two in zip(blocks[::2], blocks[1::2], strict=True):
        convolve(one, x, between)
        convolve(two, between, x, added=x)


def rise(narrow: Kernel, source: Planes, target: Planes, *, above: bool) -> None:
    """Add to all finer pixels of ``source`` what ``narrow`` makes of it."""
    work = partial(spread, [narrow] * 4, source, target, above)
    side_by_side(work, strips(target.size[0], BAND))


def spread(
    kernels: list[Kernel], source: Planes, target: Planes, above: bool, rows: slice, top: int = 0
) -> None:
    """Add to each quarter of a pixel of ``source`` what its kernel makes of it.

    ``rows`` are those of finer pixels; ``target`` begins with the finer row ``top``.
    """
    for kernel, (down, right) in zip(kernels, QUARTERS, strict=True):
        begin, end = ((row - down + 1) // 2 for row in (rows.start, rows.stop))
        if begin < end:
            own = target.steps(2 * begin + down - top, right, 2, 2)
            places = [source.steps(begin), own, own]
            run(kernel, source, target, target, places, (end - begin, source.size[1]), above)


@dataclass(frozen=True)
class Pyramid:
    """The network's convolutions, the parts by their names in ``tests/fitting``."""

    first: Kernel
    fall: list[list[Kernel]]
    down: list[Kernel]
    deep: list[Kernel]
    narrow: list[Kernel]
    rise: list[list[Kernel]]
    last: Kernel
    outputs: int

    def __call__(self, cells: F32) -> F32:
        """Return the log-odds (D, h, w) of ``cells`` (C, h, w); the steps down divide h and w."""
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


def read_sight(data: bytes) -> Pyramid | None:
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
    return Pyramid(
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
def _compiled(package: str, name: str) -> Pyramid | None:
    return read_sight(network.weights(package, name)) if can_convolve() else None


def sight(package: str, name: str) -> Callable[[F32], F32]:
    """Return what makes log-odds (D, h, w) of cells (C, h, w), for one thread at a time."""
    return _compiled(package, name) or partial(network.run, network.network(package, name))
