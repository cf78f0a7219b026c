"""Sheets on desks, drawn by plain means: where every corner lies is known."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from inkclean.sheet.values import Frame, Photo
from tests.sheet.icc import decode_srgb, encode_srgb

F64 = NDArray[np.float64]
_FINE = 3  # samples per px, both ways


@dataclass(frozen=True)
class Scene:
    """Sizes in px and mm; ``desk`` and ``paper`` sRGB codes; ``tilt`` is the perspective."""

    size: tuple[int, int] = (900, 1200)
    page_mm: tuple[float, float] = (210.0, 297.0)
    desk: tuple[int, int, int] = (70, 50, 40)
    paper: tuple[int, int, int] = (235, 232, 225)
    fill: float = 0.85
    turn: float = 2.0
    tilt: tuple[float, float] = (8.0, 5.0)
    shift: tuple[float, float] = (0.0, 0.0)
    shadow: float = 0.0
    noise: float = 2.0
    texture: float = 4.0
    drawing: bool = True
    seed: int = 1


def corners(scene: Scene) -> F64:
    """Corners of the page in continuous photo px, by a pinhole of usual focal length."""
    width, height = scene.page_mm
    page = np.array([[-width, -height], [width, -height], [width, height], [-width, height]]) / 2
    turn = np.radians(scene.turn)
    spin = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    lean_x, lean_y = np.radians(scene.tilt)
    space = np.concatenate([page @ spin.T, np.zeros((4, 1))], axis=1)
    about_x = np.array(
        [[1, 0, 0], [0, np.cos(lean_x), -np.sin(lean_x)], [0, np.sin(lean_x), np.cos(lean_x)]]
    )
    about_y = np.array(
        [[np.cos(lean_y), 0, np.sin(lean_y)], [0, 1, 0], [-np.sin(lean_y), 0, np.cos(lean_y)]]
    )
    space = space @ (about_y @ about_x).T
    size = np.array(scene.size, np.float64)
    focal = 0.62 * float(np.hypot(*size))
    low, high = 1.0, 1e5
    for _ in range(60):  # the distance at which the page fills its share
        middle = (low + high) / 2
        seen = focal * space[:, :2] / (space[:, 2:] + middle)
        if ((seen.max(axis=0) - seen.min(axis=0)) / size).max() > scene.fill:
            low = middle
        else:
            high = middle
    seen = focal * space[:, :2] / (space[:, 2:] + high)
    return np.asarray(seen + size * (0.5 + np.array(scene.shift)), np.float64)


def photograph(scene: Scene) -> tuple[Photo, F64]:
    """Return the photo of the scene and the page's true corners (4, 2)."""
    rng = np.random.default_rng(scene.seed)
    width, height = scene.size
    quad = corners(scene)
    fine = np.zeros((height * _FINE, width * _FINE), np.float32)
    points = np.round((quad * _FINE - 0.5) * 256).astype(np.int32)
    cv2.fillPoly(fine, [points], 1.0, cv2.LINE_8, 8)
    share = cv2.resize(fine, (width, height), interpolation=cv2.INTER_AREA)[..., None]
    grain = cv2.resize(
        rng.normal(0, scene.texture, (height // 6, width // 40)).astype(np.float32), (width, height)
    )[..., None]
    sheet = np.full((height, width, 3), scene.paper, np.float32)
    if scene.drawing:
        _draw(sheet, quad, scene.page_mm, rng)
    # Light mixes and blurs in linear light, and is encoded after.
    desk = _linear(np.clip(np.array(scene.desk, np.float32) + grain, 0, 255))
    image = desk * (1 - share) + _linear(sheet) * share
    y, x = np.mgrid[:height, :width].astype(np.float32)
    light = 1.0 - 0.25 * x / width - 0.1 * y / height
    if scene.shadow:
        edge = x - 0.3 * width - 0.2 * y
        light = light * (1.0 - scene.shadow / (1.0 + np.exp(edge / 8.0)))
    image = cv2.GaussianBlur(image * light[..., None], (0, 0), 0.7)
    image = encode_srgb(image) * 255.0 + rng.normal(0, scene.noise, image.shape)
    return Photo(np.clip(np.rint(image), 0, 255).astype(np.uint8), None, "scene"), quad


def _linear(codes: NDArray[np.float32]) -> NDArray[np.float32]:
    return decode_srgb(codes.astype(np.float64) / 255.0).astype(np.float32)


def _draw(
    sheet: NDArray[np.float32], quad: F64, page: tuple[float, float], rng: np.random.Generator
) -> None:
    """Panels with ruled borders, a spot black, and strokes."""
    place = cv2.getPerspectiveTransform(
        np.array([[0, 0], [1, 0], [1, 1], [0, 1]], np.float32), quad.astype(np.float32)
    )

    def at(points: F64) -> NDArray[np.int32]:
        seen = cv2.perspectiveTransform(points[None].astype(np.float32), place)[0]
        return np.asarray(np.round(seen * 16), np.int32)

    ink = (28, 27, 30)
    for top in (0.07, 0.53):
        box = np.array([[0.08, top], [0.92, top], [0.92, top + 0.4], [0.08, top + 0.4]])
        cv2.polylines(sheet, [at(box)], True, ink, 2, cv2.LINE_AA, 4)
        cv2.fillPoly(sheet, [at(box * 0.2 + np.array([0.7, top * 0.8]))], ink, cv2.LINE_AA, 4)
        for _ in range(12):
            stroke = rng.uniform(0.1, 0.85, 2) * (1, 0.3) + np.array([0.0, top + 0.05])
            line = stroke + rng.normal(0, 0.05, (6, 2)).cumsum(axis=0) * (1, 0.5)
            cv2.polylines(sheet, [at(np.clip(line, 0.1, 0.9))], False, ink, 1, cv2.LINE_AA, 4)


def outline(frame: Frame) -> F64:
    """The frame's boundary as one polygon (N, 2) in photo px."""
    if frame.edges_px is None:
        return frame.corners_px
    return np.concatenate([edge[:-1] for edge in frame.edges_px])


def jaccard(frame: Frame, truth: F64, page_mm: tuple[float, float]) -> float:
    """Intersection over union in page space, the true perspective undone (SmartDoc 2015)."""
    per_mm = 4.0
    margin = 200.0
    page = np.array([[0, 0], [page_mm[0], 0], page_mm, [0, page_mm[1]]]) * per_mm + margin
    back = cv2.getPerspectiveTransform(truth.astype(np.float32), page.astype(np.float32))
    found = cv2.perspectiveTransform(outline(frame)[None].astype(np.float32), back)[0]
    size = (int(page_mm[1] * per_mm + 2 * margin), int(page_mm[0] * per_mm + 2 * margin))
    masks = []
    for polygon in (page, found):
        mask = np.zeros(size, np.uint8)
        cv2.fillPoly(mask, [np.round(polygon * 16).astype(np.int32)], 1, cv2.LINE_8, 4)
        masks.append(mask.astype(bool))
    return float((masks[0] & masks[1]).sum() / (masks[0] | masks[1]).sum())


def jaccard_shown(frame: Frame, truth: F64, size: tuple[int, int]) -> float:
    """Intersection over union of the parts of both pages that the picture (w, h) shows."""
    masks = []
    for polygon in (truth, outline(frame)):
        mask = np.zeros((size[1], size[0]), np.uint8)
        cv2.fillPoly(mask, [np.round((polygon - 0.5) * 16).astype(np.int32)], 1, cv2.LINE_8, 4)
        masks.append(mask.astype(bool))
    return float((masks[0] & masks[1]).sum() / max((masks[0] | masks[1]).sum(), 1))
