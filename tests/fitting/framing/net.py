"""The network that tells the sheet from all else, and how it is written for the package.

The shape is that of Ronneberger, Fischer, Brox, "U-Net", MICCAI 2015, with sums in place of joined
channels and the short cuts of He, Zhang, Ren, Sun, CVPR 2016. At its deepest level a cell is a
twelfth of the picture, so that it sees all of it.
"""

from __future__ import annotations

import copy
import gzip
import io
from pathlib import Path

import torch
import torch.nn.functional as fn
from torch import Tensor, nn

from tests.fitting.areas.net import Block, Convolved, blocks

LONG, SHORT = 768, 576  # px of the picture that it is shown
FOLD = 4  # so many px a side are channels of one cell
FINE = 2  # so many places a side are told of each cell
WIDTHS = (32, 40, 56, 64, 64)
BLOCKS = (1, 1, 1, 1)  # about each short cut, on either side
DEEPEST = 2  # and below them all
OUTPUTS = 2 * FINE**2  # log-odds of the sheet, and of one of its own sides


class Sheets(nn.Module):
    """A picture folded 4 × 4 into channels, to ``OUTPUTS`` log-odds a cell."""

    def __init__(self) -> None:
        """Lay out the levels."""
        super().__init__()
        w = WIDTHS
        last = len(w) - 1
        self.first = Convolved(3 * FOLD**2, w[0], 3)
        self.down = nn.ModuleList(Convolved(w[k], w[k + 1], 2, 2) for k in range(last))
        self.fall = nn.ModuleList(blocks(w[k], many) for k, many in enumerate(BLOCKS))
        self.deep = nn.Sequential(*(Block(w[last]) for _ in range(DEEPEST)))
        self.narrow = nn.ModuleList(nn.Conv2d(w[k + 1], w[k], 1) for k in range(last))
        self.rise = nn.ModuleList(blocks(w[k], many) for k, many in enumerate(BLOCKS))
        self.last = nn.Conv2d(w[0], OUTPUTS, 3, padding=1)

    def forward(self, x: Tensor) -> Tensor:
        """Return (N, OUTPUTS, H, W) for (N, 48, H, W); sides divisible by 16."""
        seen = []
        x = self.first(x)
        for fall, down in zip(self.fall, self.down, strict=True):
            x = fall(x)
            seen.append(x)
            x = down(x)
        x = self.deep(x)
        for k in reversed(range(len(seen))):
            wide = fn.interpolate(self.narrow[k](x), scale_factor=2.0, mode="nearest")
            x = self.rise[k](seen[k] + wide)
        out: Tensor = self.last(x)
        return out


def folded(codes: Tensor) -> Tensor:
    """Return (N, 48, H/4, W/4) for pictures (N, 3, H, W) of codes 0 to 255, red first."""
    return fn.pixel_unshuffle(codes.float() / 127.5 - 1.0, FOLD)


def unfolded(odds: Tensor) -> Tensor:
    """Return (N, 2, 2 h, 2 w): the sheet, its sides."""
    return fn.pixel_shuffle(odds, FINE)


def write(net: Sheets, out: Path) -> None:
    """Write the network as ONNX for any size of picture, packed with gzip.

    The weights are kept to eight bits of precision, which makes half of the file.
    """
    plain = copy.deepcopy(net).float().cpu().eval()
    for part in plain.modules():
        if isinstance(part, Convolved):
            part.conv = nn.utils.fuse_conv_bn_eval(part.conv, part.norm)
            part.norm = nn.Identity()
    with torch.no_grad():
        for weight in plain.parameters():
            weight.copy_(weight.bfloat16().float())
    file = io.BytesIO()
    torch.onnx.export(
        plain,
        (torch.zeros(1, 3 * FOLD**2, 48, 64),),
        file,
        input_names=["picture"],
        output_names=["odds"],
        dynamic_axes={"picture": {2: "h", 3: "w"}, "odds": {2: "h", 3: "w"}},
        opset_version=12,
        dynamo=False,
    )
    out.write_bytes(gzip.compress(file.getvalue(), 9, mtime=0))
