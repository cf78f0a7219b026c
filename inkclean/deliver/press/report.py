"""What is reported of a page made for the press, or of a poster."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from inkclean.deliver.press.check import Finding


@dataclass(frozen=True)
class PressReport:
    """A press file: the page's size and bleed in mm, the scale of the art, what the check found.

    ``screen`` is the screen as it was made, ``plates`` the inks and what each colour became; None
    without one.
    """

    width_mm: float
    height_mm: float
    bleed: dict[str, float]
    scale: float
    verdict: str
    check: tuple[Finding, ...]
    notes: tuple[str, ...]
    screen: dict[str, Any] | None = None
    plates: dict[str, Any] | None = None

    def json(self) -> dict[str, Any]:
        """Return the report as plain values."""
        return {
            "trim": {"width_mm": self.width_mm, "height_mm": self.height_mm},
            "bleed": self.bleed,
            "scale": self.scale,
            "verdict": self.verdict,
            "check": [
                {"what": f.name, "verdict": f.verdict, "measured": f.measured, "cure": f.cure}
                for f in self.check
            ],
            "notes": list(self.notes),
            **({} if self.screen is None else {"screen": self.screen}),
            **({} if self.plates is None else {"plates": self.plates}),
        }


@dataclass(frozen=True)
class PosterReport:
    """A poster over sheets: its size, how many sheets, the overlap across and down in mm.

    ``colour_ppi`` is the resolution of the colour under the lines, None without any;
    ``sharp_from_m`` how far one must stand away to see no pixels of it.
    """

    width_mm: float
    height_mm: float
    sheets: int
    columns: int
    rows: int
    overlap_mm: tuple[float, ...]
    scale: float
    colour_ppi: float | None
    sharp_from_m: float | None

    def json(self) -> dict[str, Any]:
        """Return the report as plain values."""
        body = asdict(self)
        poster = {"width_mm": body.pop("width_mm"), "height_mm": body.pop("height_mm")}
        return {"poster": poster, **body}
