"""What the network should tell of a page, and how far off it is."""

from __future__ import annotations

import torch
import torch.nn.functional as fn
from torch import Tensor

from inkclean.flats.lines.seams import FINE, FOLD, STEPS
from tests.fitting.areas.pens import PX_PER_MM

USUAL_MM2, WORTH = 40.0, (0.5, 2.0)  # an area of this size counts once, others by their side
NEAR = 3  # px from the true seam that count as on it
PAPER = 0.15  # weight of paper where no seam is
GAP = 2.0  # and of a seam where no ink is


def worth(label: Tensor) -> Tensor:
    """Return how much each place (N, H, W) counts: the more, the larger the smallest area there."""
    n = len(label)
    most = int(label.max()) + 1
    key = label.long() + most * torch.arange(n, device=label.device)[:, None, None]
    size = torch.bincount(key.flatten(), minlength=n * most)[key].float() / PX_PER_MM**2
    each = (size / USUAL_MM2).clamp(min=1e-3).sqrt().clamp(*WORTH)
    return -fn.max_pool2d(-each[:, None], 2 * NEAR + 1, 1, NEAR)[:, 0]


def targets(ink: Tensor, label: Tensor) -> tuple[Tensor, Tensor, Tensor, Tensor]:
    """Return seams (N, 4, H, W) and their weights, affinities (N, 12, H, W) and theirs."""
    told = label > 0
    seam = torch.zeros_like(ink)
    across = (label[:, :, 1:] != label[:, :, :-1]) & told[:, :, 1:] & told[:, :, :-1]
    down = (label[:, 1:] != label[:, :-1]) & told[:, 1:] & told[:, :-1]
    seam[:, :, :-1] = across.float()
    seam[:, :-1] = torch.maximum(seam[:, :-1], down.float())
    wide = fn.max_pool2d(seam[:, None], 2 * NEAR + 1, 1, NEAR)
    half = fn.max_pool2d(wide, 2)
    inked = fn.max_pool2d(ink[:, None], 2)
    hidden = fn.max_pool2d((~told)[:, None].float(), 9, 1, 4)
    hidden = fn.max_pool2d(hidden, 2)
    weight = torch.maximum(PAPER + (1 - PAPER) * inked, half * (1 + (GAP - 1) * (1 - inked)))
    weight = weight * (1 - hidden) * fn.avg_pool2d(worth(label)[:, None], 2)
    seams, weights = fn.pixel_unshuffle(half, FINE), fn.pixel_unshuffle(weight, FINE)
    middle = label[:, FOLD // 2 :: FOLD, FOLD // 2 :: FOLD]
    bare = 1 - 0.8 * fn.max_pool2d(ink[:, None], FOLD)[:, 0]
    same, counts = [], []
    height, width = middle.shape[1:]
    for row, column in STEPS:
        one, other = _shifted(middle, row, column)
        clear, clear_too = _shifted(bare, row, column)
        value = (one == other).float()
        count = ((one > 0) & (other > 0)).float() * clear * clear_too
        around = (max(0, -column), max(0, column), max(0, -row), max(0, row))
        same.append(fn.pad(value, around)[:, :height, :width])
        counts.append(fn.pad(count, around)[:, :height, :width])
    return seams, weights, torch.stack(same, 1), torch.stack(counts, 1)


def _shifted(of: Tensor, row: int, column: int) -> tuple[Tensor, Tensor]:
    """Return what lies at each place and at the place a step away, where both are."""
    height, width = of.shape[1:]
    near = of[:, max(0, -row) : height - max(0, row), max(0, -column) : width - max(0, column)]
    far = of[:, max(0, row) : height + min(0, row), max(0, column) : width + min(0, column)]
    return near, far


def losses(out: Tensor, ink: Tensor, label: Tensor) -> tuple[Tensor, Tensor]:
    """Return the loss of the seams and of the affinities."""
    seams, weights, same, counts = targets(ink, label)
    found = []
    for told, true, weight in (
        (out[:, : FINE**2], seams, weights),
        (out[:, FINE**2 :], same, counts),
    ):
        each = fn.binary_cross_entropy_with_logits(told.float(), true, reduction="none")
        found.append((each * weight).sum() / weight.sum().clamp(min=1))
    return found[0], found[1]


def unlike(out: Tensor, other: Tensor) -> Tensor:
    """Return how unlike the odds of seams are that are told of pages at two sizes."""
    one, two = (fn.pixel_shuffle(o[:, : FINE**2], FINE).float().sigmoid() for o in (out, other))
    two = fn.interpolate(two, one.shape[2:], mode="bilinear", antialias=True)
    asked = (one.detach() > 0.03) | (two.detach() > 0.03)
    return ((one - two) ** 2 * asked).sum() / asked.sum().clamp(min=1)


def resized(ink: Tensor, label: Tensor, size: float) -> tuple[Tensor, Tensor]:
    """Return pages so many times as large, sides divisible by the network's cells."""
    side = round(ink.shape[-1] * size / 128) * 128
    larger = fn.interpolate(ink[:, None], (side, side), mode="bilinear", antialias=True)[:, 0]
    hard = ((ink == 0) | (ink == 1)).float().mean((1, 2), keepdim=True) > 0.999
    return (
        torch.where(hard, (larger > 0.5).float(), larger),
        fn.interpolate(label[:, None].float(), (side, side))[:, 0].to(torch.int16),
    )


def margined(ink: Tensor, label: Tensor, most: int) -> tuple[Tensor, Tensor, tuple[slice, slice]]:
    """Return pages with more bare paper around, up to so many px on each side; sides as above.

    Nothing is told of it. The slices are the cells of the page as it was.
    """
    side = ink.shape[-1]
    down, across = (FOLD * int(k) for k in torch.randint(most // FOLD + 1, (2,)))
    further = side + most + torch.randint(most, (1,)).item()
    whole = -(-int(further) // 128) * 128
    around = (across, whole - side - across, down, whole - side - down)
    cells = side // FOLD
    inner = slice(down // FOLD, down // FOLD + cells), slice(across // FOLD, across // FOLD + cells)
    return fn.pad(ink, around), fn.pad(label, around), inner
