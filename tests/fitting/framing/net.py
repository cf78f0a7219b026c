"""The network that tells the sheet from all else, and how it is written for the package.

The shape is that of Ronneberger, Fischer, Brox, "U-Net", MICCAI 2015, with sums in place of joined
channels and the short cuts of He, Zhang, Ren, Sun, CVPR 2016. At its deepest level a cell is a
twelfth of the picture, so that it sees all of it.
"""

from __future__ import annotations

from pathlib import Path

import torch
import torch.nn.functional as fn
from torch import Tensor, nn

from tests.fitting.areas.net import Areas, Block, fused, pack

LONG, SHORT = 768, 576  # px of the picture that it is shown
FOLD = 4  # so many px a side are channels of one cell
FINE = 2  # so many places a side are told of each cell
WIDTHS = (32, 40, 64, 72, 72)
BLOCKS = (1, 1, 1, 1)  # about each short cut, on either side
DEEPEST = 3  # below them all
TOLD = 3  # log-odds of the sheet, of one of its own sides, of other sheets
WRITTEN = 2  # of them in the package: the rest helps to learn these
OUTPUTS = TOLD * FINE**2


class Sheets(Areas):
    """A picture folded 4 × 4 into channels, to ``OUTPUTS`` log-odds a cell: (N, 48, H, W) to
    (N, OUTPUTS, H, W); sides divisible by 16."""

    def __init__(self) -> None:
        """Lay out the levels."""
        super().__init__(WIDTHS, BLOCKS, 3 * FOLD**2, OUTPUTS)
        self.deep = nn.Sequential(*(Block(WIDTHS[-1]) for _ in range(DEEPEST)))


def folded(codes: Tensor) -> Tensor:
    """Return (N, 48, H/4, W/4) for pictures (N, 3, H, W) of codes 0 to 255, red first."""
    return fn.pixel_unshuffle(codes.float() / 127.5 - 1.0, FOLD)


def unfolded(odds: Tensor) -> Tensor:
    """Return (N, 3, 2 h, 2 w): the sheet, its sides, other sheets."""
    return fn.pixel_shuffle(odds, FINE)


def write(net: Sheets, out: Path) -> None:
    """Write the network as ONNX for any size of picture, packed with gzip.

    The weights are kept to eight bits of precision, which makes half of the file.
    """
    plain = fused(net)
    with torch.no_grad():
        plain.last.weight = nn.Parameter(plain.last.weight[: WRITTEN * FINE**2])
        plain.last.bias = nn.Parameter(plain.last.bias[: WRITTEN * FINE**2])
        for weight in plain.parameters():
            weight.copy_(weight.bfloat16().float())
    pack(plain, torch.zeros(1, 3 * FOLD**2, 48, 64), "picture", out)
