"""How a page is printed, as the browser asks it, and the files of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from inkclean.base.errors import UsageError
from inkclean.deliver.plates.inks import PlateInk, parse_plates
from inkclean.deliver.press.files import DPI, PressSettings
from inkclean.deliver.press.report import PressReport
from inkclean.deliver.screens.ruling import Screen, dpi_for, parse_screen
from inkclean.jobs.press_pages import GREYS, PressOrder, press_one

if TYPE_CHECKING:
    from inkclean.page import Page

# where the light comes from if nobody drew it: the upper left, degrees
_LIGHT = 315.0
_MOST_SPREAD_MM = 2.0
_RULINGS = (10.0, 300.0)


@dataclass(frozen=True)
class Printing:
    """How a page goes to print: black lines alone, or with a screen of ``greys``, or in plates.

    ``greys`` are those of ``press_pages.GREYS``, and ``shade`` for the page's first shade.
    """

    screen: Screen | None = None
    greys: tuple[str, ...] = ()
    inks: tuple[PlateInk, ...] = ()
    spread_mm: float = 0.2

    @property
    def coloured(self) -> bool:
        """Whether the page's areas and colours are needed."""
        return bool(self.inks) or "shade" in self.greys

    @property
    def order(self) -> PressOrder:
        """The same as the command ``press`` would be asked."""
        settings = PressSettings(
            screen=self.screen, plates=self.inks, spread_mm=self.spread_mm, screen_dpi=self._dpi
        )
        plain = self.screen is None and not self.inks
        dpi = None if plain else self._dpi or DPI[0]
        greys = tuple(kind for kind in self.greys if kind in GREYS)
        return PressOrder(settings, tiff_dpi=dpi, greys=greys)

    @property
    def _dpi(self) -> int | None:
        return None if self.screen is None else dpi_for(self.screen)


def printing_of(said: Any) -> Printing:
    """Return how to print from what a browser sent; None or nothing is black lines alone.

    Raises:
        UsageError: it makes no sense; says so in words for the desk.
    """
    if not said:
        return Printing()
    if not isinstance(said, Mapping):
        raise UsageError("say how the page is printed: black lines, one ink, or spot inks")
    screen = _screen(said) if said.get("lpi") is not None else None
    if said.get("ink") == "grey":
        greys = said.get("greys")
        known = (*GREYS, "shade")
        if screen is None or not isinstance(greys, list) or not greys:
            raise UsageError("choose what the dots are made of, and how many lines per inch")
        if any(kind not in known for kind in greys):
            raise UsageError("the grey must be the wash, the pencil or the shade")
        return Printing(screen, tuple(kind for kind in known if kind in greys))
    if said.get("ink") == "spots":
        return Printing(screen, (), _inks(said.get("inks")), _spread(said.get("spread_mm")))
    raise UsageError("say how the page is printed: black lines, one ink, or spot inks")


def _screen(said: Mapping[str, Any]) -> Screen:
    lpi, angle, shape = said.get("lpi"), said.get("angle", 45), said.get("shape", "dots")
    numbers = all(isinstance(v, int | float) and not isinstance(v, bool) for v in (lpi, angle))
    if not numbers or shape not in ("dots", "lines"):
        raise UsageError("the dots need a number of lines per inch, and an angle")
    if not _RULINGS[0] <= lpi <= _RULINGS[1] or not -180 <= angle <= 180:  # type: ignore[operator]
        raise UsageError(
            f"use {_RULINGS[0]:g} to {_RULINGS[1]:g} lines per inch, and an angle from -180 to 180"
        )
    return parse_screen(f"{lpi:.4f}@{angle:.4f},{shape}")


def _inks(said: Any) -> tuple[PlateInk, ...]:
    sound = isinstance(said, list) and all(
        isinstance(ink, Mapping)
        and isinstance(ink.get("name"), str)
        and isinstance(ink.get("colour"), str)
        for ink in said
    )
    if not sound or not said:
        raise UsageError("name at least one ink, and choose its colour")
    try:
        return parse_plates(",".join(f"{ink['name']}={ink['colour']}" for ink in said))
    except UsageError as error:
        raise UsageError(
            "each ink needs a name of its own, of letters and digits, and not one that printers "
            "use already, such as black; at most eight inks"
        ) from error


def _spread(said: Any) -> float:
    if said is None:
        return Printing.spread_mm
    if not isinstance(said, int | float) or not 0 <= said <= _MOST_SPREAD_MM:
        raise UsageError("colours may run on under the lines by 0 to 2 mm")
    return float(said)


def print_files(
    page: Page, printing: Printing, into: Path, name: str
) -> tuple[list[Path], PressReport]:
    """Write a page's print files and return them with what the check found.

    Raises:
        InkcleanError: a file cannot be written.
    """
    order = printing.order
    outputs = order.outputs(into, name)
    own = page.branch(keep_pencil="pencil" in printing.greys)
    light = own.asked.shade if own.asked.shade is not None else _LIGHT
    shade = light if "shade" in printing.greys else None
    report = press_one(own, replace(order, shade=shade), outputs, name, True)
    return list(outputs.values()), report
