"""Convolutions by ``_convolve.c``, for networks whose shape is known.

Channels lie in blocks of ``LANES``, pixel after pixel, with some zero pixels all around. Each
output is summed by one thread in a fixed order, so results don't depend on their number.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from inkclean.base.arrays import F32, I64
from inkclean.base.compiled import compiled
from inkclean.base.tiles import even_strips, side_by_side

_convolve = compiled("inkclean.base._convolve")

LANES = 8
ROWS = 32  # that a thread does at once, at most
FEWEST = 3  # blocks of inputs from which on sums over squares pay
# Channels that this processor takes at a time, 0 where nothing was compiled for it.
AT_ONCE = int(getattr(_convolve, "lanes", int)())
_NOTHING = np.zeros(0, np.float32)
# What a row of weights is multiplied by for the sums over squares (``_convolve.c``).
_SQUARES = np.array([[1, 0, 0], [0.5, 0.5, 0.5], [0.5, -0.5, 0.5], [0, 0, 1]])


def can_convolve() -> bool:
    """Return whether the module was compiled, and this processor can do it."""
    return AT_ONCE > 0


@dataclass(frozen=True)
class Planes:
    """Channels in blocks: (B, H + 2 · ``rim``, W + 2 · ``rim``, ``LANES``), zeros in the rim."""

    data: F32
    rim: int = 1

    @classmethod
    def empty(cls, blocks: int, height: int, width: int, rim: int = 1) -> Planes:
        """Return planes to be filled: zeros in the rim, whatever within."""
        data = np.empty((blocks, height + 2 * rim, width + 2 * rim, LANES), np.float32)
        data[:, :rim] = data[:, height + rim :] = 0
        data[:, :, :rim] = data[:, :, width + rim :] = 0
        return cls(data, rim)

    @property
    def size(self) -> tuple[int, int]:
        """Height and width without the rim."""
        return self.data.shape[1] - 2 * self.rim, self.data.shape[2] - 2 * self.rim

    @property
    def inner(self) -> F32:
        """(B, H, W, ``LANES``): the planes without their rim."""
        rim, (height, width) = self.rim, self.size
        return self.data[:, rim : rim + height, rim : rim + width]

    def steps(self, row: int, column: int = 0, down: int = 1, right: int = 1) -> list[int]:
        """Return where a pixel lies, in floats, and the steps to the next, as C takes them."""
        wide = self.data.shape[2] * LANES
        start = (row + self.rim) * wide + (column + self.rim) * LANES
        return [start, down * wide, right * LANES, self.data.shape[1] * wide]


def lay_rows(cells: F32, planes: Planes, rows: slice) -> None:
    """Put some rows of ``cells`` (C, H, W) into ``planes``, zeros where channels are missing."""
    if hasattr(_convolve, "lay"):  # one that was compiled earlier lacks it
        numbers = np.array([*cells.shape, planes.rim, rows.start, rows.stop], np.int64)
        _convolve.lay(cells, planes.data, numbers)
    else:
        lay_by_numpy(cells, planes, rows)


def lay_by_numpy(cells: F32, planes: Planes, rows: slice) -> None:
    """Do what ``lay_rows`` does."""
    for block, inner in enumerate(planes.inner):
        own = cells[block * LANES : (block + 1) * LANES, rows]
        inner[rows, :, : len(own)] = own.transpose(1, 2, 0)
        inner[rows, :, len(own) :] = 0


def _laid(weights: F32, inputs: int) -> F32:
    """Return weights (K, C, h, w) as C takes them, ``inputs`` blocks of channels."""
    parts = weights.reshape(len(weights) // LANES, LANES, inputs, -1, *weights.shape[2:])
    # (outputs in pairs of blocks, rows, columns, blocks of channels, channels, outputs)
    pairs = [parts[at : at + 2].transpose(4, 5, 2, 3, 0, 1) for at in range(0, len(parts), 2)]
    return np.concatenate([pair.ravel() for pair in pairs])


@dataclass(frozen=True)
class Kernel:
    """A convolution: ``weights`` as C takes them, ``bias``, and its taps.

    ``taps`` are (T, 2): rows down and pixels right of a pixel; ``inputs`` blocks of ``channels``.
    ``squares`` are the weights for two rows and columns at a time, None where that isn't possible.
    """

    weights: F32
    bias: F32
    taps: I64
    inputs: int
    channels: int
    squares: F32 | None
    _steps: dict[tuple[int, int], I64] = field(default_factory=dict)

    @classmethod
    def of(cls, weights: F32, bias: F32, pad: int) -> Kernel:
        """Return the kernel of ``weights`` (K, C, h, w) and ``bias`` (K,), the rim ``pad`` wide."""
        outputs, channels, high, wide = weights.shape
        inputs = -(-channels // LANES)
        each = channels if inputs == 1 else LANES
        blocks = -(-outputs // LANES)
        full = np.zeros((blocks * LANES, inputs * each, high, wide), np.float32)
        full[:outputs, :channels] = weights
        offset = np.zeros(blocks * LANES, np.float32)
        offset[:outputs] = bias
        down, right = np.divmod(np.arange(high * wide), wide)
        taps = np.stack((down - pad, right - pad), axis=1)
        squares = None
        if (high, wide) == (3, 3) and inputs >= FEWEST:
            both = np.kron(_SQUARES, _SQUARES)
            sums = (both @ full.reshape(-1, 9).T.astype(np.float64)).astype(np.float32)
            squares = np.concatenate(
                [_laid(part, inputs) for part in sums.reshape(16, *full.shape[:2], 1, 1)]
            )
        return cls(_laid(full, inputs), offset, taps.astype(np.int64), inputs, each, squares)

    @property
    def blocks(self) -> int:
        """Blocks of outputs."""
        return len(self.bias) // LANES

    def taps_in(self, planes: Planes) -> I64:
        """Return the taps as steps in floats, each block of channels by itself."""
        size = planes.data.shape[1], planes.data.shape[2]
        if size not in self._steps:
            wide = size[1] * LANES
            places = self.taps @ np.array([wide, LANES])
            blocks = np.arange(self.inputs) * (size[0] * wide)
            self._steps[size] = np.asarray((places[:, None] + blocks).ravel(), np.int64)
        return self._steps[size]


def convolve(
    kernel: Kernel,
    source: Planes,
    target: Planes,
    *,
    stride: int = 1,
    added: Planes | None = None,
    above: bool = True,
) -> None:
    """Put the convolution of ``source`` into ``target``; ``above``: what is below 0 becomes 0."""
    height = target.size[0]

    def fill(rows: slice) -> None:
        some_rows(kernel, source, target, rows, stride=stride, added=added, above=above)

    side_by_side(fill, even_strips(height, ROWS))


def some_rows(
    kernel: Kernel,
    source: Planes,
    target: Planes,
    rows: slice,
    *,
    stride: int = 1,
    added: Planes | None = None,
    above: bool = True,
) -> None:
    """Do the same for some rows, by this thread alone; they begin at an even one."""
    high, wide = target.size
    squares = stride == 1 and kernel.squares is not None and high % 2 == wide % 2 == 0
    before = int(squares)  # squares begin above and to the left
    places = [
        source.steps(stride * rows.start - before, -before, stride, stride),
        [0, 0, 0, 0] if added is None else added.steps(rows.start),
        target.steps(rows.start),
    ]
    run(kernel, source, added, target, places, (rows.stop - rows.start, wide), above, squares)


def run(
    kernel: Kernel,
    source: Planes,
    added: Planes | None,
    target: Planes,
    places: list[list[int]],
    size: tuple[int, int],
    above: bool,
    squares: bool = False,
) -> None:
    """Convolve rows and columns of ``size``; ``places`` are the steps in the three planes."""
    steps = [step for part in places for step in part]
    numbers = [*steps, *size, kernel.blocks, kernel.channels, int(above), AT_ONCE]
    blocks = np.arange(kernel.inputs, dtype=np.int64) * places[0][3]
    taps = blocks if squares else kernel.taps_in(source)
    work = _convolve.squares if squares else _convolve.convolve
    work(
        source.data,
        kernel.squares if squares else kernel.weights,
        kernel.bias,
        _NOTHING if added is None else added.data,
        target.data,
        taps,
        np.array(numbers, np.int64),
    )
