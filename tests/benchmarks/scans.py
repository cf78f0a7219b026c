"""Real drawings: how many shapes a scan gives, and the ink of its photo beside the scan's own.

``python -m tests.benchmarks.scans [FOLDER]`` prints the table and leaves pictures of every page
in FOLDER. The scans (``ink_scans`` where ``INKCLEAN_DATA`` points, CC0) have no truth: each is
cleaned, then its grey values are laid on a sheet as its ink, the demo camera photographs that,
and the ink found in the photo is compared with the ink found in the scan.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

from inkclean.base.arrays import F32, Bool
from inkclean.base.colour import to_linear
from inkclean.base.units import Paper
from inkclean.demo.camera.conditions import Conditions
from inkclean.demo.camera.shot import photograph
from inkclean.demo.drawing.page import DrawnPage as Page
from inkclean.ink.values import Ink
from inkclean.page import Page as Chain
from inkclean.sheet.framing.frame import whole_frame
from inkclean.sheet.framing.squaring import square_up
from inkclean.sheet.light import even_light
from inkclean.sheet.read import read_photos
from inkclean.sheet.values import Frame, Photo, Sheet
from tests.data import folder
from tests.scoring.measures import overlap
from tests.scoring.score import align_sheet, true_frame

FOLDER = folder("ink_scans")
FIRM, SKETCHY = ("scan01", "scan02"), ("scan04", "scan06")
FINE = 600 / 25.4


def sheet_of(photo: Photo, frame: Frame) -> Sheet:
    """Return the photo squared up by ``frame`` and evenly lit."""
    squared = square_up(photo, frame)
    return even_light(squared.pixels, squared.px_per_mm, frame, squared.inside)


def scanned(name: str) -> tuple[Photo, Sheet, Ink]:
    """Return a scan, its sheet and its ink."""
    photo = next(read_photos(FOLDER / f"{name}.jpg"))
    photo = replace(photo, ppi=photo.ppi or 300.0)
    sheet = sheet_of(photo, whole_frame(photo))
    return photo, sheet, Chain(None, given={"sheet": sheet, "differing": ()}).ink


def page_of(photo: Photo, coverage: F32) -> tuple[Page, Page]:
    """Return pages whose ink is the scan's grey values, and the ink found in it."""
    light = to_linear(photo.pixels).min(axis=2)
    paper = float(np.percentile(light, 80))
    black = float(np.percentile(light, 0.5))
    grey = np.clip((paper * 0.93 - light) / (paper * 0.93 - black), 0, 1)
    scale = 300 / 25.4
    height, width = grey.shape
    size = round(width / scale * FINE), round(height / scale * FINE)

    def large(plane: F32) -> F32:
        fine = cv2.resize(plane, size, interpolation=cv2.INTER_CUBIC)
        return np.clip(fine, 0, 1).astype(np.float32)

    none = np.zeros((0, 4), np.float32)
    page = Page(
        ink=large(grey.astype(np.float32)),
        pencil=np.zeros((height // 4, width // 4), np.float32),
        paper=Paper("scan", width / scale, height / scale),
        px_per_mm=FINE,
        pencil_px_per_mm=scale / 4,
        pencil_rgb=(1.0, 1.0, 1.0),
        ink_rgb=(0.03, 0.03, 0.03),
        hatching=none,
        hatching_width=np.zeros(0, np.float32),
        dots=none[:, :3],
        blacks=(),
    )
    return page, replace(page, ink=large(coverage))


def photographed(photo: Photo, coverage: F32) -> tuple[float, Bool, Bool]:
    """Return F of the photo's ink against the scan's, and both."""
    page, truth = page_of(photo, coverage)
    shot = photograph(page, Conditions(desk="dark"))
    frame = true_frame(page, shot)
    sheet = sheet_of(Photo(shot.pixels, None, "photo"), frame)
    found = Chain(None, given={"sheet": sheet, "differing": ()}).ink.coverage
    size = (found.shape[0], found.shape[1])
    true = align_sheet(truth, shot, frame, size, sheet.px_per_mm, sheet.px_per_mm, size).ink
    return overlap(found > 0.5, true > 0.5).f_measure, found > 0.5, true > 0.5


def shapes(coverage: F32) -> int:
    """Return how many separate pieces of ink there are."""
    return cv2.connectedComponents((coverage > 0.5).view(np.uint8), connectivity=8)[0] - 1


def main(out: Path | None) -> None:
    """Print shapes, pieces removed and seconds of every scan, and F of some of their photos."""
    for path in sorted(FOLDER.glob("*.jpg")):
        name = path.stem
        began = time.perf_counter()
        photo, _, ink = scanned(name)
        took = time.perf_counter() - began
        line = f"{name} shapes {shapes(ink.coverage):6} removed {len(ink.removed):5} {took:5.1f} s"
        if name in FIRM + SKETCHY:
            f, found, _ = photographed(photo, ink.coverage)
            line += f"  photo against scan F {f:5.1f}"
            if out:
                cv2.imwrite(str(out / f"{name}.photo.png"), 255 - found * np.uint8(255))
        print(line, flush=True)
        if out:
            cv2.imwrite(str(out / f"{name}.ink.png"), 255 - (ink.coverage > 0.5) * np.uint8(255))


if __name__ == "__main__":
    pictures = Path(sys.argv[1]) if len(sys.argv) > 1 else None
    if pictures:
        pictures.mkdir(parents=True, exist_ok=True)
    main(pictures)
