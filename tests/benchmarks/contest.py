"""The cut on the binarisation contests' pictures, beside Otsu and Sauvola.

``python -m tests.benchmarks.contest`` prints the table. The pairs (DIBCO 2009, H-DIBCO 2010,
DIBCO 2011) lie in ``contest`` where ``INKCLEAN_DATA`` points, and are not part of the project.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import cv2
import numpy as np
from skimage import filters

from inkclean.base.arrays import U8, Bool
from inkclean.page import Page
from inkclean.settings import Settings
from inkclean.sheet.framing.frame import square_up, whole_frame
from inkclean.sheet.light import even_light
from inkclean.sheet.values import Photo
from tests.data import folder
from tests.scoring.measures import drd, overlap

# scikit-image carries no types
_threshold_otsu: Callable[..., float] = filters.threshold_otsu
_threshold_sauvola: Callable[..., U8] = filters.threshold_sauvola

FOLDER = folder("contest")


def pairs(place: Path = FOLDER) -> Iterator[tuple[str, U8, Bool]]:
    """Yield name, pixels (H, W, 3) R G B and truth (H, W), True = ink."""
    for path in sorted(place.glob("*/*_in.png")):
        truth = cv2.imread(str(path).replace("_in", "_gt"), cv2.IMREAD_GRAYSCALE)
        pixels = cv2.imread(str(path), cv2.IMREAD_COLOR)
        assert truth is not None
        assert pixels is not None
        name = f"{path.parent.name} {path.stem.removesuffix('_in')}"
        yield name, np.ascontiguousarray(pixels[..., ::-1]).astype(np.uint8), truth < 128


def ours(pixels: U8) -> Bool:
    """Ink of the whole picture, nothing dropped, at the picture's own resolution."""
    photo = Photo(pixels, None, "contest")
    frame = whole_frame(photo)
    squared = square_up(photo, frame)
    sheet = even_light(squared.pixels, squared.px_per_mm, frame, squared.inside)
    settings = Settings(drop=("none",), speck_mm=0.0)
    ink: Bool = Page(None, settings, given={"sheet": sheet, "differing": ()}).ink.coverage > 0.5
    return ink


def otsu(pixels: U8) -> Bool:
    """Global threshold (Otsu 1979), scikit-image's."""
    grey = cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY)
    return np.asarray(grey <= _threshold_otsu(grey), np.bool_)


def sauvola(pixels: U8) -> Bool:
    """Local threshold (Sauvola, Pietikäinen 2000), scikit-image's, its own settings."""
    grey = cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY)
    return np.asarray(grey < _threshold_sauvola(grey, window_size=25, k=0.2), np.bool_)


METHODS: dict[str, Callable[[U8], Bool]] = {"ours": ours, "otsu": otsu, "sauvola": sauvola}


def table() -> dict[str, dict[str, tuple[float, float]]]:
    """Return method → picture → (F in per cent, DRD)."""
    result: dict[str, dict[str, tuple[float, float]]] = {name: {} for name in METHODS}
    for name, pixels, truth in pairs():
        for method, find in METHODS.items():
            found = find(pixels)
            result[method][name] = (overlap(found, truth).f_measure, drd(found, truth))
    return result


def main() -> None:
    """Print the table."""
    scores = table()
    print(f"{'':10}" + "".join(f"{method:>16}" for method in scores))
    for name in scores["ours"]:
        print(
            f"{name:10}"
            + "".join(f"{f:9.2f}{d:7.2f}" for f, d in (s[name] for s in scores.values()))
        )
    every = {method: np.array(list(rows.values())) for method, rows in scores.items()}
    print(
        f"{'mean':10}"
        + "".join(f"{a[:, 0].mean():9.2f}{a[:, 1].mean():7.2f}" for a in every.values())
    )
    print(
        f"{'worst':10}"
        + "".join(f"{a[:, 0].min():9.2f}{a[:, 1].max():7.2f}" for a in every.values())
    )


if __name__ == "__main__":
    main()
