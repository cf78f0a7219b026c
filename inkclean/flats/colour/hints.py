"""Dabs of colour that say what each area shall be."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from inkclean.base.arrays import F64, I32, I64, U8, Bool
from inkclean.base.errors import InputError
from inkclean.flats.colour.colours import Colouring
from inkclean.flats.colour.palette import PAPER, colour_name, unlike
from inkclean.flats.colour.space import difference, to_lab
from inkclean.flats.values import FIGURE, Flats
from inkclean.flats.walls.split import split_areas
from inkclean.ink.values import Ink

# A dab that runs over a line by accident must not colour what lies beyond: an area takes a
# dab's colour if it holds this share of the dab, or the dab covers this share of the area.
_OF_DAB, _OF_AREA = 0.3, 0.3
# Paper beside an untouched area counts half: a pocket on the outline belongs to the figure.
_PAPER_COUNTS = 0.5
# Without transparency only what has colour is a dab: grey is ink or paper. Of 255.
_COLOURED = 24
# Colours closer than this are one dab's (soft brush, noise); CIEDE2000.
_ONE_COLOUR = 6.0
# Pixels kept of all dabs together: plenty to say where each one lies.
_MOST_POINTS = 200_000
# The palette PNG has 256 places.
_MOST_COLOURS = 250


@dataclass(frozen=True)
class Hints:
    """Dabs of colour on the sheet.

    ``points`` (P, 2) float64: x, y in mm from the sheet's top left; ``dab`` (P,) int32: which
    dab each point belongs to; ``colours`` (D, 3) uint8 sRGB and ``names`` of D dabs, "" where
    none is given. ``covers_mm2`` (D,) float64 is the paper that each dab covers, None for
    mere points. ``book`` are D names of the book's colours that the dabs refer to, "" where none;
    empty where no dab does.
    """

    points: F64
    dab: I32
    colours: U8
    names: tuple[str, ...]
    covers_mm2: F64 | None = None
    book: tuple[str, ...] = ()


def colour_by_hints(flats: Flats, ink: Ink, hints: Hints) -> tuple[Flats, Colouring]:
    """Return the areas coloured as the dabs say, and the flats, split where dabs disagree.

    - Each dab gives its colour to the area that holds most of it, and to every other area
      that holds 30 % of it or is covered by it to 30 %.
    - Dabs of one colour are one colour of the palette, under the first name given; those that
      refer to one name of the book are one, whatever else has the same colour.
    - An area with dabs of several colours is split between them where the way from dab to
      dab is narrowest, as at a gap in the line that was missed.
    - Untouched background and gutter stay paper. Any other untouched area follows its
      surroundings: the colour along the longest stretch of its edge, paper counting half,
      taken from areas that have one already, round by round.

    Raises:
        InputError: more than 250 colours.
    """
    palette, row_of_dab, names, book = _palette(hints)
    touched, row = _touches(flats, hints, row_of_dab)
    flats, touched, row = _settle_conflicts(flats, ink, hints, row_of_dab, touched, row)
    of_area = np.full(len(flats.areas) + 1, -1, np.int64)
    of_area[touched] = row
    of_area[0] = 0
    bare = np.concatenate([[False], flats.areas["kind"] != FIGURE]) & (of_area < 0)
    of_area[bare] = 0
    _follow(flats, of_area, len(palette))
    return flats, Colouring(palette, names, of_area.astype(np.uint8), book)


def hints_in_picture(picture: U8, width_mm: float, height_mm: float) -> Hints:
    """Return the dabs in a picture (h, w, 4) uint8 RGBA that covers the whole sheet.

    With any transparency, what is opaque is a dab. Without, what has colour is: white, grey
    and black are paper and ink.

    Raises:
        InputError: there is no dab in it.
    """
    alpha = picture[..., 3]
    if alpha.min() < 128:
        mask = alpha >= 128
    else:
        rgb = picture[..., :3]
        mask = rgb.max(axis=2) - rgb.min(axis=2) >= _COLOURED
    if not mask.any():
        raise InputError("it has no dab of colour")
    colours, kind = _colour_classes(picture, mask)
    scale = np.array([width_mm / mask.shape[1], height_mm / mask.shape[0]])
    step = max(int(np.sqrt(np.count_nonzero(kind) / _MOST_POINTS)), 1)
    xy, dab, owner, pixels = _dabs(kind, step)
    return Hints(
        (xy + 0.5) * scale,
        dab.astype(np.int32),
        colours[owner - 1],
        ("",) * len(owner),
        covers_mm2=pixels * scale.prod(),
    )


def _colour_classes(picture: U8, mask: Bool) -> tuple[U8, U8]:
    """Return the dabs' colours (K, 3) and which one each pixel has, 1..K, 0 = none.

    Soft rims, where a colour blends into what lies beneath, are left out.
    """
    packed: U8 = picture[..., :3] >> np.uint8(3)
    frame = np.ones((3, 3), np.uint8)
    spread = cv2.subtract(cv2.dilate(packed, frame), cv2.erode(packed, frame))
    even = cv2.inRange(spread, np.zeros(3), np.ones(3)) != 0
    even &= cv2.erode(mask.view(np.uint8), frame) != 0
    source = even | _thin(mask, even, packed)
    code = _code(packed[source])
    count = np.bincount(code, minlength=1 << 15)
    bins = np.flatnonzero(count)
    bins = bins[np.argsort(-count[bins], kind="stable")]
    lab = to_lab(np.stack([bins >> 10, bins >> 5 & 31, bins & 31], axis=1) * 8 + 4)
    open_ = np.ones(len(bins), np.bool_)
    chosen: list[int] = []
    while open_.any():
        chosen.append(int(open_.argmax()))
        open_ &= difference(lab[chosen[-1]], lab) >= _ONE_COLOUR
        if len(chosen) > _MOST_COLOURS:
            raise InputError(
                f"more than {_MOST_COLOURS} colours; use plain colours with hard edges"
            )
    table = np.zeros(1 << 15, np.uint8)
    table[bins] = difference(lab[:, None], lab[chosen][None]).argmin(axis=1) + 1
    kinds = table[code]
    kind = np.zeros(mask.shape, np.uint8)
    kind[source] = kinds
    pixels = picture[..., :3][source]
    order = np.argsort(kinds, kind="stable")
    parts = np.split(order, np.searchsorted(kinds[order], np.arange(2, len(chosen) + 1)))
    return np.array([_commonest(pixels[part]) for part in parts], np.uint8), kind


def _code(packed: U8) -> I64:
    """Return one number for each colour (N, 3) of five bits a channel."""
    red, green, blue = packed.T.astype(np.int64)
    return np.asarray(red << 10 | green << 5 | blue)


def _thin(mask: Bool, even: Bool, packed: U8) -> Bool:
    """Return the pixels of the commonest colour of each dab too thin to be even anywhere."""
    count, pieces = cv2.connectedComponents(mask.view(np.uint8), connectivity=8)
    whole = np.bincount(pieces[even], minlength=count) > 0
    whole[0] = True
    row, column = np.nonzero(mask)
    left = ~whole[pieces[row, column]]
    row, column = row[left], column[left]
    key = pieces[row, column].astype(np.int64) << 15 | _code(packed[row, column])
    pair, inverse, hits = np.unique(key, return_inverse=True, return_counts=True)
    order = np.lexsort((-hits, pair >> 15))
    best = order[np.unique((pair >> 15)[order], return_index=True)[1]]
    kept = np.isin(inverse.ravel(), best)
    thin = np.zeros_like(mask)
    thin[row[kept], column[kept]] = True
    return thin


def _commonest(pixels: U8) -> U8:
    some = pixels[:: max(len(pixels) // 100_000, 1)]
    colours, count = np.unique(some, axis=0, return_counts=True)
    return np.asarray(colours[count.argmax()])


def _dabs(kind: U8, step: int) -> tuple[F64, I64, I64, F64]:
    """Return pixels (x, y), on a grid of ``step``, the dab of each, the dabs' kinds and sizes.

    Pixels of one kind that hang together are a dab; each keeps one pixel at least.
    """
    count, pieces = cv2.connectedComponents((kind > 0).view(np.uint8), connectivity=8)
    row, column = np.nonzero(kind)
    key = pieces[row, column].astype(np.int64) << 8 | kind[row, column]
    one_of = np.full(count << 8, -1, np.int64)
    one_of[key] = np.arange(len(key))
    present = np.flatnonzero(one_of >= 0)
    kept = (row % step == 0) & (column % step == 0)
    kept[one_of[present]] = True
    number = np.zeros(count << 8, np.int64)
    number[present] = np.arange(len(present))
    xy = np.stack([column, row], axis=1)[kept].astype(np.float64)
    size = np.bincount(number[key], minlength=len(present)).astype(np.float64)
    return xy, number[key[kept]], present & 255, size


def _palette(hints: Hints) -> tuple[U8, I64, tuple[str, ...], tuple[str, ...]]:
    """Return the palette (K, 3), paper first, each dab's row, K names and names in the book."""
    red, green, blue = hints.colours.astype(np.int64).T
    code = red << 16 | green << 8 | blue
    refers = np.array(hints.book or ("",) * len(code), np.str_)
    known, of_word = np.unique(np.char.lower(refers), return_inverse=True)
    # names of the book have numbers below all colours'
    code = np.where(refers != "", of_word.ravel() - len(known), code)
    _, first, inverse = np.unique(code, return_index=True, return_inverse=True)
    colours = hints.colours[first]
    if len(colours) > _MOST_COLOURS:
        raise InputError(f"{len(colours)} colours are too many; use at most {_MOST_COLOURS}")
    order = np.argsort(first)
    row = np.empty(len(order), np.int64)
    row[order] = np.arange(len(order)) + 1
    row_of_dab = row[inverse.ravel()]
    given: dict[int, str] = {}
    for dab_row, name in zip(row_of_dab.tolist(), hints.names, strict=True):
        if name:
            given.setdefault(dab_row, name)
    palette = np.concatenate([PAPER[None], colours[order]])
    words = [given.get(k) or colour_name(colour) for k, colour in enumerate(palette)]
    book = ("", *(str(word) for word in refers[first[order]]))
    return palette, row_of_dab, unlike(words), book


def _labels_under(flats: Flats, points: F64) -> I64:
    height, width = flats.labels.shape
    column, row = np.floor(points * flats.px_per_mm).astype(np.int64).T
    column, row = np.clip(column, 0, width - 1), np.clip(row, 0, height - 1)
    return np.asarray(flats.labels[row, column], np.int64)


def _touches(flats: Flats, hints: Hints, row_of_dab: I64) -> tuple[I64, I64]:
    """Return pairs of label and palette row that hold, every pair once, sorted."""
    count = len(flats.areas) + 1
    under = _labels_under(flats, hints.points)
    pair, hits = np.unique(hints.dab.astype(np.int64) * count + under, return_counts=True)
    dab, label = pair // count, pair % count
    total = np.bincount(dab, hits)
    most = np.zeros(len(total), np.int64)
    np.maximum.at(most, dab, hits)
    size = np.concatenate([[np.inf], np.maximum(flats.areas["size_mm2"], 1e-9)])
    covers = np.zeros(len(total)) if hints.covers_mm2 is None else hints.covers_mm2
    of_area = hits / total[dab] * covers[dab] / size[label]
    holds = (hits == most[dab]) | (hits >= _OF_DAB * total[dab]) | (of_area >= _OF_AREA)
    holds &= label > 0
    held = np.unique(label[holds] * 256 + row_of_dab[dab[holds]])
    return held // 256, held % 256


def _settle_conflicts(
    flats: Flats, ink: Ink, hints: Hints, row_of_dab: I64, touched: I64, row: I64
) -> tuple[Flats, I64, I64]:
    """Split every area that is held by several colours."""
    labels, count = np.unique(touched, return_counts=True)
    labels = labels[count > 1]
    if not len(labels):
        return flats, touched, row
    # only dabs that hold the area have a say in it
    under = _labels_under(flats, hints.points)
    of_point = row_of_dab[hints.dab]
    say = np.isin(under * 256 + of_point, touched * 256 + row) & np.isin(under, labels)
    flats, pieces, owners = split_areas(flats, ink, under[say], hints.points[say], of_point[say])
    keep = ~np.isin(touched, labels)
    return flats, np.concatenate([touched[keep], pieces]), np.concatenate([row[keep], owners])


def _follow(flats: Flats, of_area: I64, kinds: int) -> None:
    """Colour untouched areas after their surroundings, in place."""
    pairs = flats.neighbours
    one = np.concatenate([pairs["a"], pairs["b"]]).astype(np.int64)
    other = np.concatenate([pairs["b"], pairs["a"]]).astype(np.int64)
    length = np.concatenate([pairs["edge_mm"]] * 2)
    while True:
        at = np.flatnonzero((of_area[one] < 0) & (of_area[other] >= 0))
        if not len(at):
            break
        code = one[at] * kinds + of_area[other[at]]
        weight = length[at] * np.where(of_area[other[at]] == 0, _PAPER_COUNTS, 1.0)
        pair, inverse = np.unique(code, return_inverse=True)
        total = np.bincount(inverse, weight)
        order = np.lexsort((-total, pair // kinds))
        areas, first = np.unique(pair[order] // kinds, return_index=True)
        of_area[areas] = pair[order][first] % kinds
    of_area[of_area < 0] = 0
