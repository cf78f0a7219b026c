"""Numbers, cut and joining marks of a tiled poster's sheets, and the key sheet."""

from __future__ import annotations

from io import BytesIO
from typing import TYPE_CHECKING

from inkclean.base.units import MM_PER_PT
from inkclean.deliver.pictures.raster import Region
from inkclean.deliver.press.tile_plan import BAND_MM, Plan, PosterTile

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

_FONT = "Helvetica"
_BOLD = "Helvetica-Bold"
_SMALL_PT = 7.0  # type on the marks
_TEXT_PT = 9.5  # type on the key sheet
_TITLE_PT = 18.0  # type of its title
_HAIR_PT = 0.4  # lines
_CLEAR_MM = 0.6  # between a cut mark and the window it belongs to
_KEY_MARGIN_MM = 15.0  # around the key sheet
_KEY_HEAD_MM = 38.0  # above its layout
_KEY_TEXT_MM = 72.0  # below the layout, for the text
_KEY_ASIDE_MM = 136.0  # beside the layout, for the text on a sheet that lies
_RULE_MM = 100.0  # length of the ruler to measure a print by


class MarkPen:
    """Draws on a reportlab canvas in mm, y down."""

    def __init__(self, canvas: Canvas, height_mm: float) -> None:
        """Take a canvas whose page is ``height_mm`` high."""
        self.canvas, self.height_mm = canvas, height_mm
        canvas.setLineWidth(_HAIR_PT)

    def _at(self, x: float, y: float) -> tuple[float, float]:
        return x / MM_PER_PT, (self.height_mm - y) / MM_PER_PT

    def line(self, x0: float, y0: float, x1: float, y1: float) -> None:
        """Draw a line."""
        self.canvas.line(*self._at(x0, y0), *self._at(x1, y1))

    def triangle(self, *corners: tuple[float, float]) -> None:
        """Fill a triangle."""
        path = self.canvas.beginPath()
        path.moveTo(*self._at(*corners[0]))
        for corner in corners[1:]:
            path.lineTo(*self._at(*corner))
        path.close()
        self.canvas.drawPath(path, stroke=0, fill=1)

    def frame(self, region: Region, *, fill: bool = False) -> None:
        """Draw a rectangle's outline, or fill it with white first."""
        x, y = self._at(region.x_mm, region.y_mm + region.height_mm)
        size = region.width_mm / MM_PER_PT, region.height_mm / MM_PER_PT
        if fill:
            self.canvas.setFillGray(1)
        self.canvas.rect(x, y, *size, stroke=1, fill=int(fill))
        self.canvas.setFillGray(0)

    def text(
        self,
        x: float,
        y: float,
        words: str,
        size: float = _TEXT_PT,
        *,
        bold: bool = False,
        middle: bool = False,
        upright: bool = True,
    ) -> None:
        """Write a line with its base at y; turned to read upwards if not ``upright``."""
        known = words.encode("cp1252", "replace").decode("cp1252")
        self.canvas.saveState()
        self.canvas.setFont(_BOLD if bold else _FONT, size)
        self.canvas.translate(*self._at(x, y))
        if not upright:
            self.canvas.rotate(90)
        (self.canvas.drawCentredString if middle else self.canvas.drawString)(0, 0, known)
        self.canvas.restoreState()


def key_layout(plan: Plan) -> tuple[float, float, float]:
    """Return scale and place, in mm on the key sheet, of the poster's small picture."""
    sheet, poster = plan.sheet, plan.poster
    left = _KEY_ASIDE_MM if _lies(plan) else 0.0
    room_x = sheet.width_mm - 2 * _KEY_MARGIN_MM - left
    room_y = sheet.height_mm - _KEY_HEAD_MM - (_KEY_MARGIN_MM if _lies(plan) else _KEY_TEXT_MM)
    scale = min(room_x / poster.width_mm, room_y / poster.height_mm)
    return scale, (sheet.width_mm + left - poster.width_mm * scale) / 2, _KEY_HEAD_MM


def _lies(plan: Plan) -> bool:
    """Whether the sheet is wide enough for text beside the layout."""
    return plan.sheet.width_mm > max(plan.sheet.height_mm, 1.9 * _KEY_ASIDE_MM)


def furniture(plan: Plan, title: str) -> bytes:
    """Return a PDF of the key sheet and every sheet, with all but the art."""
    from reportlab.pdfgen.canvas import Canvas

    out = BytesIO()
    size = plan.sheet.width_mm / MM_PER_PT, plan.sheet.height_mm / MM_PER_PT
    canvas = Canvas(out, pagesize=size, pageCompression=0, invariant=1)
    _key_sheet(MarkPen(canvas, plan.sheet.height_mm), plan, title)
    canvas.showPage()
    for tile in plan.tiles:
        _marks(MarkPen(canvas, plan.sheet.height_mm), plan, tile, title)
        canvas.showPage()
    canvas.save()
    return out.getvalue()


def _marks(pen: MarkPen, plan: Plan, tile: PosterTile, title: str) -> None:
    left = top = plan.inset_mm
    right, bottom = left + plan.window_mm[0], top + plan.window_mm[1]
    last_column, last_row = tile.column == plan.columns, tile.row == plan.rows
    for x in (left, right) if last_column else (left,):
        pen.line(x, top - BAND_MM, x, top - _CLEAR_MM)
        pen.line(x, bottom + _CLEAR_MM, x, bottom + BAND_MM)
    for y in (top, bottom) if last_row else (top,):
        pen.line(left - BAND_MM, y, left - _CLEAR_MM, y)
        pen.line(right + _CLEAR_MM, y, right + BAND_MM, y)
    half, tip, back = BAND_MM / 3, _CLEAR_MM, BAND_MM * 0.8
    if not last_column:
        x = left + plan.step_mm[0]
        pen.triangle((x, top - tip), (x - half, top - back), (x + half, top - back))
        pen.triangle((x, bottom + tip), (x - half, bottom + back), (x + half, bottom + back))
        words = f"lay sheet {tile.number + 1} over this edge"
        pen.text(
            right + BAND_MM * 0.7, (top + bottom) / 2, words, _SMALL_PT, middle=True, upright=False
        )
    if not last_row:
        y = top + plan.step_mm[1]
        pen.triangle((left - tip, y), (left - back, y - half), (left - back, y + half))
        pen.triangle((right + tip, y), (right + back, y - half), (right + back, y + half))
        words = f"lay sheet {tile.number + plan.columns} over this edge"
        pen.text((left + right) / 2, bottom + BAND_MM * 0.8, words, _SMALL_PT, middle=True)
    place = f"row {tile.row}, column {tile.column}"
    words = f"sheet {tile.number} of {len(plan.tiles)}  ·  {place}"
    pen.text(left + 2 * BAND_MM, top - BAND_MM * 0.3, f"{words}  ·  {title[:40]}", _SMALL_PT)


def _key_sheet(pen: MarkPen, plan: Plan, title: str) -> None:
    margin, count = _KEY_MARGIN_MM, len(plan.tiles)
    wide = pen.canvas.stringWidth(title, _BOLD, _TITLE_PT) * MM_PER_PT
    shrunk = min(1.0, (plan.sheet.width_mm - 2 * margin) / max(wide, 1.0))
    pen.text(margin, 20, title, _TITLE_PT * shrunk, bold=True)
    across, down = plan.poster.width_mm, plan.poster.height_mm
    sheets = f"{count} sheets of {plan.sheet.name}, {plan.columns} across and {plan.rows} down"
    pen.text(margin, 27, f"Poster {across:.0f} × {down:.0f} mm on {sheets}", 11)
    scale, x, y = key_layout(plan)
    for tile in plan.tiles:
        seen = tile.seen
        box = Region(
            x + seen.x_mm * scale,
            y + seen.y_mm * scale,
            seen.width_mm * scale,
            seen.height_mm * scale,
        )
        pen.canvas.setDash([2, 2])
        pen.frame(box)
        pen.canvas.setDash()
        _number(pen, box, tile.number)
    pen.frame(Region(x, y, across * scale, down * scale))
    _how_to(pen, plan, margin, y + (4 if _lies(plan) else down * scale + 8))


def _number(pen: MarkPen, box: Region, number: int) -> None:
    size = max(min(box.height_mm, box.width_mm) * 0.24, 2.0)
    middle_x, middle_y = box.x_mm + box.width_mm / 2, box.y_mm + box.height_mm / 2
    wide = size * (0.45 + 0.35 * len(str(number)))
    pen.frame(Region(middle_x - wide / 2, middle_y - size * 0.65, wide, size * 1.3), fill=True)
    pen.text(middle_x, middle_y + size * 0.36, str(number), size / MM_PER_PT, middle=True)


def _how_to(pen: MarkPen, plan: Plan, x: float, y: float) -> None:
    ways = zip(plan.overlap_mm, ("across", "down"), (plan.columns, plan.rows), strict=True)
    shared = " and ".join(f"{mm:.1f} mm {way}" for mm, way, count in ways if count > 1)
    lines = [
        "Print at actual size (100 %), not fitted to the page. Measure the ruler below first.",
        "Cut each sheet along its left and upper edge, from one cut mark to the other.",
        "At the poster's right and lower edge cut along the marks there too.",
        "Begin at the top left. Lay each sheet over its neighbours, its cut edge between the",
        "tips of the triangles, and glue it to the strip underneath.",
    ]
    if shared:
        lines.append(f"Sheets overlap by {shared}.")
    for number, words in enumerate(lines):
        pen.text(x, y + 5 * number, words)
    y += 5 * len(lines) + 1
    pen.line(x + 2, y - 2, x + 2, y + 2)
    pen.text(x + 6, y + 1.2, "cut here")
    pen.triangle((x + 32, y + 2), (x + 32 - 1.4, y - 1.2), (x + 32 + 1.4, y - 1.2))
    pen.text(x + 36, y + 1.2, "the next sheet's cut edge comes here")
    y += 12
    pen.line(x, y, x + _RULE_MM, y)
    for step in range(11):
        tick = x + step * _RULE_MM / 10
        pen.line(tick, y, tick, y - (3 if step % 5 == 0 else 1.8))
    pen.text(x + _RULE_MM + 3, y, f"{_RULE_MM:.0f} mm")
