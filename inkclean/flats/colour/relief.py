"""Areas blown up into a soft relief from their outlines alone."""

from __future__ import annotations

import cv2
import numpy as np

from inkclean.base.arrays import F32, I32

# Areas wider than about twice this stay flat in the middle: a cheek, not a balloon.
REACH_MM = 9.0
# Sweeps a level: the grid above has done the long waves, these smooth what is shorter.
_SWEEPS = 24
_SOFT_SWEEPS, _DAMPING = 8, 0.8
_COARSEST_PX = 24
# A body goes on behind its neighbour if that is smaller than this share of it: what is small
# mostly lies in front.
_BEHIND = 0.5
# What a plain sweep leaves of the longest waves that the grid above does not know.
_LONGEST = 0.985


def inflate(body: I32, size: F32, px_per_mm: float) -> F32:
    """Return u (h, w) in mm², the swelling of each body (h, w int32 numbers, 0 = none).

    ``size`` holds a size for each number. u solves ∇²u − u/λ² = −1 inside each body, λ =
    ``REACH_MM``, and is 0 on its outline; the relief's height is 2·√u. Where a much smaller
    body lies beside it, or the sheet ends, a body is taken to go on behind, and u is level
    there. On a disc much smaller than λ, u = (R² − r²)/4 and the height is a half ball:
    normals lie in the plane on the outline and turn up inwards, the idea of Johnston, "Lumo:
    illumination for cel animation", NPAR 2002, DOI 10.1145/508530.508538, who spreads the
    outline's normals over the area instead. Solved from coarse to fine by Jacobi sweeps with
    Chebyshev's acceleration (Golub & Varga, Numer. Math. 3, 1961) over the whole sheet.
    """
    u: F32 | None = None
    coarsest = max(int(np.log2(max(min(body.shape) / _COARSEST_PX, 1.0))), 0)
    for level in range(coarsest, -1, -1):
        step = 1 << level
        coarse = np.ascontiguousarray(body[step // 2 :: step, step // 2 :: step])
        start = np.zeros(coarse.shape, np.float32)
        if u is not None:
            cv2.resize(u, coarse.shape[::-1], dst=start, interpolation=cv2.INTER_LINEAR)
        u = _relaxed(start, coarse, size, step / px_per_mm)
    assert u is not None  # noqa: S101 - the loop runs at least once
    return u


def normals(u: F32, body: I32, size: F32, px_per_mm: float) -> tuple[F32, F32, F32]:
    """Return the relief's unit normals, x, y (down) and z (to the eye), each (h, w)."""
    x = _slope(u, body, size) * np.float32(px_per_mm / 2)
    y = _slope(u.T, body.T, size).T * np.float32(px_per_mm / 2)
    norm = np.sqrt(x * x + y * y + u)
    np.maximum(norm, 1e-6, out=norm)
    z = np.where(u <= 0, np.float32(1), np.sqrt(np.maximum(u, 0)) / norm)
    return np.asarray(-x / norm), np.asarray(-y / norm), z


def _slope(u: F32, body: I32, size: F32) -> F32:
    """Return u to the right less u to the left, with what is assumed beyond outlines."""
    to_right, to_left = _beyond(body, size)
    result = np.zeros_like(u)
    result[:, :-1] = np.where(to_right[:, :-1] == 1, u[:, 1:], (1 - to_right[:, :-1]) * u[:, :-1])
    result[:, -1] = u[:, -1]
    result[:, 1:] -= np.where(to_left[:, 1:] == 1, u[:, :-1], (1 - to_left[:, 1:]) * u[:, 1:])
    result[:, 0] -= u[:, 0]
    return result


def _beyond(body: I32, size: F32) -> tuple[F32, F32]:
    """Return what each pixel meets to its right and to its left, (h, w) each.

    1: its own body; 2: its outline, half-way to the next pixel, beyond which stands −u so
    that u is 0 on it; 0: a smaller body before it or the sheet's edge, beyond which u goes on.
    """
    before, after = body[:, :-1], body[:, 1:]
    same = before == after
    right, left = np.zeros((2, *body.shape), np.float32)
    one, other = size[before], size[after]
    right[:, :-1] = np.where(same, 1, np.where(other < _BEHIND * one, 0, 2))
    left[:, 1:] = np.where(same, 1, np.where(one < _BEHIND * other, 0, 2))
    return right, left


def _relaxed(u: F32, body: I32, size: F32, step_mm: float) -> F32:
    height, width = body.shape
    wide, before = np.zeros((2, height + 2, width + 2), np.float32)
    wide[1:-1, 1:-1] = u * (body > 0)
    right, left = _beyond(body, size)
    lower, upper = (np.ascontiguousarray(part.T) for part in _beyond(body.T, size))
    weights = right + left + lower + upper
    gain = (body > 0) / (weights + np.float32((step_mm / REACH_MM) ** 2))
    links = [(part == 1).astype(np.float32) for part in (right, left, lower, upper)]
    around, part = np.empty((2, height, width), np.float32)
    weight = 1.0
    for sweep in range(_SWEEPS + _SOFT_SWEEPS):
        np.multiply(links[0], wide[1:-1, 2:], out=around)
        around += np.multiply(links[1], wide[1:-1, :-2], out=part)
        around += np.multiply(links[2], wide[2:, 1:-1], out=part)
        around += np.multiply(links[3], wide[:-2, 1:-1], out=part)
        around += np.float32(step_mm**2)
        around *= gain
        if sweep >= _SWEEPS:
            # plain damped sweeps: the fast ones leave short waves no smaller than long ones
            inner = wide[1:-1, 1:-1]
            around -= inner
            around *= np.float32(_DAMPING)
            inner += around
            continue
        if sweep:
            weight = 1.0 / (1.0 - _LONGEST**2 * weight / (2.0 if sweep == 1 else 4.0))
        inner = before[1:-1, 1:-1]
        around -= inner
        around *= np.float32(weight)
        inner += around
        wide, before = before, wide
    return np.asarray(np.maximum(wide[1:-1, 1:-1], 0.0))
