"""The network that tells areas apart: odds of a seam, and whether two places are in one area.

The shape is that of Ronneberger, Fischer, Brox, "U-Net", MICCAI 2015, with sums in place of
joined channels; affinities as in Lee, Zung, Li, Jain, Seung, "Superhuman accuracy on the
SNEMI3D connectomics challenge", 2017 (arXiv 1706.00120).
"""

from __future__ import annotations

import copy
import gzip
import io
from functools import partial
from pathlib import Path

import onnx
import torch
import torch.nn.functional as fn
from torch import Tensor, nn

from inkclean.flats.lines.seams import FINE, FOLD, STEPS

WIDTHS = (32, 72, 112, 128, 128, 128)
BLOCKS = (0, 1, 1, 1, 1)  # about each short cut, on either side; 0: one convolution
DEEPEST = 2  # and below them all
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

    def __init__(
        self,
        widths: tuple[int, ...] = WIDTHS,
        rows: tuple[int, ...] = BLOCKS,
        taken: int = FOLD**2,
        told: int = OUTPUTS,
    ) -> None:
        """Lay out the levels, from ``taken`` channels to ``told``, with ``rows`` of blocks."""
        super().__init__()
        w = widths
        last = len(w) - 1
        self.first = Convolved(taken, w[0], 3)
        self.down = nn.ModuleList(Convolved(w[k], w[k + 1], 2, 2) for k in range(last))
        self.fall = nn.ModuleList(blocks(w[k], many) for k, many in enumerate(rows))
        self.deep = nn.Sequential(*(Block(w[last]) for _ in range(DEEPEST)))
        self.narrow = nn.ModuleList(nn.Conv2d(w[k + 1], w[k], 1) for k in range(last))
        self.rise = nn.ModuleList(blocks(w[k], many) for k, many in enumerate(rows))
        self.last = nn.Conv2d(w[0], told, 3, padding=1)

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


def blocks(width: int, many: int) -> nn.Module:
    """Return so many blocks in a row, or one convolution for none."""
    if not many:
        return Convolved(width, width, 3)
    return nn.Sequential(*(Block(width) for _ in range(many)))


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


def taken_up(net: Areas, packed: Path, cells: Tensor) -> None:
    """Give the network the weights of one that was written before, which may have fewer blocks.

    The statistics were worked into the written convolutions: they are measured anew on ``cells``
    (N, 16, H, W). Blocks that the written one lacks begin by changing nothing.
    """
    old = onnx.load_from_string(gzip.decompress(packed.read_bytes())).graph.initializer
    weights = {part.name: torch.from_numpy(onnx.numpy_helper.to_array(part).copy()) for part in old}
    # one written before there were rows of blocks
    weights = {_in_a_row(name): value for name, value in weights.items()}
    own = dict(net.named_parameters())
    hooks = []
    with torch.no_grad():
        for name, value in weights.items():
            if not name.endswith("conv.bias"):
                own[name].copy_(value)
        for name, part in net.named_modules():
            if not isinstance(part, Convolved):
                continue
            bias = weights.get(f"{name}.conv.bias")
            if bias is None:
                if part.straight:
                    part.norm.weight.zero_()
                continue
            hooks.append(part.norm.register_forward_pre_hook(partial(_measure, bias)))
        was = net.training
        net.eval()
        net(cells)
        net.train(was)
    for hook in hooks:
        hook.remove()


def _in_a_row(name: str) -> str:
    level, number, *rest = name.split(".")
    if level in ("fall", "rise") and rest[0] in ("one", "two"):
        return ".".join((level, number, "0", *rest))
    return name


def _measure(bias: Tensor, norm: nn.BatchNorm2d, given: tuple[Tensor]) -> None:
    """Let a layer even out nothing yet: its statistics and their undoing are those of now."""
    mean, var = given[0].mean((0, 2, 3)), given[0].var((0, 2, 3))
    norm.running_mean.copy_(mean)
    norm.running_var.copy_(var)
    norm.weight.copy_((var + norm.eps).sqrt())
    norm.bias.copy_(mean + bias.to(mean.device))


def write(net: Areas, out: Path) -> None:
    """Write the network as ONNX for any size of page, packed with gzip.

    The weights are kept to half precision, which makes half of the file.
    """
    plain = fused(net)
    with torch.no_grad():
        for part in plain.parameters():
            part.copy_(part.half().float())
    pack(plain, torch.zeros(1, FOLD**2, 64, 64), "ink", out)


def pack(plain: Areas, shown: Tensor, name: str, out: Path) -> None:
    """Write a network as ONNX, packed with gzip, that takes ``name`` like ``shown`` of any size."""
    file = io.BytesIO()
    torch.onnx.export(
        plain,
        (shown,),
        file,
        input_names=[name],
        output_names=["odds"],
        dynamic_axes={name: {2: "h", 3: "w"}, "odds": {2: "h", 3: "w"}},
        opset_version=12,
        dynamo=False,
    )
    out.write_bytes(gzip.compress(file.getvalue(), 9, mtime=0))


def between(before: Path, after: Path, share: float, out: Path) -> None:
    """Write the network whose weights lie between those of two, ``share`` of the way to the second.

    What the first had learnt of other drawings is kept so (Wortsman and others, "Robust fine-tuning
    of zero-shot models", CVPR 2022, arXiv 2109.01903). ``after`` went on from ``before``.
    """
    first, second = (
        onnx.load_from_string(gzip.decompress(path.read_bytes())) for path in (before, after)
    )
    was = {part.name: onnx.numpy_helper.to_array(part) for part in first.graph.initializer}
    for part in second.graph.initializer:
        now = onnx.numpy_helper.to_array(part)
        if now.dtype.kind == "f":
            mean = (1 - share) * was[part.name] + share * now
            mean = mean.astype("float16").astype(now.dtype)
            part.CopyFrom(onnx.numpy_helper.from_array(mean, part.name))
    out.write_bytes(gzip.compress(second.SerializeToString(), 9, mtime=0))
