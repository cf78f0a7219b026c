"""The curves of a sheet, as flat arrays."""

from __future__ import annotations

from dataclasses import dataclass

from inkclean.base.arrays import F32, F64, I32, I64, Bool


@dataclass(frozen=True)
class Curves:
    """Closed outlines of ink.

    ``cubics`` is (S, 4, 2) float64: the control points of each cubic in mm, origin at the
    sheet's top left, x right, y down; each segment starts exactly where the one before it in
    its loop ends, and the last ends where the first starts. ``loops`` is (L + 1,) int64
    offsets into ``cubics``. ``shape`` is (L,) int32: loops of one number are one connected
    piece of ink, its outer loop first. ``hole`` is (L,) bool. Outer loops run clockwise as
    seen on the screen (positive shoelace area with y down), holes the other way, so that the
    even-odd and the non-zero rule agree. ``corner`` is (S,) bool: the segment's start is a
    corner; everywhere else the outline is tangent-continuous. ``straight`` is (S,) bool: the
    segment is a line (its inner control points lie at the thirds).
    """

    cubics: F64
    loops: I64
    shape: I32
    hole: Bool
    corner: Bool
    straight: Bool
    width_mm: float
    height_mm: float


@dataclass(frozen=True)
class Strokes:
    """Centrelines with widths, and what is too broad to be a line.

    ``cubics`` (S, 4, 2) float64 mm and ``strokes`` (N + 1,) int64 offsets as in Curves;
    ``closed`` (N,) bool; ``widths_mm`` (S, 2) float32: full width at each segment's start and
    end. ``blacks`` holds the spot blacks as filled outlines.
    """

    cubics: F64
    strokes: I64
    closed: Bool
    widths_mm: F32
    blacks: Curves
