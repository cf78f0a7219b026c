"""The network that tells areas apart: odds of a seam, and whether two places are in one area.

The shape is that of Ronneberger, Fischer, Brox, "U-Net", MICCAI 2015, with sums in place of
joined channels; affinities as in Lee, Zung, Li, Jain, Seung, "Superhuman accuracy on the
SNEMI3D connectomics challenge", 2017 (arXiv 1706.00120).
"""

from __future__ import annotations

import copy
import gzip
import io
from pathlib import Path

import torch
import torch.nn.functional as fn
from torch import Tensor, nn

from inkclean.flats.lines.seams import FINE, FOLD, STEPS

WIDTHS = (32, 72, 112, 128, 128, 128)
OUTPUTS = FINE**2 + len(STEPS)


class Block(nn.Module):
    """Two convolutions about a short cut."""

    def __init__(self, width: int) -> None:
        super().__init__()
        self.one = Convolved(width, width, 3)
        self.two = Convolved(width, width, 3, straight=True)

    def forward(self, x: Tensor) -> Tensor:
        out: Tensor = fn.relu(x + self.two(self.one(x)))
        return out


class Convolved(nn.Module):
    """A convolution, its statistics evened out, and what is negative cut off unless straight."""

    def __init__(
        self, before: int, after: int, size: int, step: int = 1, straight: bool = False
    ) -> None:
        super().__init__()
        around = size // 2 if step == 1 else 0
        self.conv = nn.Conv2d(before, after, size, step, around, bias=False)
        self.norm = nn.BatchNorm2d(after)
        self.straight = straight

    def forward(self, x: Tensor) -> Tensor:
        x = self.norm(self.conv(x))
        return x if self.straight else fn.relu(x)


class Areas(nn.Module):
    """Ink at 8 px/mm, folded 4 × 4 into channels, to ``OUTPUTS`` log-odds a cell."""

    def __init__(self, widths: tuple[int, ...] = WIDTHS) -> None:
        """Lay out the levels."""
        super().__init__()
        w = widths
        last = len(w) - 1
        self.first = Convolved(FOLD**2, w[0], 3)
        self.down = nn.ModuleList(Convolved(w[k], w[k + 1], 2, 2) for k in range(last))
        self.fall = nn.ModuleList(
            Convolved(w[k], w[k], 3) if k < 1 else Block(w[k]) for k in range(last)
        )
        self.deep = nn.Sequential(Block(w[last]), Block(w[last]))
        self.narrow = nn.ModuleList(nn.Conv2d(w[k + 1], w[k], 1) for k in range(last))
        self.rise = nn.ModuleList(
            Convolved(w[k], w[k], 3) if k < 1 else Block(w[k]) for k in range(last)
        )
        self.last = nn.Conv2d(w[0], OUTPUTS, 3, padding=1)

    def forward(self, x: Tensor) -> Tensor:
        """Return (N, OUTPUTS, H, W) for (N, 16, H, W); sides divisible by 32."""
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


def folded(ink: Tensor) -> Tensor:
    """Return (N, 16, H/4, W/4) for (N, H, W)."""
    return fn.pixel_unshuffle(ink[:, None], FOLD)


def fused(net: Areas) -> Areas:
    """Return the network with the statistics worked into the convolutions."""
    plain = copy.deepcopy(net).float().cpu().eval()
    for part in plain.modules():
        if isinstance(part, Convolved):
            part.conv = nn.utils.fuse_conv_bn_eval(part.conv, part.norm)
            part.norm = nn.Identity()
    return plain


def write(net: Areas, out: Path) -> None:
    """Write the network as ONNX for any size of page, packed with gzip.

    The weights are kept to half precision, which makes half of the file.
    """
    plain = fused(net)
    with torch.no_grad():
        for part in plain.parameters():
            part.copy_(part.half().float())
    file = io.BytesIO()
    torch.onnx.export(
        plain,
        (torch.zeros(1, FOLD**2, 64, 64),),
        file,
        input_names=["ink"],
        output_names=["odds"],
        dynamic_axes={"ink": {2: "h", 3: "w"}, "odds": {2: "h", 3: "w"}},
        opset_version=12,
        dynamo=False,
    )
    out.write_bytes(gzip.compress(file.getvalue(), 9, mtime=0))
