"""The page as a printer cuts it: trim, bleed, safe area, and the art's place on it.

Page coordinates are mm from the trim's top left corner, x right, y down; bleed lies at
negative coordinates and beyond the trim's far edges.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

from inkclean.base.errors import UsageError
from inkclean.base.units import MM_PER_INCH, PAPERS, Paper, parse_length_mm, parse_paper
from inkclean.curves.values import Curves
from inkclean.deliver.pictures.raster import Region

Side = Literal["recto", "verso"]
Fit = Literal["trim", "bleed", "safe"]

# PDF 1.4, annex C: a page's side lies between 3 and 14 400 units of 1/72 in
MOST_MM = 14_400 / 72 * MM_PER_INCH


def _inches(name: str, width: float, height: float) -> Paper:
    return Paper(name, width * MM_PER_INCH, height * MM_PER_INCH)


# common among printers of comics, who differ by a few hundredths (common practice, no source)
TRIMS: dict[str, Paper] = {
    paper.name: paper
    for paper in (
        _inches("comic", 6.625, 10.25),
        _inches("comic-short", 6.625, 10.187),
        _inches("digest", 6.0, 9.0),
    )
}


@dataclass(frozen=True)
class Margins:
    """Four distances in mm at the edges of a page: bleed, or safe area."""

    top: float
    outer: float
    bottom: float
    inner: float

    def left_right(self, side: Side) -> tuple[float, float]:
        """Return left and right; a recto (right-hand page) is bound at its left."""
        return (self.inner, self.outer) if side == "recto" else (self.outer, self.inner)


@dataclass(frozen=True)
class TrimmedPage:
    """Trim size in mm, bleed beyond it, safe area within it, and the side of the spread."""

    width_mm: float
    height_mm: float
    bleed: Margins
    safe: Margins
    side: Side = "recto"

    @property
    def trim(self) -> Region:
        """The trimmed page, its top left at (0, 0)."""
        return Region(0.0, 0.0, self.width_mm, self.height_mm)

    @property
    def bled(self) -> Region:
        """The page with its bleed."""
        left, right = self.bleed.left_right(self.side)
        return Region(
            -left,
            -self.bleed.top,
            self.width_mm + left + right,
            self.height_mm + self.bleed.top + self.bleed.bottom,
        )

    def with_room(self, room_mm: float) -> Region:
        """Return the bled page with room for marks at every edge."""
        bled = self.bled
        return Region(
            bled.x_mm - room_mm,
            bled.y_mm - room_mm,
            bled.width_mm + 2 * room_mm,
            bled.height_mm + 2 * room_mm,
        )

    @property
    def safe_area(self) -> Region:
        """The safe area, where nothing is lost when the trim wanders."""
        left, right = self.safe.left_right(self.side)
        return Region(
            left,
            self.safe.top,
            self.width_mm - left - right,
            self.height_mm - self.safe.top - self.safe.bottom,
        )


@dataclass(frozen=True)
class Placement:
    """How the sheet lies on the page: scaled, its top left then at (x_mm, y_mm)."""

    scale: float
    x_mm: float
    y_mm: float


def parse_trim(text: str) -> Paper:
    """Return a trim size by name (``comic``, ``US comic``, ``A4``) or as ``6.625x10.25in``.

    Raises:
        UsageError: neither a name nor a size.
    """
    named = TRIMS.get("-".join(text.lower().split()).removeprefix("us-"))
    if named is not None:
        return named
    try:
        paper = parse_paper(text)
    except UsageError:
        paper = None
    if paper is None:
        known = ", ".join([*TRIMS, *PAPERS])
        raise UsageError(f"'{text}' is not a trim size; write {known} or a size like 6.625x10.25in")
    return paper


def parse_edges(text: str, what: str = "bleed") -> Margins:
    """Return distances at the edges from one length, or four: top, outer, bottom, inner.

    Raises:
        UsageError: not one or four lengths.
    """
    parts = [part for part in re.split(r"[,;\s]+", text.strip()) if part]
    if len(parts) not in (1, 4):
        raise UsageError(
            f"{what} '{text}' is not understood; write one length, or four as "
            "top,outer,bottom,inner, such as 3mm or 3mm,3mm,3mm,0"
        )
    lengths = [parse_length_mm(part) for part in parts]
    return Margins(*(lengths * 4 if len(lengths) == 1 else lengths))


def make_page(
    trim: Paper, bleed: Margins, safe: Margins, side: Side = "recto", spare_mm: float = 0.0
) -> TrimmedPage:
    """Return the page, checked.

    ``spare_mm`` is what marks take at each edge.

    Raises:
        UsageError: nothing is left of the safe area, or the page is larger than PDF allows.
    """
    page = TrimmedPage(trim.width_mm, trim.height_mm, bleed, safe, side)
    if min(page.safe_area.width_mm, page.safe_area.height_mm) <= 0:
        raise UsageError("nothing of the page is left inside the safe area; make --safe smaller")
    if max(page.bled.width_mm, page.bled.height_mm) + 2 * spare_mm > MOST_MM:
        raise UsageError(f"the page is larger than a PDF page may be ({MOST_MM:.0f} mm a side)")
    return page


def by_scale(curves: Curves, page: TrimmedPage, scale: float) -> Placement:
    """Return the sheet scaled and centred on the trimmed page."""
    return Placement(
        scale,
        (page.width_mm - curves.width_mm * scale) / 2,
        (page.height_mm - curves.height_mm * scale) / 2,
    )


def fitted(curves: Curves, page: TrimmedPage, fit: Fit) -> Placement:
    """Return the sheet as large as it fits, centred in what it is fitted to.

    ``trim``: the whole sheet within the trimmed page. ``bleed``: the sheet fills the page and
    its bleed; what juts out on the longer side is cut. ``safe``: the ink, not the sheet, as
    large as the safe area takes.
    """
    if fit == "safe" and len(curves.cubics):
        low, high = curves.cubics.min((0, 1)), curves.cubics.max((0, 1))
    else:
        low, high = (0.0, 0.0), (curves.width_mm, curves.height_mm)
    goal = {"trim": page.trim, "bleed": page.bled, "safe": page.safe_area}[fit]
    width, height = max(high[0] - low[0], 1e-6), max(high[1] - low[1], 1e-6)
    ratios = goal.width_mm / width, goal.height_mm / height
    scale = float(max(ratios) if fit == "bleed" else min(ratios))
    return Placement(
        scale,
        float(goal.x_mm + goal.width_mm / 2 - scale * (low[0] + high[0]) / 2),
        float(goal.y_mm + goal.height_mm / 2 - scale * (low[1] + high[1]) / 2),
    )
