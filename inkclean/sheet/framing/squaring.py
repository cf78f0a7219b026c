"""Between the sheet and the photo: the mapping, and the one resampling that squares it up."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from inkclean.base.arrays import F32, F64, U8, Bool
from inkclean.base.tiles import side_by_side, strips
from inkclean.sheet.values import Frame, Photo

# px between nodes of the mapping: between them no photo bends by a thousandth of a px.
NODE_PX = 16
# Rows resampled at a time, so that their maps stay in the cache; a multiple of NODE_PX.
BAND_PX = 64
# The sheet is sampled as finely as this share of its area, at least, was in the photo.
KEPT_SHARE = 0.9
# Paper this near its edge is mixed with the desk by blur, sharpening and the edge's own error.
RIM_PX = 4
# A frame within this of the photo's own pixel grid is cut out, not resampled, in px.
SAME_GRID_PX = 0.02


@dataclass(frozen=True)
class Squared:
    """The paper squared up, before its light is evened.

    ``pixels`` is (h, w, 3) uint8, sRGB-encoded; ``px_per_mm`` its scale, the same both ways;
    ``inside`` is (h, w) bool, False where the photo did not reach, or None if it did all over.
    """

    pixels: U8
    px_per_mm: float
    inside: Bool | None


def homography(source: F64, target: F64) -> F64:
    """Return the (3, 3) matrix that takes the four points of ``source`` to those of ``target``.

    Solved as eight linear equations with the last element 1 (the direct linear transform).
    """
    rows = []
    for (x, y), (u, v) in zip(source, target, strict=True):
        rows.append([x, y, 1, 0, 0, 0, -u * x, -u * y])
        rows.append([0, 0, 0, x, y, 1, -v * x, -v * y])
    solved = np.linalg.solve(np.array(rows, np.float64), np.asarray(target, np.float64).ravel())
    return np.append(solved, 1.0).reshape(3, 3)


def unit_homographies(corners: F64) -> F64:
    """Return the (Q, 3, 3) homographies from the unit square to (Q, 4, 2) corners.

    Closed form of Heckbert 1989, "Fundamentals of texture mapping and image warping", 2.2.3.
    """
    first, second, third, fourth = (corners[:, k] for k in range(4))
    skew = first - second + third - fourth
    right, down = second - third, fourth - third
    det = right[:, 0] * down[:, 1] - right[:, 1] * down[:, 0]
    g = (skew[:, 0] * down[:, 1] - skew[:, 1] * down[:, 0]) / det
    h = (right[:, 0] * skew[:, 1] - right[:, 1] * skew[:, 0]) / det
    matrices = np.ones((len(corners), 3, 3))
    matrices[:, :2, 0] = second - first + g[:, None] * second
    matrices[:, :2, 1] = fourth - first + h[:, None] * fourth
    matrices[:, :2, 2] = first
    matrices[:, 2, 0], matrices[:, 2, 1] = g, h
    return matrices


def project(matrix: F64, points: F64) -> F64:
    """Return (N, 2) points taken through a (3, 3) homography."""
    lifted = points @ matrix[:, :2].T + matrix[:, 2]
    out: F64 = lifted[:, :2] / lifted[:, 2:]
    return out


UNIT = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])


def unit_to_photo(frame: Frame) -> F64:
    """Return the homography from the unit square to the frame's corners in photo px."""
    return homography(UNIT, frame.corners_px)


def to_photo(frame: Frame, xy_mm: F64) -> F64:
    """Return where points of the sheet lie in the photo.

    ``xy_mm`` is (N, 2) in mm, origin at the sheet's top left, x right, y down; the result is
    (N, 2) in continuous photo px. Bowed edges are followed by a Coons patch (Coons 1967): in
    the plane where the four corners form the unit square, each boundary's distance from its
    straight side is blended linearly towards the side opposite.
    """
    size = np.array([frame.width_mm, frame.height_mm])
    unit: F64 = np.asarray(xy_mm, np.float64) / size
    matrix = unit_to_photo(frame)
    if frame.edges_px is not None:
        unit += _bow(frame.edges_px, matrix, unit)
    return project(matrix, np.asarray(unit, np.float64))


def _bow(edges: tuple[F64, F64, F64, F64], matrix: F64, unit: F64) -> F64:
    """Return (N, 2): how far the bowed boundaries shift points of the unit square."""
    back = np.asarray(np.linalg.inv(matrix), np.float64)
    top, right, bottom, left = (project(back, edge) for edge in edges)
    u, v = unit[:, 0], unit[:, 1]
    above = np.interp(u, top[:, 0], top[:, 1])
    below = np.interp(u, bottom[::-1, 0], bottom[::-1, 1]) - 1.0
    before = np.interp(v, left[::-1, 1], left[::-1, 0])
    behind = np.interp(v, right[:, 1], right[:, 0]) - 1.0
    return np.stack([before * (1 - u) + behind * u, above * (1 - v) + below * v], axis=1)


def native_scale(frame: Frame) -> float:
    """Return the px/mm at which nine tenths of the sheet lose nothing of the photo."""
    steps = (np.arange(8) + 0.5) / 8
    grid = np.stack(np.meshgrid(steps, steps), axis=-1).reshape(-1, 2)
    at = grid * (frame.width_mm, frame.height_mm)
    here = to_photo(frame, at)
    across = to_photo(frame, at + np.array([0.5, 0.0])) - here
    down = to_photo(frame, at + np.array([0.0, 0.5])) - here
    area = np.abs(across[:, 0] * down[:, 1] - across[:, 1] * down[:, 0]) / 0.25
    return float(np.sqrt(np.quantile(area, KEPT_SHARE)))


def square_up(photo: Photo, frame: Frame, px_per_mm: float | None = None) -> Squared:
    """Return the sheet cut from the photo, perspective and bow undone, in one resampling.

    Without ``px_per_mm`` the sheet gets the photo's own scale, so that neither detail is lost
    nor empty pixels made; a frame on the photo's pixel grid comes through untouched.
    """
    scale = native_scale(frame) if px_per_mm is None else px_per_mm
    cut = _on_grid(photo, frame, scale)
    if cut is not None:
        return Squared(cut, scale, None)
    width = max(1, round(frame.width_mm * scale))
    height = max(1, round(frame.height_mm * scale))
    # Whole pixels hold the sheet only nearly; both sides share what is over or missing.
    fit = (frame.width_mm / width, frame.height_mm / height)
    reaches = _reaches(photo, frame)
    pixels = np.empty((height, width, 3), np.uint8)
    inside = None if reaches else np.empty((height, width), np.bool_)
    limit = (photo.pixels.shape[1], photo.pixels.shape[0])

    def fill(rows: slice) -> None:
        map_x, map_y = _map(frame, fit, width, rows.start, rows.stop)
        if frame.framed == "found":
            _keep_off_rim(map_x, map_y, rows.start, height)
        cv2.remap(
            photo.pixels,
            map_x,
            map_y,
            cv2.INTER_CUBIC,
            dst=pixels[rows],
            borderMode=cv2.BORDER_REPLICATE,
        )
        if inside is not None:
            inside[rows] = (map_x >= -0.5) & (map_y >= -0.5)
            inside[rows] &= (map_x <= limit[0] - 0.5) & (map_y <= limit[1] - 0.5)

    bands = strips(height, BAND_PX)
    if len(bands) > 1 and height - bands[-1].start <= RIM_PX:
        # a rim shows what lies further in, so it is no band of its own
        bands[-2:] = [slice(bands[-2].start, height)]
    side_by_side(fill, bands)
    return Squared(pixels, scale, inside)


def _map(frame: Frame, fit: tuple[float, float], width: int, start: int, stop: int) -> list[F32]:
    """Return x and y, (stop − start, width) float32: the photo's pixel each sheet pixel shows.

    Computed at nodes and interpolated; the nodes sit where `cv2.resize` puts the centres of
    the pixels it enlarges.
    """
    columns = -(-width // NODE_PX) + 2
    rows = -(-(stop - start) // NODE_PX) + 2
    x = (np.arange(columns) - 0.5) * NODE_PX * fit[0]
    y = (start + (np.arange(rows) - 0.5) * NODE_PX) * fit[1]
    grid = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    nodes = (to_photo(frame, grid) - 0.5).astype(np.float32).reshape(rows, columns, 2)
    size = (columns * NODE_PX, rows * NODE_PX)
    shown = slice(NODE_PX, NODE_PX + stop - start), slice(NODE_PX, NODE_PX + width)
    return [
        np.asarray(cv2.resize(nodes[..., axis], size)[shown], dtype=np.float32) for axis in (0, 1)
    ]


def _keep_off_rim(map_x: F32, map_y: F32, start: int, height: int) -> None:
    """Let the outermost pixels of the sheet show what lies a little further in.

    Under the lens's blur the desk reaches over the paper's edge, and a dark desk would pass
    for ink there.
    """
    for each in (map_x, map_y):
        if min(each.shape[1], height) <= 4 * RIM_PX:
            return
        each[:, :RIM_PX] = each[:, RIM_PX : RIM_PX + 1]
        each[:, -RIM_PX:] = each[:, -RIM_PX - 1 : -RIM_PX]
        top, bottom = RIM_PX - start, height - RIM_PX - start
        if 0 < top < len(each):
            each[:top] = each[top]
        if 0 < bottom < len(each):
            each[bottom:] = each[bottom - 1]


def _reaches(photo: Photo, frame: Frame) -> bool:
    """Return whether the photo shows the whole of the sheet."""
    height, width = photo.pixels.shape[:2]
    steps = np.linspace(0.0, 1.0, 33)
    flat = np.zeros_like(steps)
    border = np.concatenate(
        [
            np.stack([steps, flat], axis=1),
            np.stack([steps, flat + 1], axis=1),
            np.stack([flat, steps], axis=1),
            np.stack([flat + 1, steps], axis=1),
        ]
    )
    at = to_photo(frame, border * (frame.width_mm, frame.height_mm))
    slack = 0.5
    return bool((at >= -slack).all() and (at <= np.array([width, height]) + slack).all())


def _on_grid(photo: Photo, frame: Frame, scale: float) -> U8 | None:
    """Return the photo's own pixels where the frame lies straight on their grid, else None."""
    if frame.edges_px is not None:
        return None
    height, width = photo.pixels.shape[:2]
    low = np.rint(frame.corners_px[0])
    size = np.rint(np.array([frame.width_mm, frame.height_mm]) * scale)
    straight = low + UNIT * size
    if np.abs(straight - frame.corners_px).max() > SAME_GRID_PX:
        return None
    x0, y0 = int(low[0]), int(low[1])
    x1, y1 = x0 + int(size[0]), y0 + int(size[1])
    if x0 < 0 or y0 < 0 or x1 > width or y1 > height:
        return None
    return photo.pixels[y0:y1, x0:x1]
