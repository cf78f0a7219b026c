"""What is corrected in the ink by hand: specks brought back, white laid over, ink drawn in."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

import cv2
import numpy as np

from inkclean.base.arrays import F32, F64
from inkclean.base.errors import InputError
from inkclean.ink.weight import weigh

# A touch brings back the specks whose rim lies within this, in mm.
TOUCH_MM = 0.3
# Fractional bits of OpenCV's drawing coordinates.
_BITS = 4
# Strokes are drawn on a grid this many times finer and averaged: soft edges.
_FINER = 2
_WIDEST_MM = 50.0


@dataclass(frozen=True)
class InkStroke:
    """One stroke by hand: (N, 3) float64 x, y and full width in mm; white or ink."""

    how: Literal["white", "ink"]
    points: F64


@dataclass(frozen=True)
class InkEdits:
    """What was corrected by hand, in mm of the sheet, so that it holds at any resolution.

    ``kept`` (N, 2) are places of specks to bring back; ``strokes`` are laid one after another.
    """

    kept: tuple[tuple[float, float], ...] = ()
    strokes: tuple[InkStroke, ...] = ()


def mend(
    cleaned: F32, raw: F32, removed: F32, edits: InkEdits, px_per_mm: float, weight: float = 0.0
) -> tuple[F32, F32]:
    """Return the coverage (H, W) with edits and weight, and what stays removed, (N, 3).

    ``raw`` is the coverage before specks were removed, ``removed`` x, y and diameter in mm.
    Specks brought back are weighed as the drawing is (``weight`` as for
    :func:`inkclean.ink.weight.weigh`); strokes by hand are as broad as they were drawn.
    ``cleaned`` is changed in place.
    """
    removed = bring_back(cleaned, raw, removed, edits.kept, px_per_mm)
    coverage = weigh(cleaned, weight, px_per_mm)
    lay_strokes(coverage, edits.strokes, px_per_mm)
    return coverage, removed


def bring_back(
    cleaned: F32, raw: F32, removed: F32, kept: tuple[tuple[float, float], ...], px_per_mm: float
) -> F32:
    """Return which of ``removed`` (N, 3) stay removed; put the others back into ``cleaned``.

    ``cleaned`` and ``raw`` are (H, W) coverage after and before specks were removed;
    ``cleaned`` is changed in place.
    """
    if not len(removed) or not kept:
        return removed
    back = np.zeros(len(removed), np.bool_)
    for place in kept:
        away = np.hypot(*(removed[:, :2] - np.array(place, np.float32)).T) - removed[:, 2] / 2
        nearest = int(away.argmin())
        back[nearest] |= bool(away[nearest] <= TOUCH_MM)
    height, width = cleaned.shape
    for x, y, size in removed[back]:
        reach = 0.75 * size + 0.15
        left, right = (int(np.clip((x + d) * px_per_mm, 0, width)) for d in (-reach, reach + 0.1))
        top, bottom = (int(np.clip((y + d) * px_per_mm, 0, height)) for d in (-reach, reach + 0.1))
        part = (slice(top, bottom), slice(left, right))
        cleaned[part] = np.maximum(cleaned[part], raw[part])
    return np.asarray(removed[~back], np.float32)


def lay_strokes(coverage: F32, strokes: tuple[InkStroke, ...], px_per_mm: float) -> None:
    """Lay the strokes over ``coverage`` (H, W) in place: white removes ink, ink adds it."""
    height, width = coverage.shape
    for stroke in strokes:
        at = stroke.points[:, :2] * px_per_mm
        half = stroke.points[:, 2] * px_per_mm / 2
        reach = float(half.max()) + 2
        low = np.floor(at.min(axis=0) - reach).astype(int).clip(0, (width, height))
        high = np.ceil(at.max(axis=0) + reach).astype(int).clip(0, (width, height))
        if (high <= low).any():
            continue
        size = ((high - low)[::-1] * _FINER).astype(int)
        drawn = np.zeros((int(size[0]), int(size[1])), np.uint8)
        # filled shapes include the pixels that their rim passes through
        _draw(drawn, (at - low) * _FINER, np.maximum(half * _FINER - 0.5, 0.3))
        mask = cv2.resize(drawn, tuple(int(v) for v in high - low), interpolation=cv2.INTER_AREA)
        share = np.asarray(mask, np.float32) / 255
        part = coverage[low[1] : high[1], low[0] : high[0]]
        if stroke.how == "ink":
            np.maximum(part, share, out=part)
        else:
            np.minimum(part, 1 - share, out=part)


def _draw(drawn: np.ndarray[Any, np.dtype[np.uint8]], at: F64, half: F64) -> None:
    one = 1 << _BITS
    for (x, y), radius in zip(at, half, strict=True):
        centre = (round((x - 0.5) * one), round((y - 0.5) * one))
        cv2.circle(drawn, centre, max(1, round(radius * one)), 255, -1, cv2.LINE_8, _BITS)
    for k in range(len(at) - 1):
        step = at[k + 1] - at[k]
        length = float(np.hypot(*step))
        if length < 1e-6:
            continue
        side = np.array([-step[1], step[0]]) / length
        corners = np.stack(
            [
                at[k] + side * half[k],
                at[k + 1] + side * half[k + 1],
                at[k + 1] - side * half[k + 1],
                at[k] - side * half[k],
            ]
        )
        cv2.fillConvexPoly(
            drawn, np.round((corners - 0.5) * one).astype(np.int32), 255, cv2.LINE_8, _BITS
        )


def ink_edits_record(edits: InkEdits) -> dict[str, Any]:
    """Return the edits as plain values for the ticket, lengths in mm."""
    return {
        "kept": [[round(x, 3), round(y, 3)] for x, y in edits.kept],
        "strokes": [
            {"how": stroke.how, "points_mm": np.round(stroke.points, 3).tolist()}
            for stroke in edits.strokes
        ],
    }


def read_ink_edits(record: Mapping[str, Any]) -> InkEdits:
    """Return the edits that a ticket holds; what it does not name is empty.

    Raises:
        InputError: a value is not what ``ink_edits_record`` writes.
    """
    strokes = []
    try:
        kept = np.array(record.get("kept") or np.zeros((0, 2)), np.float64)
        for row in record.get("strokes", []):
            points = np.array(row["points_mm"], np.float64)
            strokes.append(InkStroke(row["how"], points))
            sound = points.ndim == 2 and points.shape[1] == 3 and len(points) > 0
            sound = sound and bool(np.isfinite(points).all()) and row["how"] in ("white", "ink")
            if not sound or points[:, 2].min() < 0 or points[:, 2].max() > _WIDEST_MM:
                raise ValueError
        if kept.ndim != 2 or kept.shape[1] != 2 or not np.isfinite(kept).all():
            raise ValueError
    except (ValueError, TypeError, KeyError, AttributeError, IndexError):
        raise InputError("the ink edits are invalid; make them again") from None
    return InkEdits(tuple((float(x), float(y)) for x, y in kept), tuple(strokes))
