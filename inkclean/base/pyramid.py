"""What networks of several levels, run by compiled convolutions, have in common."""

from __future__ import annotations

import re
from functools import partial

from inkclean.base.arrays import F32
from inkclean.base.convolve import LANES, Kernel, Planes, convolve, run
from inkclean.base.tiles import side_by_side, strips
from inkclean.base.weights import layers

BAND = 32  # rows at once
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

    def fill(rows: slice) -> None:
        for block, inner in enumerate(planes.inner):
            own = cells[block * LANES : (block + 1) * LANES, rows]
            inner[rows, :, : len(own)] = own.transpose(1, 2, 0)
            inner[rows, :, len(own) :] = 0

    side_by_side(fill, strips(cells.shape[1], BAND))
    return planes


def made(kernel: Kernel, source: Planes, stride: int = 1, *, above: bool = True) -> Planes:
    """Return the convolution of planes."""
    height, width = source.size
    target = Planes.empty(kernel.blocks, height // stride, width // stride)
    convolve(kernel, source, target, stride=stride, above=above)
    return target


def in_place(blocks: list[Kernel], x: Planes) -> None:
    """Run blocks of two convolutions about a short cut; ``x`` becomes what they make of it."""
    for one, two in zip(blocks[::2], blocks[1::2], strict=True):
        convolve(two, made(one, x), x, added=x)


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
