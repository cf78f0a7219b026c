"""Pages in inks of many darknesses: ``python -m tests.benchmarks.pale [INK…]``.

The demo page on A5, scanned at 300 dpi, in one ink each: F, the share of its hatching and of its
dots that come out, and how many pieces and holes there are at a weight of −1, 0 and 1.
"""

from __future__ import annotations

import sys
from dataclasses import replace

import cv2

from inkclean.base.arrays import F32
from inkclean.base.units import PAPERS
from inkclean.demo.camera import shot as camera
from inkclean.demo.drawing.page import draw
from inkclean.page import Page
from inkclean.settings import Settings
from inkclean.sheet.values import Photo
from tests.scoring.score import score_cleaned

# linear reflectance
INKS = {
    "black": (0.036, 0.036, 0.038),
    "sepia": (0.19, 0.09, 0.05),
    "blue": (0.035, 0.085, 0.34),
    "red": (0.50, 0.04, 0.05),
    "grey 0.35": (0.35, 0.35, 0.35),
    "sepia, thinned": (0.44, 0.30, 0.22),
    "blue, thinned": (0.30, 0.35, 0.60),
    "red, thinned": (0.75, 0.35, 0.35),
    "grey 0.55": (0.55, 0.55, 0.55),
    "brown 0.55": (0.55, 0.50, 0.42),
    "grey 0.7": (0.70, 0.70, 0.70),
    "brown 0.7": (0.70, 0.66, 0.60),
    "brown 0.8": (0.80, 0.78, 0.75),
}


def pieces_and_holes(coverage: F32) -> tuple[int, int]:
    """Return how many pieces of ink there are, and how many of paper beside the first."""
    ink = (coverage >= 0.5).view("uint8")
    return cv2.connectedComponents(ink)[0] - 1, cv2.connectedComponents(1 - ink)[0] - 2


def main(names: list[str]) -> None:
    """Print a line an ink."""
    drawn = draw(PAPERS["A5"], 31, "none", "black")
    for name in names or INKS:
        page = replace(drawn, ink_rgb=INKS[name])
        shot = camera.scan(page, 300)
        cleaned = Page(Photo(shot.pixels, None, name), Settings(paper="A5"))
        cleaned.bring("capture", "curves")
        score = score_cleaned(page, shot, cleaned)
        told = []
        for weight in (-1.0, 0.0, 1.0):
            cleaned.change(weight=weight)
            told.append("{}, {}".format(*pieces_and_holes(cleaned.ink.coverage)))
        print(
            f"{name:15} F {score['f']:.2f}  hatching {score['lines']:.1f}  dots {score['dots']:.1f}"
            f"  pieces, holes: {'; '.join(told)}  ({cleaned.ink.note})",
            flush=True,
        )


if __name__ == "__main__":
    main(sys.argv[1:])
