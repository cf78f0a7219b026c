"""What a person moved between art and lettering."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from inkclean.base.arrays import F64, U8, Bool
from inkclean.base.errors import InputError
from inkclean.base.pieces import SIZE, pieces_of
from inkclean.flats.lettering.values import PARTS, Lettering, Part, spread

TOUCH_MM = 1.5  # a touch finds ink within this
MOST = 0.6  # a mark that lies inside a ring by this share goes whole


@dataclass(frozen=True)
class Move:
    """Ink moved to another part of the page: what is touched, or what a ring is drawn round.

    ``points`` (N, 2) are x, y in mm: one or two are touches of a mark each, more are a ring.
    """

    to: Part
    points: F64


@dataclass(frozen=True)
class LetterEdits:
    """All that was moved by hand, one after another, in mm: it holds at any resolution."""

    moves: tuple[Move, ...] = ()


def apply_moves(lettering: Lettering, ink: Bool, edits: LetterEdits) -> Lettering:
    """Return the lettering with the moves done; ``ink`` (H, W) lies on its grid."""
    if not edits.moves:
        return lettering
    kind = np.where(ink, lettering.kind, np.uint8(0)).astype(np.uint8)
    for move in edits.moves:
        at = move.points * lettering.px_per_mm
        if len(at) > 2:
            _ringed(kind, ink, at, PARTS[move.to])
        else:
            for x, y in at:
                _touched(kind, ink, (float(x), float(y)), move.to, lettering.px_per_mm)
    return Lettering(spread(kind), lettering.px_per_mm)


def _touched(kind: U8, ink: Bool, at: tuple[float, float], to: Part, px_per_mm: float) -> None:
    """Move the mark nearest to a touch, in place."""
    reach = TOUCH_MM * px_per_mm
    rows, columns = (slice(max(0, int(v - reach)), max(0, int(v + reach) + 1)) for v in at[::-1])
    row, column = np.nonzero(ink[rows, columns])
    if not len(row):
        return
    away = np.hypot(column + columns.start + 0.5 - at[0], row + rows.start + 0.5 - at[1])
    nearest = int(away.argmin())
    if away[nearest] > reach:
        return
    place = row[nearest] + rows.start, column[nearest] + columns.start
    same = np.ascontiguousarray(ink & (kind == kind[place]))
    label, _ = pieces_of(same)
    kind[label == label[place]] = PARTS[to]


def _ringed(kind: U8, ink: Bool, ring: F64, to: int) -> None:
    """Move what lies inside a ring, in place: marks mostly inside go whole, of others a part."""
    low = np.floor(ring.min(axis=0)).astype(int).clip(0)
    high = np.ceil(ring.max(axis=0)).astype(int) + 1
    place = slice(low[1], high[1]), slice(low[0], high[0])
    if not ink[place].any():
        return
    inside = np.zeros(ink.shape, np.uint8)
    cv2.fillPoly(inside, [np.round((ring - 0.5) * 16).astype(np.int32)], 1, shift=4)
    moved = (inside > 0) & ink
    for part in np.unique(kind[moved]).tolist():
        same = np.ascontiguousarray(ink & (kind == part))
        label, told = pieces_of(same)
        whole, within = told[:, SIZE], np.bincount(label[moved & same], minlength=len(told))
        mostly = within > MOST * np.maximum(whole, 1)
        mostly[0] = False
        moved |= mostly[label]
    kind[moved] = to


def letter_edits_record(edits: LetterEdits) -> dict[str, Any]:
    """Return the edits as plain values for the ticket, lengths in mm."""
    moves = [
        {"to": move.to, "points_mm": np.round(move.points, 3).tolist()} for move in edits.moves
    ]
    return {"moves": moves} if moves else {}


def read_letter_edits(record: Mapping[str, Any]) -> LetterEdits:
    """Return the edits that a ticket holds; none if it names none.

    Raises:
        InputError: a value is not what ``letter_edits_record`` writes.
    """
    moves = []
    try:
        for row in record.get("moves", []):
            points = np.array(row["points_mm"], np.float64)
            sound = points.ndim == 2 and points.shape[1] == 2 and len(points) > 0
            if not sound or not np.isfinite(points).all() or row["to"] not in PARTS:
                raise ValueError
            moves.append(Move(row["to"], points))
    except (ValueError, TypeError, KeyError, AttributeError, IndexError):
        raise InputError("the lettering edits are invalid; make them again") from None
    return LetterEdits(tuple(moves))
