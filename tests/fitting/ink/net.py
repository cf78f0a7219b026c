"""The network that tells ink from all else, and how it is written for the package.

The shape of Ronneberger, Fischer, Brox, "U-Net", MICCAI 2015, with the residual blocks of He,
Zhang, Ren, Sun, CVPR 2016, summed up instead of stacked.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import onnx
import torch
import torch.nn.functional as fn
from onnx import numpy_helper
from torch import Tensor, nn

FOLD = 2  # so many px a side are channels of one cell


@dataclass(frozen=True)
class Shape:
    """Channels of each level, blocks of each but the finest, channels beside them at the cells.

    ``twice``: two convolutions at the finest level; ``soft``: one output more, whether something
    soft lies in the cell: pencil, printed squares, the page behind; ``last``: the finest level
    speaks past the cells, too.
    """

    widths: tuple[int, ...]
    blocks: tuple[int, ...]
    fine: int
    twice: bool
    soft: bool
    last: bool

    @property
    def outputs(self) -> int:
        """Of a cell: ink for each px, and something soft."""
        return FOLD**2 + self.soft


# One with much at the fine levels, and one of half its work that sees further: a channel costs
# the most at the fine levels, next to nothing at the deep ones.
LARGE = Shape((32, 48, 64, 96, 128), (1, 1, 2, 2), 16, twice=True, soft=False, last=True)
DEEP = Shape((16, 32, 64, 112, 160), (1, 1, 2, 3), 8, twice=True, soft=True, last=False)


def _conv(before: int, after: int, stride: int = 1) -> nn.Sequential:
    return nn.Sequential(
        nn.Conv2d(before, after, 3, stride, 1, bias=False), nn.BatchNorm2d(after), nn.ReLU()
    )


class Block(nn.Module):
    """Two convolutions beside a short cut."""

    def __init__(self, width: int) -> None:
        """Lay out the block."""
        super().__init__()
        self.one = _conv(width, width)
        self.two = nn.Conv2d(width, width, 3, padding=1, bias=False)
        self.norm = nn.BatchNorm2d(width)

    def forward(self, x: Tensor) -> Tensor:
        """Return (N, C, H, W) for the same."""
        return fn.relu(x + self.norm(self.two(self.one(x))))


class InkNet(nn.Module):
    """Darkness folded 2 × 2 and the ink's level, to the log-odds of ink at every px."""

    def __init__(self, shape: Shape = DEEP) -> None:
        """Lay out the levels, the finest at half the scale of the cells."""
        super().__init__()
        self.shape = shape
        w, fine = shape.widths, shape.fine
        self.first = nn.Sequential(
            nn.Conv2d(FOLD**2 + 1, w[0], 6, 2, 2, bias=False),
            nn.BatchNorm2d(w[0]),
            nn.ReLU(),
            *([_conv(w[0], w[0])] if shape.twice else []),
        )
        self.down = nn.ModuleList(
            nn.Sequential(
                _conv(w[k], w[k + 1], 2), *(Block(w[k + 1]) for _ in range(shape.blocks[k]))
            )
            for k in range(len(w) - 1)
        )
        self.narrow = nn.ModuleList(nn.Conv2d(w[k + 1], w[k], 1) for k in range(len(w) - 1))
        self.up = nn.ModuleList(_conv(w[k], w[k]) for k in range(len(w) - 1))
        self.last = nn.ConvTranspose2d(w[0], shape.outputs, 2, 2) if shape.last else None
        self.fine = _conv(FOLD**2 + 1, fine)
        self.meet = nn.ConvTranspose2d(w[0], fine, 2, 2)
        self.detail = nn.Sequential(_conv(fine, fine), nn.Conv2d(fine, shape.outputs, 1))

    def forward(self, cells: Tensor) -> Tensor:
        """Return (N, 4 or 5, H, W) log-odds for (N, 5, H, W); sides divisible by 32."""
        x = self.first(cells)
        seen = [x]
        for stage in self.down:
            x = stage(x)
            seen.append(x)
        for k in reversed(range(len(self.up))):
            wide = fn.interpolate(self.narrow[k](x), scale_factor=2.0, mode="nearest")
            x = self.up[k](fn.relu(seen[k] + wide))
        near = fn.relu(self.fine(cells) + self.meet(x))
        out: Tensor = self.detail(near)
        return out if self.last is None else out + self.last(x)


def read(path: Path, given: Tensor) -> InkNet:
    """Return the network of a file that ``write`` wrote, to go on fitting.

    The file holds each normalisation inside the convolution before it. It is parted from it
    again by the mean and spread that the convolution has on ``given`` (N, 5, H, W).
    """
    named = {t.name: numpy_helper.to_array(t) for t in onnx.load(str(path)).graph.initializer}
    joined = [value for name, value in named.items() if name.startswith("onnx::")]
    net = InkNet(LARGE if "last.weight" in named else DEEP).eval()
    pairs = _normalised(net)
    hooks = []
    for (conv, norm), weight, bias in zip(pairs, joined[::2], joined[1::2], strict=True):
        conv.weight.data.copy_(torch.from_numpy(weight.copy()))
        norm.running_mean.zero_()
        norm.running_var.fill_(1 - norm.eps)
        norm.weight.data.fill_(1)
        norm.bias.data.copy_(torch.from_numpy(bias.copy()))
        hooks.append(norm.register_forward_pre_hook(_keep_spread))
    own = net.state_dict()
    own.update({k: torch.from_numpy(v.copy()) for k, v in named.items() if k in own})
    net.load_state_dict(own)
    with torch.no_grad():
        net(given)
    for hook in hooks:
        hook.remove()
    for _, norm in pairs:
        norm.running_mean.copy_(norm.seen_mean)
        norm.running_var.copy_(norm.seen_var)
        norm.weight.data.copy_(torch.sqrt(norm.seen_var + norm.eps))
        norm.bias.data.add_(norm.seen_mean)
    return net


def _keep_spread(norm: nn.Module, given: tuple[Tensor]) -> None:
    norm.seen_mean = given[0].mean((0, 2, 3))
    norm.seen_var = given[0].var((0, 2, 3))


def _normalised(net: InkNet) -> list[tuple[nn.Conv2d, nn.BatchNorm2d]]:
    """Return every convolution that a normalisation follows, in the order of the file."""
    pairs: list[tuple[nn.Conv2d, nn.BatchNorm2d]] = []
    parts = [net.first, *net.down, *reversed(net.up), net.fine, net.detail]
    for part in parts:
        flat = [m for m in part.modules() if isinstance(m, nn.Conv2d | nn.BatchNorm2d)]
        convs = [m for m in flat if isinstance(m, nn.Conv2d) and m.bias is None]
        norms = [m for m in flat if isinstance(m, nn.BatchNorm2d)]
        pairs.extend(zip(convs, norms, strict=True))
    return pairs


def folded(dark: Tensor, level: Tensor) -> Tensor:
    """Return (N, 5, H/2, W/2) for darkness (N, H, W) and levels (N,)."""
    cells = fn.pixel_unshuffle(dark[:, None], FOLD)
    told = level[:, None, None, None].expand(-1, 1, *cells.shape[2:])
    return torch.cat([cells, told], 1)


def unfolded(odds: Tensor) -> Tensor:
    """Return (N, H, W) for (N, 4 or 5, H/2, W/2): the odds of ink."""
    return fn.pixel_shuffle(odds[:, : FOLD**2], FOLD)[:, 0]


def write(net: InkNet, out: Path) -> None:
    """Write the network as ONNX for any size of page."""
    torch.onnx.export(
        net.eval(),
        (torch.zeros(1, FOLD**2 + 1, 64, 64),),
        str(out),
        input_names=["ink"],
        output_names=["odds"],
        dynamic_axes={"ink": {2: "h", 3: "w"}, "odds": {2: "h", 3: "w"}},
        opset_version=12,
        dynamo=False,
    )
