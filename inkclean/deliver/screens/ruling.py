"""Which screen is asked for, and what it can show at a resolution.

Ruling, angle and tone value are meant as ISO 12647-1 defines them; one colour is screened at 45°
(ISO 12647-2), and tones from 3 to 97 % are expected to print there (both from memory).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

from inkclean.base.errors import UsageError

Shape = Literal["dots", "lines"]

# px from one line of the screen to the next: sixteen give 257 steps of grey (16² + 1)
PX_FOR_ALL_STEPS = 16.0
# fewer px than these give no more than 16 steps: bands are seen in every soft tone
FEWEST_PX = 4.0
ONE_COLOUR_ANGLE = 45.0
SCREEN_DPI = (1200, 2400)
_LPI = (10.0, 300.0)
_ASKED = re.compile(r"^\s*([0-9.]+)\s*(?:lpi)?\s*(?:@\s*(-?[0-9.]+)\s*°?)?\s*(?:,\s*(\w+)\s*)?$")


@dataclass(frozen=True)
class Screen:
    """A screen as asked for.

    ``lpi`` is its ruling in lines per inch; ``angle`` that of its rows of dots, or of its lines,
    in degrees anticlockwise from horizontal; ``least`` and ``gain`` are shares, 0..1: the
    smallest dot that prints, and by how much a tone of a half grows on the press.
    """

    lpi: float
    angle: float = ONE_COLOUR_ANGLE
    shape: Shape = "dots"
    least: float = 0.03
    gain: float = 0.0

    def steps(self, dpi: float) -> int:
        """Return how many greys it shows: one more than a cell of the screen has pixels."""
        return int((dpi / self.lpi) ** 2 + 1e-6) + 1

    def text(self) -> str:
        """Return the screen in words."""
        return f"{self.lpi:g} lines per inch at {self.angle:g}°, {self.shape}"


def parse_screen(text: str, *, least: float = 0.03, gain: float = 0.0) -> Screen:
    """Return the screen that ``LPI[@ANGLE][,dots|lines]`` asks for.

    Raises:
        UsageError: it is not understood, or no press prints it.
    """
    match = _ASKED.match(text.lower())
    try:
        lpi, angle = (float(match[1]), float(match[2] or ONE_COLOUR_ANGLE)) if match else (0.0, 0.0)
    except ValueError:
        match = None
    if match is None or match[3] not in (None, "dots", "lines"):
        raise UsageError(
            f"--screen '{text}' is not understood; write lines per inch, and if you like the angle "
            "and dots or lines, such as 60, 60@45 or 60@45,lines"
        )
    if not _LPI[0] <= lpi <= _LPI[1] or not -180.0 <= angle <= 180.0:
        raise UsageError(
            f"--screen must have {_LPI[0]:g} to {_LPI[1]:g} lines per inch, and an angle between "
            "-180 and 180 degrees"
        )
    if not 0.0 <= least <= 0.2:
        raise UsageError("--least-dot must be between 0% and 20%")
    if not 0.0 <= gain <= 0.4:
        raise UsageError("--gain must be between 0% and 40%")
    return Screen(lpi, angle, "lines" if match[3] == "lines" else "dots", least, gain)


def dpi_for(screen: Screen) -> int:
    """Return the lowest resolution that shows all steps of grey, or the highest there is."""
    enough = [dpi for dpi in SCREEN_DPI if dpi / screen.lpi >= PX_FOR_ALL_STEPS - 1e-6]
    return enough[0] if enough else SCREEN_DPI[-1]


def check_ruling(screen: Screen, dpi: int) -> None:
    """Refuse a ruling that the resolution cannot draw.

    Raises:
        UsageError: a cell of the screen has too few pixels for any soft tone.
    """
    if dpi not in SCREEN_DPI:
        raise UsageError(f"a screen is made at {' or '.join(map(str, SCREEN_DPI))} dpi, not {dpi}")
    if dpi / screen.lpi < FEWEST_PX:
        raise UsageError(
            f"--screen {screen.lpi:g} leaves {screen.steps(dpi)} steps of grey at {dpi} dpi, too "
            f"few; use at most {dpi / PX_FOR_ALL_STEPS:g} lines per inch for all 256"
        )
