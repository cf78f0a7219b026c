"""Everything the flats of one page leave on the disk."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, TypeAlias

from inkclean.base.errors import UsageError
from inkclean.curves.values import Curves
from inkclean.deliver.files import check_free
from inkclean.deliver.flats_files import write_areas_png, write_flats_png
from inkclean.deliver.layers.folder import write_layers
from inkclean.deliver.layers.openraster import write_openraster
from inkclean.deliver.layers.stack import layered
from inkclean.deliver.pictures.flats_proof import write_flats_proof
from inkclean.deliver.resolution import at_dpi
from inkclean.flats.colour.colours import Colouring
from inkclean.flats.colour.shade import Shading
from inkclean.flats.lettering.values import Lettering
from inkclean.flats.values import Flats
from inkclean.ink.values import Ink

LayersAs: TypeAlias = Literal["ora", "png"]
ENDINGS = {
    "flats": ".flats.png",
    "areas": ".areas.png",
    "flats_svg": ".flats.svg",
    "flats_proof": ".flats-proof.png",
    "ora": ".ora",
    "layers": ".layers",
}
# The kinds that hold shade and light.
LAYERS = frozenset(("ora", "layers"))


@dataclass(frozen=True)
class FlatsSettings:
    """What the artist asked for in the flats; the defaults are right for most pages.

    ``gap_mm`` the widest opening in a line that may be bridged; ``smallest_mm`` the diameter
    of the smallest area that stays by itself; ``colours`` a file of hints; ``palette`` a
    file of the book's colours; ``layers`` one OpenRaster file or a folder of PNG; ``shade``
    the direction the light comes from, in degrees clockwise from the top of the sheet, None for
    empty shade and light layers;
    ``colour_dpi`` the resolution of the colour files, a whole part of the ink's, None for 300
    or the next above it that is one.
    """

    gap_mm: float = 5.0
    smallest_mm: float = 2.0
    colours: Path | None = None
    palette: Path | None = None
    layers: LayersAs = "ora"
    shade: float | None = None
    colour_dpi: int | None = None

    def outputs(self, folder: Path, name: str) -> dict[str, Path]:
        """Return the paths of all results of a page, by kind."""
        kinds = [kind for kind in ENDINGS if kind not in ("ora", "layers")]
        kinds.append("ora" if self.layers == "ora" else "layers")
        return {kind: folder / (name + ENDINGS[kind]) for kind in kinds}


def check_flats_settings(settings: FlatsSettings) -> None:
    """Refuse values that make no sense, before any work is done.

    Raises:
        UsageError: says which option, and what it may be.
    """
    if not 0.0 <= settings.gap_mm <= 50.0:
        raise UsageError("--gap must be between 0 and 50 mm")
    if not 0.0 <= settings.smallest_mm <= 50.0:
        raise UsageError("--smallest must be between 0 and 50 mm")
    if settings.shade is not None and not -360.0 <= settings.shade <= 360.0:
        raise UsageError(
            "--shade must be a direction in degrees: 0 light from above, 90 from the right"
        )


def result_hash(path: Path) -> str:
    """Return the SHA-256 of a result in hex, of a folder by its files; empty if it is not there."""
    if not path.exists():
        return ""
    files = sorted(path.iterdir()) if path.is_dir() else [path]
    each = [f"{file.name} {hashlib.sha256(file.read_bytes()).hexdigest()}" for file in files]
    return hashlib.sha256("\n".join(each).encode("utf-8", "surrogateescape")).hexdigest()


def write_flats(
    name: str,
    flats: Flats,
    colouring: Colouring,
    ink: Ink,
    curves: Curves,
    shading: Shading | None,
    outputs: Mapping[str, Path],
    *,
    dpi: float | None = None,
    lettering: Lettering | None = None,
    replace: bool = False,
) -> None:
    """Write the results of the page ``name`` that ``outputs`` asks for, kinds as in ``ENDINGS``.

    ``shading`` fills the shade and light layers; without it they stay empty. Flat colours, label
    map and layers come at ``dpi``, or at the ink's own scale; ``lettering`` gets layers of its own.

    Raises:
        OutputError: a result is there already, or cannot be written.
    """
    for path in outputs.values():
        check_free(path, replace)
    sized, lines = flats, ink
    if dpi is not None and outputs.keys() & {"flats", "areas", *LAYERS}:
        sized, lines, shading = at_dpi(flats, ink, shading, dpi)
    if "flats" in outputs:
        write_flats_png(sized, colouring, outputs["flats"], replace=replace)
    if "areas" in outputs:
        write_areas_png(sized, outputs["areas"], replace=replace)
    if "flats_svg" in outputs:
        from inkclean.deliver.vector.flats_svg import write_flats_svg

        write_flats_svg(flats, colouring, curves, outputs["flats_svg"], replace=replace)
    if "flats_proof" in outputs:
        proof = outputs["flats_proof"]
        write_flats_proof(name, flats, colouring, ink, proof, replace=replace)
    if LAYERS & outputs.keys():
        stack = layered(sized, colouring, lines, shading, lettering)
        if "ora" in outputs:
            write_openraster(stack, outputs["ora"], replace=replace)
        if "layers" in outputs:
            write_layers(stack, outputs["layers"], replace=replace)
