"""Numbers that the browser needs as Python has them: they go to it with a page's state."""

from __future__ import annotations

from typing import Any

from inkclean.desk.edits import DUST_SIZES_MM, LONGEST_NAME
from inkclean.desk.pictures import TILE_PX
from inkclean.flats.colour import shade
from inkclean.ink import weight


def shared_numbers() -> dict[str, Any]:
    """Return the numbers by their names; units are in the names, shares have none.

    ``shade`` and ``light`` are the brightness at which a layer begins and is full, and the most
    of it, of 255.
    """
    return {
        "tile_px": TILE_PX,
        "name_letters": LONGEST_NAME,
        "dust_sizes_mm": list(DUST_SIZES_MM),
        "weight": {
            "most_mm": weight.WEIGHT_MM,
            "held_mm": weight.THINNEST_MM / 2,
            "held_px": weight.NARROWEST_PX / 2,
        },
        "lamp": {
            "elevation_rad": float(shade.ELEVATION),
            "shade": [shade.SHADE_FROM, shade.SHADE_FULL, shade.SHADE_MOST],
            "light": [shade.LIGHT_FROM, shade.LIGHT_FULL, shade.LIGHT_MOST],
        },
    }
