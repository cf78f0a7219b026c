"""Several photos of one page, parts or whole views, become one picture of it."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

import numpy as np

from inkclean.base.errors import InputError
from inkclean.base.tiles import side_by_side
from inkclean.sheet.together.choosing import QUARTER, choose, replaced
from inkclean.sheet.together.gains import gains_of
from inkclean.sheet.together.matching import Match, features, match
from inkclean.sheet.together.page import find_page
from inkclean.sheet.together.placing import canvas_of, connected, fit, lay, on_page
from inkclean.sheet.together.render import render
from inkclean.sheet.together.seams import cut
from inkclean.sheet.together.seen import look
from inkclean.sheet.together.values import Joined
from inkclean.sheet.together.warping import ROUNDS, by_ink, by_matches
from inkclean.sheet.values import Photo

MOST = 24  # photos of a page
# megapixels of the pictures whose ink is laid over each other
COMPARED_MP = 3.2
CELLS = 200  # along the canvas's longer side, of which each shows one photo


def join(photos: Sequence[Photo]) -> Joined:
    """Return the picture that photos of one page make together.

    They may be parts or whole views, in any order and turned any way; each must share ink with
    another. It has the name of the first.

    Raises:
        InputError: the photos show different pages, or share too little.
    """
    if len(photos) > MOST:
        raise InputError(f"{len(photos)} photos of one page are too many; give {MOST} at most")
    return _laid(photos, None)


def renew(old: Photo, new: Photo) -> Joined:
    """Return a page photographed again: what ``new`` shows, lying as ``old`` does.

    The canvas is the old photo's, finer if the new one is; the old one is shown only where the new
    one does not reach.

    Raises:
        InputError: they show different pages, or share too little.
    """
    return _laid((old, new), 0)


def _laid(photos: Sequence[Photo], keep: int | None) -> Joined:
    """Join photos; ``keep`` is the one whose canvas is kept and that the others replace, if any."""
    largest = max(photo.pixels.shape[0] * photo.pixels.shape[1] for photo in photos)
    scale = min(1.0, (COMPARED_MP * 1e6 / largest) ** 0.5)
    seen = side_by_side(lambda photo: look(photo, scale), photos)
    found = side_by_side(features, seen)

    def matched(pair: tuple[int, int]) -> Match | None:
        a, b = pair
        return match(pair, (seen[a], seen[b]), (found[a], found[b]))

    pairs = list(combinations(range(len(photos)), 2))
    matches = [each for each in side_by_side(matched, pairs) if each is not None]
    connected(seen, matches)
    plane = lay(seen, matches, keep)
    canvas, placed = canvas_of(plane, seen, found, own=keep is not None)
    matches = on_page(matches, canvas, placed, find_page(photos, canvas, placed))
    plane = fit(plane, matches)
    canvas, placed = canvas_of(plane, seen, found, own=keep is not None)
    outline = find_page(photos, canvas, placed)
    placed = by_matches(canvas, placed, plane.first, matches)
    high, wide = canvas.size
    small = min(1.0, (COMPARED_MP * 1e6 / (high * wide)) ** 0.5)
    for part, blur in ROUNDS:
        placed = by_ink(canvas, placed, plane.first, seen, small * part, blur, outline)
    cell = max(8, round(max(canvas.size) / CELLS / 4) * 4)
    choice = choose(canvas, placed, seen, cell, plane.first, outline)
    if keep is not None:
        choice = replaced(choice, keep)
    labels = cut(choice.cost, choice.ink, cell * QUARTER)
    gains = gains_of(choice.paper, np.isfinite(choice.cost))
    pixels = render(photos, canvas, placed, labels, gains, cell)
    first = photos[plane.first]
    finer = 1.0 / float(canvas.plane[0, 0])
    ppi = None if first.ppi is None else first.ppi * finer
    photo = Photo(pixels, ppi, photos[0].name, choice.differing)
    return Joined(photo, canvas, placed, labels, cell)
