"""Where a point of the paper falls in the photo, and back: a pinhole and a bowed sheet."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from inkclean.base.arrays import F64

# the bend is circular up to this share of the paper beyond its edges, then straight
_BEND_REACH = 0.6
_FLAT_MM = 0.01  # a bow that nobody could tell from flat


@dataclass(frozen=True)
class View:
    """The mapping of one photo, exact both ways.

    ``homography`` (3, 3) takes flat paper (mm, origin top left) to continuous photo px;
    ``rotation`` (3, 3), ``focal_px``, ``distance_mm`` and ``centre_px`` are the camera it comes
    from. ``bend_per_mm`` is the curvature of a sheet bowed towards the camera, across x or y
    (``bend_axis`` 0 or 1). ``radial`` is the lens's distortion, r' = r (1 + radial r²), r = 1
    at half the photo's diagonal.
    """

    width_mm: float
    height_mm: float
    photo_size: tuple[int, int]
    homography: F64
    rotation: F64
    focal_px: float
    distance_mm: float
    centre_px: tuple[float, float]
    bend_per_mm: float = 0.0
    bend_axis: int = 0
    radial: float = 0.0

    def to_photo(self, xy_mm: F64) -> F64:
        """Photo px (…, 2) of places (…, 2) on the paper in mm."""
        xy = np.asarray(xy_mm, np.float64)
        if self.bend_per_mm == 0.0:
            px = _project(self.homography, xy)
        else:
            space = _bend(xy - self._middle(), self.bend_per_mm, self.bend_axis, self._half())
            turned = space @ self.rotation.T
            depth = self.distance_mm - turned[..., 2:]
            px = self.focal_px * turned[..., :2] / depth + np.array(self.centre_px)
        return self._distort(px)

    def to_page(self, px: F64) -> F64:
        """Places on the paper in mm (…, 2) of photo px (…, 2); beyond the edge it goes on."""
        px = self._undistort(np.asarray(px, np.float64))
        back = np.linalg.inv(self.homography).astype(np.float64)
        flat = _project(back, px)
        if self.bend_per_mm == 0.0:
            return flat
        bowed = View(**{**self.__dict__, "radial": 0.0})
        guess = flat.copy()
        for _ in range(25):
            guess += flat - _project(back, bowed.to_photo(guess))
        return guess

    def corners_px(self) -> F64:
        """The paper's corners (4, 2) in the photo: top left, top right, bottom right, left."""
        w, h = self.width_mm, self.height_mm
        return self.to_photo(np.array([[0, 0], [w, 0], [w, h], [0, h]], np.float64))

    def px_per_mm(self) -> float:
        """Mean scale over the sheet."""
        c = self.corners_px()
        nxt = np.roll(c, -1, axis=0)
        area = abs(np.sum(c[:, 0] * nxt[:, 1] - nxt[:, 0] * c[:, 1])) / 2
        return float(np.sqrt(area / (self.width_mm * self.height_mm)))

    def _middle(self) -> F64:
        return np.array([self.width_mm / 2, self.height_mm / 2])

    def _half(self) -> float:
        return (self.width_mm, self.height_mm)[self.bend_axis] / 2

    def _distort(self, px: F64) -> F64:
        if self.radial == 0.0:
            return px
        off, unit = self._off_axis(px)
        square = np.sum((off / unit) ** 2, axis=-1, keepdims=True)
        return np.asarray(px + off * self.radial * square, np.float64)

    def _undistort(self, px: F64) -> F64:
        if self.radial == 0.0:
            return px
        guess = px.copy()
        for _ in range(30):
            guess += px - self._distort(guess)
        return guess

    def _off_axis(self, px: F64) -> tuple[F64, float]:
        size = np.array(self.photo_size[::-1], np.float64)
        return px - size / 2, float(np.hypot(*size) / 2)


def aim(
    width_mm: float,
    height_mm: float,
    photo_size: tuple[int, int],
    *,
    tilt_deg: float,
    tilt_toward_deg: float,
    turn_deg: float,
    distance: float,
    fill: float,
    shift: tuple[float, float],
    bow_mm: float = 0.0,
    bow_axis: int = 0,
    radial: float = 0.0,
) -> View:
    """Return the view of a hand-held camera over a sheet.

    The camera stands ``distance`` paper diagonals away, tilted by ``tilt_deg`` towards
    ``tilt_toward_deg`` (0: right, 90: down) and turned by ``turn_deg``; it zooms until the
    sheet's outline fills ``fill`` of the photo's tighter side, its middle ``shift`` (shares of
    the photo's width and height) off the photo's. ``bow_mm`` is the height of the middle of a
    curled sheet above its edges. ``photo_size`` is (height, width) px.
    """
    rotation = _rotation(tilt_deg, tilt_toward_deg, turn_deg)
    depth = distance * float(np.hypot(width_mm, height_mm))
    ring = _outline(width_mm, height_mm)
    flat = np.concatenate([ring - (width_mm / 2, height_mm / 2), np.zeros((len(ring), 1))], axis=1)
    turned = flat @ rotation.T
    seen = turned[:, :2] / (depth - turned[:, 2:])
    low, high = seen.min(axis=0), seen.max(axis=0)
    size = np.array(photo_size[::-1], np.float64)
    focal = float(fill * np.min(size / (high - low)))
    cx, cy = size * (0.5 + np.asarray(shift)) - focal * (low + high) / 2
    to_centre = np.array([[1, 0, -width_mm / 2], [0, 1, -height_mm / 2], [0, 0, 1]])
    third = np.array([-rotation[2, 0], -rotation[2, 1], depth])
    rows = [
        focal * np.array([rotation[0, 0], rotation[0, 1], 0.0]) + cx * third,
        focal * np.array([rotation[1, 0], rotation[1, 1], 0.0]) + cy * third,
        third,
    ]
    half = (width_mm, height_mm)[bow_axis] / 2
    return View(
        width_mm=width_mm,
        height_mm=height_mm,
        photo_size=photo_size,
        homography=np.array(rows) @ to_centre,
        rotation=rotation,
        focal_px=focal,
        distance_mm=depth,
        centre_px=(float(cx), float(cy)),
        bend_per_mm=_curvature(bow_mm, half),
        bend_axis=bow_axis,
        radial=radial,
    )


def flatbed(width_mm: float, height_mm: float, px_per_mm: float) -> View:
    """Return the view of a scanner: the sheet from edge to edge, straight."""
    size = (round(height_mm * px_per_mm), round(width_mm * px_per_mm))
    scale = np.diag([px_per_mm, px_per_mm, 1.0])
    return View(width_mm, height_mm, size, scale, np.eye(3), 1.0, 1.0, (0.0, 0.0))


def _project(homography: F64, xy: F64) -> F64:
    x, y = xy[..., 0], xy[..., 1]
    h = homography
    w = h[2, 0] * x + h[2, 1] * y + h[2, 2]
    return np.stack(
        [(h[0, 0] * x + h[0, 1] * y + h[0, 2]) / w, (h[1, 0] * x + h[1, 1] * y + h[1, 2]) / w],
        axis=-1,
    )


def _rotation(tilt_deg: float, toward_deg: float, turn_deg: float) -> F64:
    tilt, toward, turn = np.radians([tilt_deg, toward_deg, turn_deg])
    axis = np.array([-np.sin(toward), np.cos(toward), 0.0])
    cross = np.array([[0, -axis[2], axis[1]], [axis[2], 0, -axis[0]], [-axis[1], axis[0], 0]])
    lean = np.eye(3) + np.sin(tilt) * cross + (1 - np.cos(tilt)) * (cross @ cross)
    c, s = np.cos(turn), np.sin(turn)
    return np.asarray(lean @ np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]]), np.float64)


def _curvature(bow_mm: float, half: float) -> float:
    """Curvature whose arc of half length ``half`` rises by ``bow_mm``."""
    if bow_mm < _FLAT_MM:
        return 0.0
    curvature = 2 * bow_mm / half**2
    for _ in range(20):
        curvature *= bow_mm * curvature / (1 - np.cos(half * curvature))
    return float(curvature)


def _bend(xy: F64, curvature: float, axis: int, half: float) -> F64:
    """Roll centred flat places (…, 2) onto a cylinder (…, 3), edges on the desk (z = 0)."""
    s = xy[..., axis]
    reach = half * (1 + _BEND_REACH)
    bent = np.clip(s, -reach, reach)
    angle = bent * curvature
    along = np.sin(angle) / curvature + (s - bent) * np.cos(angle)
    rise = (np.cos(angle) - np.cos(half * curvature)) / curvature - (s - bent) * np.sin(angle)
    out = np.empty((*xy.shape[:-1], 3))
    out[..., axis], out[..., 1 - axis], out[..., 2] = along, xy[..., 1 - axis], rise
    return out


def _outline(width: float, height: float) -> F64:
    return np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float64)
