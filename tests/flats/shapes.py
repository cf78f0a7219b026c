"""Closed shapes and the wobble of a hand, for the page maker."""

from __future__ import annotations

import cv2
import numpy as np

from inkclean.base.arrays import F64


def resample(points: F64, step: float, closed: bool = False) -> F64:
    """Return the polyline with points ``step`` apart."""
    if closed:
        points = np.vstack([points, points[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    at = np.linspace(0, along[-1], max(2, round(along[-1] / step) + 1))
    return np.stack([np.interp(at, along, points[:, i]) for i in (0, 1)], axis=1)


def closed_shape(rng: np.random.Generator, centre: F64, radius: float) -> tuple[list[F64], bool]:
    """Return the sides of a closed shape (one smooth loop, or a side per corner)."""
    kind = rng.choice(["blob", "ellipse", "polygon", "limb", "leaf"])
    turn = rng.uniform(0, 2 * np.pi)
    rotation = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    t = np.linspace(0, 2 * np.pi, 240, endpoint=False)
    if kind == "polygon":
        corners = int(rng.integers(3, 7))
        angles = np.sort(np.arange(corners) * 2 * np.pi / corners + rng.uniform(-0.3, 0.3, corners))
        ring = radius * np.stack([np.cos(angles), np.sin(angles)], 1)
        ring *= rng.uniform(0.8, 1.1, (corners, 1))
        points = ring @ rotation + centre
        bulge = rng.uniform(-0.08, 0.12, corners)
        sides = [bowed(points[i], points[(i + 1) % corners], bulge[i]) for i in range(corners)]
        return sides, False
    if kind == "leaf":
        tips = np.array([[-radius, 0.0], [radius, 0.0]]) @ rotation + centre
        bulge = rng.uniform(0.25, 0.5, 2)
        return [bowed(tips[0], tips[1], bulge[0]), bowed(tips[1], tips[0], bulge[1])], False
    if kind == "limb":
        stretch = rng.uniform(0.25, 0.45)
        power = 0.5
        c, s = np.cos(t), np.sin(t)
        ring = np.stack([np.sign(c) * np.abs(c) ** power, np.sign(s) * np.abs(s) ** power], 1)
        ring *= np.array([radius * 1.2, radius * stretch])
    elif kind == "ellipse":
        ring = np.stack([np.cos(t), np.sin(t) * rng.uniform(0.6, 1.0)], 1) * radius
    else:
        r = np.ones_like(t)
        for k in range(2, 6):
            r += rng.uniform(-0.6, 0.6) / k**1.4 / 2 * np.cos(k * t + rng.uniform(0, 6))
        ring = np.stack([r * np.cos(t), r * np.sin(t)], 1) * radius
    return [ring @ rotation + centre], True


def bowed(a: F64, b: F64, bulge: float) -> F64:
    """Return a stroke from a to b, bowed out by a share of its length."""
    t = np.linspace(0, 1, 60)[:, None]
    normal = np.array([b[1] - a[1], a[0] - b[0]])
    return np.asarray(a + (b - a) * t + normal * bulge * 4 * t * (1 - t))


def wobbled(points: F64, amount: float, rng: np.random.Generator, keep_ends: bool) -> F64:
    """Return the stroke as an unsteady hand draws it."""
    if amount == 0 or len(points) < 4:
        return points
    noise = rng.normal(size=(len(points) + 40, 2))
    noise = cv2.GaussianBlur(noise, (1, 61), sigmaX=1, sigmaY=7)[20:-20] * np.sqrt(7 * 3.54)
    if keep_ends:
        ramp = np.minimum(1, np.minimum(np.arange(len(points)), np.arange(len(points))[::-1]) / 8)
        noise *= ramp[:, None]
    return np.asarray(points + noise * amount)
