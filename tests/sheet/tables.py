"""Tables of many kinds under a sheet, drawn by chance: where every corner lies is known.

Tops lie on the table's plane, seen by the same pinhole as the sheet; hands, pens and other pages
lie over both.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from inkclean.sheet.values import Photo
from tests.sheet import tops, tops_more
from tests.sheet.desks import F64, Scene, corners
from tests.sheet.icc import decode_srgb, encode_srgb
from tests.sheet.tops import PER_MM, SIDE_MM, Image, Rng, tinted


@dataclass(frozen=True)
class Shown:
    """A photo, the sheet's true corners (4, 2) in its px, and the sheet's size in mm."""

    photo: Photo
    corners: F64
    page_mm: tuple[float, float]


# --- what lies on the sheet


def _hand(photo: Image, quad: F64, rng: Rng) -> None:
    """A forearm and hand from one side, over the sheet's edge."""
    side = int(rng.integers(0, 4))
    edge = quad[side] + (quad[(side + 1) % 4] - quad[side]) * rng.uniform(0.25, 0.75)
    inward = quad.mean(axis=0) - edge
    inward /= np.hypot(*inward)
    across = np.array([-inward[1], inward[0]])
    size = float(np.hypot(*(quad[1] - quad[0])))
    skin = np.array([0.86, 0.66, 0.55]) * rng.uniform(0.45, 1.05)
    wide = 0.11 * size
    palm = edge + inward * 0.12 * size
    for offset, dark in ((np.array([6.0, 8.0]), 0.55), (np.zeros(2), 1.0)):
        mask = np.zeros(photo.shape[:2], np.float32)
        start = edge - inward * size
        cv2.line(mask, _at(start + offset), _at(palm + offset), 1.0, int(1.5 * wide), cv2.LINE_AA)
        cv2.circle(mask, _at(palm + offset), int(0.9 * wide), 1.0, -1, cv2.LINE_AA)
        for k in (-1.5, -0.5, 0.5, 1.5):
            tip = palm + inward * wide * rng.uniform(1.5, 2.2) + across * k * 0.55 * wide
            cv2.line(
                mask,
                _at(palm + across * k * 0.4 * wide + offset),
                _at(tip + offset),
                1.0,
                int(0.42 * wide),
                cv2.LINE_AA,
            )
        mask = _soft(mask, 6.0 if dark < 1 else 1.0)
        if dark < 1:
            photo *= 1 - (1 - dark) * mask
        else:
            photo[:] = photo * (1 - mask) + skin.astype(np.float32) * mask


def _pens(photo: Image, quad: F64, rng: Rng) -> None:
    """Pens, a ruler and an eraser across the sheet's edges and on it."""
    size = float(np.hypot(*(quad[1] - quad[0])))
    for _ in range(int(rng.integers(2, 5))):
        side = int(rng.integers(0, 4))
        middle = quad[side] + (quad[(side + 1) % 4] - quad[side]) * rng.uniform(0.1, 0.9)
        angle = rng.uniform(0, np.pi)
        reach = np.array([np.cos(angle), np.sin(angle)]) * size * rng.uniform(0.2, 0.4)
        wide = int(size * rng.uniform(0.02, 0.09))
        colour = tinted(rng, 0.1, 0.7, 0.2)
        for offset, dark in ((np.array([4.0, 5.0]), True), (np.zeros(2), False)):
            mask = np.zeros(photo.shape[:2], np.float32)
            cv2.line(
                mask,
                _at(middle - reach + offset),
                _at(middle + reach + offset),
                1.0,
                wide,
                cv2.LINE_AA,
            )
            mask = _soft(mask, 3.0 if dark else 0.8)
            photo[:] = photo * (1 - 0.4 * mask) if dark else photo * (1 - mask) + colour * mask


def _soft(mask: Image, sigma: float) -> Image:
    return np.asarray(cv2.GaussianBlur(mask, (0, 0), sigma), np.float32)[..., None]


def _at(point: F64) -> tuple[int, int]:
    return round(float(point[0])), round(float(point[1]))


def _holes(photo: Image, place: F64, page: tuple[float, float], table: Image) -> None:
    """Two punched holes through which the table shows."""
    for along in (page[1] / 2 - 40, page[1] / 2 + 40):
        angle = np.linspace(0, 2 * np.pi, 40, endpoint=False)
        ring = np.stack([12 + 3 * np.cos(angle), along + 3 * np.sin(angle)], axis=1)
        seen = cv2.perspectiveTransform(ring[None].astype(np.float32), place)[0]
        mask = np.zeros(photo.shape[:2], np.float32)
        cv2.fillPoly(mask, [np.rint(seen * 16).astype(np.int32)], 1.0, cv2.LINE_AA, 4)
        photo[:] = photo * (1 - mask[..., None]) + 0.8 * table * mask[..., None]


def _other_page(table: Image, quad: F64, place: F64, page: tuple[float, float], rng: Rng) -> None:
    """The notebook's other page, of the same paper, beyond a dark fold at the left."""
    wide, high = page
    box = np.array([[-wide, 0], [0, 0], [0, high], [-wide, high]], np.float32)
    seen = cv2.perspectiveTransform(box[None], place)[0]
    cv2.fillPoly(table, [np.rint(seen * 16).astype(np.int32)], (0.90, 0.89, 0.86), cv2.LINE_AA, 4)
    for k in range(int(rng.integers(5, 25))):
        y = high * (0.08 + 0.03 * k)
        line = np.array([[-0.9 * wide, y], [-wide * rng.uniform(0.1, 0.6), y]], np.float32)
        seen = cv2.perspectiveTransform(line[None], place)[0]
        cv2.polylines(
            table, [np.rint(seen * 16).astype(np.int32)], False, (0.2, 0.2, 0.25), 2, cv2.LINE_AA, 4
        )
    fold = np.array([[0, 0], [0, high]], np.float32)
    seen = cv2.perspectiveTransform(fold[None], place)[0]
    shade = np.zeros(table.shape[:2], np.float32)
    cv2.polylines(shade, [np.rint(seen * 16).astype(np.int32)], False, 1.0, 9, cv2.LINE_AA, 4)
    table *= 1 - 0.45 * cv2.GaussianBlur(shade, (0, 0), 4.0)[..., None]


Table = Callable[[Rng], Image]
# The kinds that the framing was made with, and those that were kept out of it.
KNOWN: dict[str, Table] = {
    "mottled cloth": tops.mottled_cloth,
    "terrazzo": tops.terrazzo,
    "newspaper": tops.newspaper,
    "light wood": tops.light_wood,
    "sheets under it": tops.sheets_under,
    "pale board": tops.pale_board,
    "hand on it": tops.plain,
}
KEPT_OUT: dict[str, Table] = {
    "stone": tops.stone,
    "carpet": tops.carpet,
    "patterned cloth": tops.patterned_cloth,
    "pens on it": tops.plain,
    "notebook": tops.plain,
    "binder holes": tops.mottled_cloth,
}
LATER: dict[str, Table] = {
    "granite": tops_more.granite,
    "towel": tops_more.towel,
    "tiles": tops_more.tiles,
    "squared sheets": tops_more.squared_sheets,
}
SIZE = (1200, 1600)


def shoot(kind: str, seed: int, *, out: bool = False, hidden: int = 0) -> Shown:
    """Photograph a sheet on a table of a kind.

    ``out`` pushes a corner out of the picture, ``hidden`` one to four whole sides.
    """
    rng = np.random.default_rng([seed, sum(map(ord, kind))])
    turned = bool(rng.random() < 0.3)
    page: tuple[float, float] = (210.0, 297.0) if rng.random() < 0.7 else (215.9, 279.4)
    page = (page[1], page[0]) if turned else page
    scene = Scene(
        size=SIZE[::-1] if turned else SIZE,
        page_mm=page,
        fill=rng.uniform(0.7, 0.9),
        turn=rng.normal(0, 5),
        tilt=(rng.normal(0, 8), rng.normal(0, 8)),
        shift=tuple(rng.uniform(-0.02, 0.02, 2)),
    )
    if out:
        sign = rng.choice([-1, 1], 2)
        turn = float(rng.uniform(4, 9) * rng.choice([-1, 1]))
        scene = replace(scene, fill=0.95, turn=turn, shift=tuple(0.05 * sign))
    if hidden:
        scene = _hiding(scene, hidden, rng)
    if kind == "notebook":
        scene = replace(scene, shift=(0.12, scene.shift[1]), fill=min(scene.fill, 0.75))
    quad = corners(scene)
    width, height = scene.size
    page_box = np.array([[0, 0], [page[0], 0], page, [0, page[1]]], np.float32)
    place: F64 = np.asarray(
        cv2.getPerspectiveTransform(page_box, quad.astype(np.float32)), np.float64
    )
    to_page = np.array(
        [
            [1 / PER_MM, 0, (page[0] - SIDE_MM) / 2],
            [0, 1 / PER_MM, (page[1] - SIDE_MM) / 2],
            [0, 0, 1],
        ]
    )
    kinds = KNOWN | KEPT_OUT | LATER
    texture = np.clip(kinds[kind](rng), 0.01, 0.99)
    table = np.asarray(
        cv2.warpPerspective(
            texture,
            place @ to_page,
            (width, height),
            flags=cv2.INTER_AREA,
            borderMode=cv2.BORDER_REFLECT,
        ),
        np.float32,
    )
    if kind == "notebook":
        _other_page(table, quad, place, page, rng)
    share = _share(quad, (width, height))
    # the sheet casts a narrow soft shadow on the table
    offset = rng.normal(0, 2.5, 2)
    soft = cv2.GaussianBlur(_share(quad + offset, (width, height)), (0, 0), rng.uniform(1.5, 4.0))
    table = table * (1 - rng.uniform(0.1, 0.4) * soft)[..., None]
    sheet = _drawn(tinted(rng, 0.86, 0.96, 0.01), place, page, (width, height), rng)
    if hidden:
        _worn(sheet, place, page, rng)
    image = _linear(table) * (1 - share[..., None]) + _linear(sheet) * share[..., None]
    if kind == "binder holes":
        _holes(image, place, page, _linear(table))
    if kind == "hand on it":
        _hand(image, quad, rng)
    if kind == "pens on it":
        _pens(image, quad, rng)
    y, x = np.mgrid[:height, :width].astype(np.float32)
    angle = rng.uniform(0, 2 * np.pi)
    ramp = (x / width - 0.5) * np.cos(angle) + (y / height - 0.5) * np.sin(angle)
    light = 1 - rng.uniform(0.05, 0.4) * (ramp + 0.5)
    if hidden and rng.random() < 0.5:
        light = light * _shadow(width, height, rng)
    image = image * light[..., None].astype(np.float32) * np.float32(rng.uniform(0.75, 1.0))
    image = cv2.GaussianBlur(np.asarray(image, np.float32), (0, 0), rng.uniform(0.6, 1.1))
    codes = encode_srgb(np.clip(image, 0, 1).astype(np.float64)) * 255
    codes += rng.normal(0, rng.uniform(1, 4), codes.shape)
    pixels = np.clip(np.rint(codes), 0, 255).astype(np.uint8)
    _, data = cv2.imencode(".jpg", pixels, [cv2.IMWRITE_JPEG_QUALITY, 88])
    return Shown(Photo(np.asarray(cv2.imdecode(data, 1), np.uint8), None, kind), quad, page)


def _hiding(scene: Scene, sides: int, rng: Rng) -> Scene:
    """Return the scene with the camera so near that so many sides of the sheet are outside."""
    wide, high = scene.size
    across, along = rng.choice([-1.0, 1.0], 2)
    if sides == 1:
        shift = (0.0, 0.3 * along) if rng.random() < 0.5 else (0.3 * across, 0.0)
        fill = 0.85
    elif sides == 2:
        shift, fill = (0.3 * across, 0.3 * along), 1.0
    elif sides == 3:
        # shares of the picture's width: the sheet's far side in sight, the others beyond
        shift = (0.0, 0.6 * along * high / wide) if rng.random() < 0.5 else (0.6 * across, 0.0)
        fill = 1.6
    else:
        shift, fill = (0.0, 0.0), 1.5
    return replace(scene, fill=fill, shift=shift, turn=rng.normal(0, 2), tilt=(0.0, 0.0))


def _worn(sheet: Image, place: F64, page: tuple[float, float], rng: Rng) -> None:
    """Printed squares, and a fold, on some sheets: long straight lines that are no edge."""

    def ruled(ends: F64, dark: float, wide: int, blur: float) -> None:
        seen = cv2.perspectiveTransform((ends * page)[None].astype(np.float32), place)[0]
        line = np.zeros(sheet.shape[:2], np.float32)
        at = [np.rint(seen * 16).astype(np.int32)]
        cv2.polylines(line, at, False, 1.0, wide, cv2.LINE_AA, 4)
        soft = np.asarray(cv2.GaussianBlur(line, (0, 0), blur) if blur else line, np.float32)
        sheet[:] = sheet * (1 - dark * soft[..., None])

    if rng.random() < 0.5:
        for axis in (0, 1):
            for step in np.arange(5.0, page[axis], 5.0) / page[axis]:
                ends = np.array([[step, 0.0], [step, 1.0]])
                ruled(ends if axis == 0 else ends[:, ::-1], 0.3, 1, 0.0)
    if rng.random() < 0.5:
        at = rng.uniform(0.3, 0.7)
        ends = np.array([[at, 0.0], [at, 1.0]])
        ruled(ends if rng.random() < 0.5 else ends[:, ::-1], rng.uniform(0.05, 0.3), 3, 1.5)


def _shadow(width: int, height: int, rng: Rng) -> Image:
    """The light where a straight edge casts its shadow across the picture."""
    y, x = np.mgrid[:height, :width].astype(np.float32)
    angle = rng.uniform(0, 2 * np.pi)
    away = (x - width * rng.uniform(0.3, 0.7)) * np.cos(angle)
    away += (y - height * rng.uniform(0.3, 0.7)) * np.sin(angle)
    dark = rng.uniform(0.2, 0.6) * (0.5 + 0.5 * np.tanh(away / rng.uniform(2.0, 24.0)))
    return np.asarray(1 - dark, np.float32)


def _share(quad: F64, size: tuple[int, int]) -> Image:
    fine = np.zeros((size[1] * 3, size[0] * 3), np.float32)
    cv2.fillPoly(fine, [np.rint((quad * 3 - 0.5) * 256).astype(np.int32)], 1.0, cv2.LINE_8, 8)
    return np.asarray(cv2.resize(fine, size, interpolation=cv2.INTER_AREA), np.float32)


def _drawn(
    paper: Image, place: F64, page: tuple[float, float], size: tuple[int, int], rng: Rng
) -> Image:
    """The sheet's own picture: panels or none, strokes, blacks, all the way to the edges."""
    sheet = np.broadcast_to(paper, (size[1], size[0], 3)).astype(np.float32)
    grain = rng.normal(0, 0.006, (size[1], size[0], 1)).astype(np.float32)
    sheet = np.ascontiguousarray(sheet + grain)

    def at(points: F64) -> NDArray[np.int32]:
        mm = (points * page)[None].astype(np.float32)
        return np.asarray(np.rint(cv2.perspectiveTransform(mm, place)[0] * 16), np.int32)

    ink = (0.12, 0.12, 0.13)
    wide = int(rng.integers(1, 4))
    if rng.random() < 0.6:
        rows, columns = int(rng.integers(1, 4)), int(rng.integers(1, 3))
        for r in range(rows):
            for c in range(columns):
                low = np.array([0.07 + 0.86 * c / columns, 0.07 + 0.86 * r / rows])
                high = np.array([0.05 + 0.86 * (c + 1) / columns, 0.05 + 0.86 * (r + 1) / rows])
                box = np.array([low, [high[0], low[1]], high, [low[0], high[1]]])
                cv2.polylines(sheet, [at(box)], True, ink, wide, cv2.LINE_AA, 4)
                if rng.random() < 0.4:
                    spot = low + (box - low) * rng.uniform(0.2, 0.6, 2) + rng.uniform(0, 0.1, 2)
                    cv2.fillPoly(sheet, [at(spot)], ink, cv2.LINE_AA, 4)
    for _ in range(int(rng.integers(5, 60))):
        line = rng.uniform(0.06, 0.94, 2) + rng.normal(0, 0.03, (8, 2)).cumsum(axis=0)
        cv2.polylines(sheet, [at(np.clip(line, 0.03, 0.97))], False, ink, wide, cv2.LINE_AA, 4)
    return sheet


def _linear(codes: Image) -> Image:
    return decode_srgb(np.clip(codes, 0, 1).astype(np.float64)).astype(np.float32)
