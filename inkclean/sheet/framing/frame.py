"""Where the paper lies in the photo, and how large it is."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from inkclean.base.arrays import F64
from inkclean.base.errors import UsageError
from inkclean.base.units import Paper
from inkclean.sheet.framing.agree import STRIP
from inkclean.sheet.framing.bowed import sides_through
from inkclean.sheet.framing.edges import ends_drawing, is_ruled, own_ink, refine
from inkclean.sheet.framing.outline import LEAST_SCORE, find_outline, made_small
from inkclean.sheet.framing.papers import framed_size, whole_size
from inkclean.sheet.framing.parts import PART_TRUST, hidden_side, part_size, shown_part
from inkclean.sheet.framing.seen import see
from inkclean.sheet.framing.sides import Side, draw, straight
from inkclean.sheet.framing.squaring import UNIT, Squared, square_up, to_photo
from inkclean.sheet.values import Frame, Photo

__all__ = ["Squared", "find_frame", "given_frame", "square_up", "to_photo", "whole_frame"]

# A frame given by hand must cover this share of the photo to be meant.
SMALLEST_SHARE = 0.005
CRISP = 0.7  # weight of how crisp the sides are close up, beside the score from afar
CRISP_SIDE = 0.4  # least crispness of a side
CRISP_ALONE = 0.9  # crispness of sides that are believed since what is drawn ends on them
HIDDEN_SIDE = "a side of the page lies outside the picture; its size is a guess"
# Paper of the page's tone around it, from which on the page may be a part of it.
BESIDE = 0.12
BESIDE_CRISP = 0.8  # crispness of the weakest side from which it is not
BESIDE_TRUST = 0.5  # most trust in such a page
PAPER_BESIDE = "more paper of the same kind lies beside the page, so the outline may be wrong"
# An outline that leads all others by less than this may be another's: of sheets on other sheets
# that were found wrongly nearly all do, of those that were found rightly hardly any.
CLEAR_LEAD = 0.09
OTHER_OUTLINE = "another outline fits nearly as well; check that this one follows the paper's edge"
NO_PROOF = 1.55  # score and crispness together at which there is no trust
LEAST_PROOF = 1.85  # of a page: pictures all of one page reach 1.69, real pages have 1.89
ALL_SEEN = 0.12  # less of both is asked of a page whose four sides are all seen
FULL_PROOF = 2.3  # of a page in clear sight


def whole_frame(photo: Photo, paper: Paper | None = None) -> Frame:
    """Return the whole picture as the page.

    Its scale comes from the stated resolution, from ``paper``, or from the standard size whose
    shape it has; failing these its longer side counts as that of A4, with little confidence.
    """
    height, width = photo.pixels.shape[:2]
    size = whole_size((width, height), photo.ppi, paper)
    corners = UNIT * (width, height)
    return Frame(
        corners, None, size.width_mm, size.height_mm, size.name, "whole", size.trust, size.doubt
    )


def given_frame(
    photo: Photo, corners_px: F64, paper: Paper | None = None, between: Sequence[F64] = ()
) -> Frame:
    """Return the page between four corners given by hand.

    ``corners_px`` is (4, 2): top left, top right, bottom right, bottom left in continuous
    photo px; they may lie outside the photo. ``between`` holds, for each corner, the (N, 2)
    points that a bowed edge passes on its way to the next; without it the edges are straight.

    Raises:
        UsageError: the corners enclose no page, or not in this order, or an edge turns back.
    """
    corners = np.asarray(corners_px, np.float64)
    height, width = photo.pixels.shape[:2]
    turns = _turns(corners) if corners.shape == (4, 2) else np.zeros(4)
    if not np.isfinite(corners).all() or (turns <= 0).any():
        raise UsageError(
            "the corners do not go around a page; give them in this order: top left, top right, "
            "bottom right, bottom left"
        )
    if (turns[0] + turns[2]) / 2.0 < SMALLEST_SHARE * width * height:
        raise UsageError("the corners enclose almost nothing; give them in photo pixels")
    size = framed_size(corners, (width, height), paper)
    edges = sides_through(corners, between)
    return Frame(corners, edges, size.width_mm, size.height_mm, size.name, "given", 1.0, size.doubt)


def find_frame(photo: Photo, paper: Paper | None = None) -> Frame:
    """Return where the paper lies in the photo; the whole picture where no outline shows.

    The outline is found in a small picture, its edges measured in the photo, its size taken
    from its shape, or from ``paper``; what lies outside the picture is cut off. Corners run
    from the page's top left as it lies in the photo: nothing is turned.
    """
    small, bare, scale = made_small(photo.pixels)
    outline = find_outline(bare, scale, see(small))
    if outline is None:
        return whole_frame(photo, paper)
    sides = refine(photo.pixels, bare, outline)
    seen = outline.seen.copy()
    vouched = False
    for k in np.flatnonzero(seen):
        border = _border(photo, sides[k])
        near = _near(photo, sides[k], border)
        # of a strip along the picture's border the network's word is not enough
        vouched |= outline.vouched and not near
        if sides[k].crisp < CRISP_SIDE and (near or not outline.vouched):
            sides[k], seen[k] = border, False
    proof = outline.score + CRISP * float(np.mean([s.crisp for s in sides if s.crisp > 0] or [0]))
    ink = own_ink(photo.pixels, bare, scale)
    ruled = [is_ruled(photo.pixels, sides[k], scale, ink) for k in np.flatnonzero(seen)]
    # with a side that is none, and the page's own paper around it, it is a panel on the page
    panel = outline.beside > BESIDE and not seen.all()
    less = ALL_SEEN if seen.all() else 0.0
    sure = outline.score >= LEAST_SCORE - less and proof >= LEAST_PROOF - less
    if not sure and seen.any():
        sure = all(_ends(photo, sides[k], scale) for k in np.flatnonzero(seen))
    # the network may take a frame drawn around a picture for a sheet: not where sides are lines
    lines = 2 * sum(ruled) >= max(len(ruled), 1)
    if lines or ((panel or not sure) and not vouched):
        return whole_frame(photo, paper)
    edges = draw(sides)
    height, width = photo.pixels.shape[:2]
    known = paper
    if seen.sum() == 3:
        completed = hidden_side(edges.corners, seen, (width, height), paper)
        if completed is not None:
            corners, known = completed
            hidden = int(np.flatnonzero(~seen)[0])
            sides[hidden] = straight(corners[hidden], corners[(hidden + 1) % 4])
            edges = draw(sides)
    first = int(np.argmin(edges.corners.sum(axis=1)))
    corners = np.roll(edges.corners, -first, axis=0)
    seen = np.roll(seen, -first)
    if seen.all() or (seen.sum() == 3 and known is not None):
        size = framed_size(corners, (width, height), known)
    else:
        size = part_size(corners, seen, paper)
    trust = size.trust if known is paper else PART_TRUST
    trust *= float(np.clip((proof - NO_PROOF) / (FULL_PROOF - NO_PROOF), 0.0, 1.0))
    doubt = size.doubt if known is paper else HIDDEN_SIDE
    if outline.beside > BESIDE and min(side.crisp for side in sides) < BESIDE_CRISP:
        trust, doubt = min(trust, BESIDE_TRUST), PAPER_BESIDE
    elif (outline.lead < CLEAR_LEAD or outline.doubted) and trust > BESIDE_TRUST:
        trust, doubt = BESIDE_TRUST, OTHER_OUTLINE
    drawn = [edges.sides[(k + first) % 4] for k in range(4)]
    frame = Frame(
        corners_px=corners,
        edges_px=(drawn[0], drawn[1], drawn[2], drawn[3]) if edges.bowed else None,
        width_mm=size.width_mm,
        height_mm=size.height_mm,
        paper=size.name,
        framed="found",
        confidence=trust,
        doubt=doubt,
        doubt_of="outline" if doubt in (PAPER_BESIDE, OTHER_OUTLINE) else "size",
    )
    return shown_part(frame, (width, height))


def _ends(photo: Photo, side: Side, scale: float) -> bool:
    """Return whether a side is crisp, and whatever is drawn up to it ends there."""
    return side.crisp >= CRISP_ALONE and ends_drawing(photo.pixels, side, scale)


def _border(photo: Photo, side: Side) -> Side:
    """Return the border of the picture that a side faces."""
    height, width = photo.pixels.shape[:2]
    corners = UNIT * (width, height)
    along = np.array([[1.0, 0.0], [0.0, 1.0], [-1.0, 0.0], [0.0, -1.0]])
    k = int(np.argmax(along @ side.along))
    return straight(corners[k], corners[(k + 1) % 4])


def _near(photo: Photo, side: Side, border: Side) -> bool:
    """Return whether but a strip lies between a side and the picture's border."""
    ends = side.at(np.array([0.0, side.length]))
    away = np.abs((ends - border.start) @ border.normal)
    return bool(away.max() < STRIP * max(photo.pixels.shape))


def _turns(corners: F64) -> F64:
    """Return twice the area of the triangle at each corner: all positive if convex, clockwise."""
    before = corners - np.roll(corners, 1, axis=0)
    after = np.roll(corners, -1, axis=0) - corners
    turns: F64 = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
    return turns
