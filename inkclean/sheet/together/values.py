"""What passes between the steps that join photos of one page."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from inkclean.base.arrays import F32, F64, U8, Bool
from inkclean.sheet.values import Photo

# px between nodes of a mapping: between them no photo bends by a hundredth of a px
NODE_PX = 16
_TURNS = 7  # rounds in which a lens's distortion is undone


@dataclass(frozen=True)
class Lens:
    """A photo's size (height, width), and its lens: r' = r (1 + radial r²), 1 = half diagonal."""

    size: tuple[int, int]
    radial: float = 0.0

    def bend(self, xy: F64) -> F64:
        """Return where the lens puts points (N, 2) of a straight picture, in px."""
        off, unit = self._off(xy)
        square = np.minimum((off**2).sum(axis=1, keepdims=True) / unit**2, 4.0)
        return np.asarray(xy + off * (self.radial * square), np.float64)

    def straighten(self, xy: F64) -> F64:
        """Return the points (N, 2) of the straight picture for those of the photo."""
        if self.radial == 0.0:
            return xy
        found = xy.copy()
        for _ in range(_TURNS):
            found += xy - self.bend(found)
        return found

    def _off(self, xy: F64) -> tuple[F64, float]:
        size = np.array(self.size[::-1], np.float64)
        return xy - size / 2, float(np.hypot(*size) / 2)


@dataclass(frozen=True)
class Canvas:
    """The picture that the photos are laid into.

    ``size`` (height, width) in px; ``plane`` (3, 3) takes its px to the px of the first
    photo's straight picture, after ``lens`` has straightened them: the canvas has either that
    photo's own pixels, or no lens.
    """

    size: tuple[int, int]
    plane: F64
    lens: Lens

    def to_plane(self, xy: F64) -> F64:
        """Return where points (N, 2) of the canvas lie in the straight picture."""
        return carry(self.plane, self.lens.straighten(xy))


@dataclass(frozen=True)
class Placed:
    """Where a photo lies on the canvas.

    ``matrix`` (3, 3) takes the canvas's plane to the photo's straight picture; ``moved`` (h, w, 2)
    float64 is how far each place is off it, in canvas px, at the middles of cells of
    ``cell`` px, or None.
    """

    matrix: F64
    lens: Lens
    moved: F64 | None = None
    cell: float = 1.0

    def to_photo(self, canvas: Canvas, xy: F64) -> F64:
        """Return where points (N, 2) of the canvas lie in the photo, in continuous px."""
        at = xy if self.moved is None else xy + sampled(self.moved, xy / self.cell)
        return self.lens.bend(carry(self.matrix, canvas.to_plane(at)))

    def maps(self, canvas: Canvas, rows: slice, columns: slice, scale: float = 1.0) -> list[F32]:
        """Return x and y, (H, W) float32: the photo's px that each canvas px shows, for ``remap``.

        ``rows`` and ``columns`` count px of the canvas made smaller by ``scale``, and so do the
        photo's px.
        """
        step = NODE_PX
        high, wide = rows.stop - rows.start, columns.stop - columns.start
        down, across = -(-high // step) + 2, -(-wide // step) + 2
        x = (columns.start + (np.arange(across) - 0.5) * step) / scale
        y = (rows.start + (np.arange(down) - 0.5) * step) / scale
        grid = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
        nodes = (self.to_photo(canvas, grid) * scale - 0.5).astype(np.float32)
        nodes = np.clip(nodes, -1e6, 1e6).reshape(down, across, 2)
        shown = slice(step, step + high), slice(step, step + wide)
        size = (across * step, down * step)
        return [np.asarray(cv2.resize(nodes[..., k], size)[shown], np.float32) for k in (0, 1)]


@dataclass(frozen=True)
class Joined:
    """The picture that several photos make together.

    ``labels`` (h, w) uint8 says which photo is shown in each cell of ``cell`` px, 255 for none;
    ``placed`` where each photo lies on the ``canvas``.
    """

    photo: Photo
    canvas: Canvas
    placed: tuple[Placed, ...]
    labels: U8
    cell: int

    def of(self, xy: F64, which: int) -> F64:
        """Return where points (N, 2) of the canvas lie in a photo, in continuous px."""
        return self.placed[which].to_photo(self.canvas, xy)


def carry(matrix: F64, xy: F64) -> F64:
    """Return (N, 2) points taken through a (3, 3) homography."""
    lifted = xy @ matrix[:, :2].T + matrix[:, 2]
    return np.asarray(lifted[:, :2] / lifted[:, 2:], np.float64)


def sampled(grid: F64, at: F64) -> F64:
    """Return (N, C) of a grid (h, w, C) at places (N, 2) in cells, bilinear, held at the rim."""
    high, wide = grid.shape[:2]
    x = np.clip(at[:, 0] - 0.5, 0, wide - 1)
    y = np.clip(at[:, 1] - 0.5, 0, high - 1)
    left, top = (
        np.minimum(x.astype(int), max(wide - 2, 0)),
        np.minimum(y.astype(int), max(high - 2, 0)),
    )
    right, low = np.minimum(left + 1, wide - 1), np.minimum(top + 1, high - 1)
    across, down = (x - left)[:, None], (y - top)[:, None]
    above = grid[top, left] * (1 - across) + grid[top, right] * across
    below = grid[low, left] * (1 - across) + grid[low, right] * across
    return np.asarray(above * (1 - down) + below * down, np.float64)


def within(maps: list[F32], size: tuple[int, int], margin: float = 0.0) -> Bool:
    """Return (H, W): where maps for ``remap`` stay in a photo of ``size``, ``margin`` px inside."""
    x, y = maps
    low = margin - 0.5
    inside = (x >= low) & (y >= low)
    inside &= (x <= size[1] - 1 - low) & (y <= size[0] - 1 - low)
    return np.asarray(inside, np.bool_)


def kept(placed: Placed, moved: F64, cell: float) -> Placed:
    """Return the same with other moves."""
    return replace(placed, moved=moved, cell=cell)
