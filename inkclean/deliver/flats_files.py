"""The flats as pictures: palette PNG and label map."""

from __future__ import annotations

from pathlib import Path

from inkclean.deliver.files import placed
from inkclean.deliver.pictures.png import label_png, palette_png
from inkclean.flats.colour.colours import Colouring
from inkclean.flats.values import Flats


def write_flats_png(
    flats: Flats, colouring: Colouring, path: Path, *, replace: bool = False
) -> None:
    """Write the flat colours as a palette PNG: hard edges, one index a colour, 0 the paper.

    Raises:
        OutputError: ``path`` is taken, or cannot be written.
    """
    index = colouring.of_area[flats.labels]
    with placed(path, replace) as draft:
        draft.write_bytes(palette_png(index, colouring.palette, flats.px_per_mm))


def write_areas_png(flats: Flats, path: Path, *, replace: bool = False) -> None:
    """Write the label map as 16-bit grey PNG: the area's number, 0 = ink outside any area.

    Raises:
        OutputError: ``path`` is taken, or cannot be written.
    """
    with placed(path, replace) as draft:
        draft.write_bytes(label_png(flats.labels, flats.px_per_mm))
