"""Pages of comics with known lettering: art in panels, balloons, captions, sound words on it.

Drawings, textures and panels are laid first; balloons and words are laid over them as on an
inked board, with what lies below them left out. Nothing here knows how lettering is found.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import TypeAlias

import cv2
import numpy as np

from inkclean.base.arrays import F32, U8, Bool
from inkclean.ink.values import Ink, Pencil
from tests.lettering import words
from tests.lettering.crowds import crowd, grass
from tests.lettering.shapes import halo, shape_of, tail_of
from tests.lettering.textures import ART, TEXTURES
from tests.lettering.words import FINER, Rng, Setter

PX_PER_MM = FINER / 2
TEXT, BALLOON = 2, 3
CLEAR = round(1.5 * FINER)  # lettering keeps off a panel's border, or leans on it
Drawings: TypeAlias = Callable[[Rng], U8]
"""Gives a drawing as a mask (h, w) of 0 and 1."""


@dataclass(frozen=True)
class Board:
    """A page drawn: ``coverage`` (H, W) 0..1; ``kind`` (H, W) ART, TEXT, BALLOON, 0 none.

    ``outlines`` are the balloons' and boxes' own ink, (H, W) bool each with its place (rows,
    columns); ``sounds`` (H, W) is the ink of sound words, ``bare`` that of words on bare art,
    ``bubbles`` of those that lead to a thought, ``black`` of boxes with white letters.
    """

    coverage: F32
    kind: U8
    outlines: list[tuple[tuple[slice, slice], Bool]]
    sounds: Bool
    bare: Bool
    bubbles: Bool
    black: Bool

    @property
    def ink(self) -> Ink:
        """The page as the chain has it."""
        return Ink(self.coverage, PX_PER_MM, Pencil(False, (), 0.0, None, "none"))


@dataclass
class Easel:
    """A page at work: ``kind`` at FINER px a mm, panels as x, y, width, height in px.

    ``bordered`` tells whether the panels have borders.
    """

    kind: U8
    rng: Rng
    panels: list[tuple[int, int, int, int]] = field(default_factory=list)
    taken: list[tuple[int, int, int, int]] = field(default_factory=list)
    bordered: bool = True
    outlines: list[tuple[tuple[slice, slice], U8]] = field(default_factory=list)
    sounds: list[tuple[tuple[slice, slice], U8]] = field(default_factory=list)
    bare: list[tuple[tuple[slice, slice], U8]] = field(default_factory=list)
    bubbles: list[tuple[tuple[slice, slice], U8]] = field(default_factory=list)
    black: list[tuple[tuple[slice, slice], U8]] = field(default_factory=list)

    def put(self, mask: U8, x: int, y: int, what: int, clear: U8 | None = None) -> None:
        """Lay a mask's ink with its corner at x, y; ``clear`` is white laid first."""
        height, width = mask.shape
        top, left = max(y, 0), max(x, 0)
        bottom, right = min(y + height, self.kind.shape[0]), min(x + width, self.kind.shape[1])
        if bottom <= top or right <= left:
            return
        cut = slice(top - y, bottom - y), slice(left - x, right - x)
        part = self.kind[top:bottom, left:right]
        if clear is not None:
            part[clear[cut] > 0] = 0
        part[mask[cut] > 0] = what

    def free(self, width: int, height: int) -> tuple[int, int] | None:
        """Return a corner where a box lies on no other, None if there is no room."""
        for _ in range(30):
            px, py, pw, ph = self.panels[int(self.rng.integers(len(self.panels)))]
            if pw < width + 2 * CLEAR or ph < height + 2 * CLEAR:
                continue
            x = px + int(self.rng.integers(CLEAR, pw - width - CLEAR + 1))
            y = py + int(self.rng.integers(CLEAR, ph - height - CLEAR + 1))
            if not self.overlaps((x, y, width, height)):
                self.taken.append((x, y, width, height))
                return x, y
        return None

    def overlaps(self, box: tuple[int, int, int, int]) -> bool:
        """Tell whether a box (x, y, width, height) lies on one that is taken."""
        x, y, width, height = box
        return not all(
            x > a + c or a > x + width or y > b + d or b > y + height for a, b, c, d in self.taken
        )


More: TypeAlias = Callable[[Easel, Setter], None]
"""Lays more lettering on a page."""


def board(
    seed: int,
    setters: Sequence[Setter],
    drawings: Drawings | None,
    *,
    size_mm: tuple[float, float] = (150, 200),
    bare: float = 0.15,
    more: More | None = None,
    crowds: bool = False,
) -> Board:
    """Draw a page of ``size_mm``; ``bare`` is the share of sound words laid on bare art.

    ``more`` lays lettering on it last; ``crowds`` asks for art that looks like lettering.
    """
    rng = np.random.default_rng(seed)
    size = round(size_mm[1] * FINER), round(size_mm[0] * FINER)
    easel = Easel(np.zeros(size, np.uint8), rng)
    _panels(easel)
    for panel in easel.panels:
        _fill(easel, panel, drawings)
    if crowds:
        _crowd(easel, drawings, np.random.default_rng([seed, 2]))
    own: list[Setter] = [setters[int(k)] for k in rng.integers(len(setters), size=3)]
    for _ in range(int(rng.integers(0, 3))):
        _sound(easel, own[2], bare)
    for _ in range(int(rng.integers(0, 3))):
        _free(easel, own[1])
    for _ in range(int(rng.integers(1, 4))):
        _caption(easel, own[int(rng.random() < 0.3)])
    for _ in range(int(rng.integers(2, 7))):
        _balloon(easel, own[0])
    if more is not None:
        easel.rng = np.random.default_rng([seed, 1])
        more(easel, own[0])
    return _looked_at(easel)


def _looked_at(easel: Easel) -> Board:
    kind = easel.kind
    half = (kind.shape[1] // 2, kind.shape[0] // 2)
    shares = [
        cv2.resize((kind == what).astype(np.float32), half, interpolation=cv2.INTER_AREA)
        for what in (ART, TEXT, BALLOON)
    ]
    coverage = np.asarray(sum(shares), np.float32)
    coverage = np.asarray(cv2.GaussianBlur(coverage, (0, 0), 0.45), np.float32)
    own = (np.argmax(shares, axis=0) + 1).astype(np.uint8)
    own[coverage < 0.5] = 0

    def shrunk(parts: list[tuple[tuple[slice, slice], U8]], what: int) -> Bool:
        whole = np.zeros(kind.shape, np.uint8)
        for place, mask in parts:
            np.maximum(whole[place], mask, out=whole[place])
        small = cv2.resize(whole, half, interpolation=cv2.INTER_NEAREST)
        return np.asarray((small > 0) & (own == what))

    outlines = []
    for (rows, columns), mask in easel.outlines:
        place = slice(rows.start // 2, rows.stop // 2), slice(columns.start // 2, columns.stop // 2)
        high, wide = place[0].stop - place[0].start, place[1].stop - place[1].start
        if high > 0 and wide > 0:
            small = cv2.resize(mask, (wide, high), interpolation=cv2.INTER_NEAREST)
            outlines.append((place, np.asarray((small > 0) & (own[place] == BALLOON))))
    sounds, bare = shrunk(easel.sounds, TEXT), shrunk(easel.bare, TEXT)
    bubbles, black = shrunk(easel.bubbles, BALLOON), shrunk(easel.black, BALLOON)
    return Board(coverage, own, outlines, sounds, bare, bubbles, black)


def kept(
    easel: Easel, mask: U8, x: int, y: int, into: list[tuple[tuple[slice, slice], U8]]
) -> None:
    height, width = easel.kind.shape
    rows = slice(max(y, 0), min(y + mask.shape[0], height))
    columns = slice(max(x, 0), min(x + mask.shape[1], width))
    if rows.stop > rows.start and columns.stop > columns.start:
        cut = mask[rows.start - y : rows.stop - y, columns.start - x : columns.stop - x]
        into.append(((rows, columns), cut))


# art


def _panels(easel: Easel) -> None:
    rng, (height, width) = easel.rng, easel.kind.shape
    edge, gutter = round(rng.uniform(4, 9) * FINER), round(rng.uniform(2.5, 5) * FINER)
    rows = int(rng.integers(1, 4))
    thick = round(rng.uniform(0.35, 1.0) * FINER)
    easel.bordered = rng.random() >= 0.15
    cuts = np.linspace(edge, height - edge + gutter, rows + 1).astype(int)
    for top, bottom in zip(cuts[:-1], cuts[1:] - gutter, strict=True):
        columns = int(rng.integers(1, 4))
        stops = np.linspace(edge, width - edge + gutter, columns + 1)
        stops[1:-1] += rng.uniform(-8, 8, columns - 1) * FINER
        for left, right in zip(stops[:-1].astype(int), stops[1:].astype(int) - gutter, strict=True):
            easel.panels.append((int(left), int(top), int(right - left), int(bottom - top)))
            if easel.bordered:
                corner = (int(right), int(bottom))
                cv2.rectangle(easel.kind, (int(left), int(top)), corner, ART, thick)


def _fill(easel: Easel, panel: tuple[int, int, int, int], drawings: Drawings | None) -> None:
    """Draw in a panel, in nothing but it."""
    rng, (x, y, width, height) = easel.rng, panel
    part = easel.kind[y : y + height, x : x + width]
    for _ in range(int(rng.integers(0, 9))):
        TEXTURES[int(rng.integers(len(TEXTURES)))](part, rng)
    for _ in range(int(rng.integers(1, 6)) if drawings else 0):
        assert drawings is not None
        mask = drawings(rng)
        whole = rng.uniform(0.3, 1.1) * min(width, height) / max(mask.shape)
        # a drawing of few strokes is small on a page
        most = 0.9 * FINER / max(_breadth(mask), 1e-6)
        scale = min(whole, most * rng.uniform(0.4, 1.3))
        mask = words.turned(mask, 0, (scale, scale))
        if rng.random() < 0.5:
            mask = np.ascontiguousarray(mask[:, ::-1])
        left = int(rng.integers(-mask.shape[1] // 4, max(1, width - mask.shape[1] // 2)))
        top = int(rng.integers(-mask.shape[0] // 4, max(1, height - mask.shape[0] // 2)))
        inside = slice(max(top, 0), min(top + mask.shape[0], height))
        across = slice(max(left, 0), min(left + mask.shape[1], width))
        if inside.stop <= inside.start or across.stop <= across.start:
            continue
        cut = mask[inside.start - top : inside.stop - top, across.start - left : across.stop - left]
        target = part[inside, across]
        if rng.random() < 0.7:  # it hides what is behind it
            target[_silhouette(cut) > 0] = 0
        target[cut > 0] = ART


def _crowd(easel: Easel, drawings: Drawings | None, rng: Rng) -> None:
    for x, y, width, height in easel.panels:
        part = easel.kind[y : y + height, x : x + width]
        for _ in range(int(rng.integers(0, 3))):
            if drawings is not None and rng.random() < 0.5:
                crowd(part, rng, drawings)
            else:
                grass(part, rng)


def _breadth(mask: U8) -> float:
    """How broad a drawing's strokes are, px."""
    inner = cv2.erode(mask, np.ones((3, 3), np.uint8))
    return 4 * float(mask.sum()) / max(float(mask.sum() - inner.sum()), 1.0)


def _silhouette(mask: U8) -> U8:
    padded = np.pad(mask, 1)
    around = np.zeros((padded.shape[0] + 2, padded.shape[1] + 2), np.uint8)
    filled = padded.copy()
    cv2.floodFill(filled, around, (0, 0), 2)
    return np.asarray(filled != 2, np.uint8)[1:-1, 1:-1]


# lettering


def text_of(easel: Easel, setter: Setter, letters: tuple[int, int]) -> tuple[U8, float]:
    rng = easel.rng
    high = float(rng.uniform(1.9, 3.8))
    many = int(rng.integers(*letters))
    text = words.sentence(rng, many, rng.random() < 0.65)
    width = int(np.clip(many**0.5 * rng.uniform(1.6, 3.2), 5, 40))
    mask = words.block(setter, words.broken(text, width), high, rng)
    return words.turned(mask, float(rng.normal() * 1.0)), high


def _caption(easel: Easel, setter: Setter) -> None:
    rng = easel.rng
    mask, high = text_of(easel, setter, (6, 70))
    margin = round(rng.uniform(0.35, 0.9) * high * FINER)
    thick = round(rng.uniform(0.25, 0.8) * FINER)
    height, width = mask.shape[0] + 2 * margin, mask.shape[1] + 2 * margin
    place = easel.free(width, height)
    if place is None:
        return
    x, y = place
    if rng.random() < 0.4:  # into the panel's corner, whose border it shares
        px, py, _, _ = min(easel.panels, key=lambda p: abs(p[0] - x) + abs(p[1] - y))
        box = (px, py, width, height)
        easel.taken.pop()
        if easel.overlaps(box):
            return
        easel.taken.append(box)
        x, y = px, py
    outline = np.zeros((height, width), np.uint8)
    cv2.rectangle(
        outline,
        (thick // 2, thick // 2),
        (width - 1 - thick // 2, height - 1 - thick // 2),
        1,
        thick,
    )
    _close(easel, outline, np.ones_like(outline), mask, margin, margin, x, y)


def _close(
    easel: Easel, outline: U8, clear: U8, mask: U8, right: int, down: int, x: int, y: int
) -> None:
    """Lay an outline, its inside cleared, and the text in it."""
    own = outline.copy()
    if easel.bordered and any((x, y) == panel[:2] for panel in easel.panels):
        # sides that lie on a panel's border are the border's
        thick = int(outline[:, outline.shape[1] // 2].argmin()) + 1
        own[:thick] = own[:, :thick] = 0
    easel.put(outline, x, y, ART, clear)
    easel.put(own, x, y, BALLOON)
    easel.put(mask, x + right, y + down, TEXT)
    kept(easel, own, x, y, easel.outlines)


def _balloon(easel: Easel, setter: Setter) -> None:
    rng = easel.rng
    mask, high = text_of(easel, setter, (2, 75))
    margin = rng.uniform(0.4, 1.2) * high * FINER
    shape = shape_of(rng, mask.shape[1] + margin, mask.shape[0] + margin)
    low, top = shape.min(0), shape.max(0)
    tail = rng.uniform(3, 14) * FINER if rng.random() < 0.75 else 0.0
    pad = round(tail + 1.5 * FINER)
    width, height = (np.ceil(top - low) + 2 * pad).astype(int)
    centre = pad - low
    thick = round(float(np.exp(rng.uniform(np.log(0.22), np.log(0.9)))) * FINER)
    place = easel.free(width - pad, height - pad)
    if place is None:
        return
    x, y = place[0] - pad // 2, place[1] - pad // 2
    filled = np.zeros((height, width), np.uint8)
    cv2.fillPoly(filled, [np.round(shape + centre).astype(np.int32)], 1)
    if tail:
        tail_of(filled, shape, centre, tail, rng)
    contours, _ = cv2.findContours(filled, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    outline = np.zeros_like(filled)
    cv2.drawContours(outline, contours, -1, 1, thick)
    right = round(float(centre[0]) - mask.shape[1] / 2)
    down = round(float(centre[1]) - mask.shape[0] / 2)
    _close(easel, outline, filled, mask, right, down, x, y)


def _free(easel: Easel, setter: Setter) -> None:
    """Words on the art without a box, white left around them."""
    rng = easel.rng
    mask, _ = text_of(easel, setter, (4, 50))
    wide, clear, _pad = halo(mask, float(rng.uniform(0.5, 1.5)))
    place = easel.free(wide.shape[1], wide.shape[0])
    if place is not None:
        easel.put(wide, *place, TEXT, clear)


def _sound(easel: Easel, setter: Setter, bare: float) -> None:
    """A sound word: solid or open letters, white left around them or not."""
    rng = easel.rng
    high = float(rng.uniform(6, 22))
    text = str(rng.choice(words.SOUNDS)) + str(rng.choice(["", "!", "!!"]))
    mask = words.sound(setter, text, high, rng)
    wide, clear, _ = halo(mask, float(rng.uniform(0.35, 1.2)))
    place = easel.free(wide.shape[1], wide.shape[0])
    if place is None:
        return
    if rng.random() < 0.35:  # open letters
        line = round(rng.uniform(0.25, 0.7) * FINER)
        disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * line + 1, 2 * line + 1))
        wide = np.asarray(cv2.dilate(wide, disc) - wide, np.uint8)
    on_bare = rng.random() < bare
    easel.put(wide, *place, TEXT, None if on_bare else clear)
    kept(easel, wide, *place, easel.sounds)
    if on_bare:
        kept(easel, wide, *place, easel.bare)
