"""A page of two closed boxes, and the command flats run on it."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
from click.testing import CliRunner, Result
from PIL import Image

from inkclean.cli.flats import flats

WHOLE = ("--frame", "whole", "--drop", "none", "--paper", "100x80mm")


def two_boxes(folder: Path) -> Path:
    """Return a drawing of two closed boxes on 100 × 80 mm, 12 px/mm."""
    page = np.full((960, 1200), 250, np.uint8)
    cv2.rectangle(page, (150, 200), (500, 700), 15, 8)
    cv2.rectangle(page, (700, 200), (1050, 700), 15, 8)
    path = folder / "boxes.png"
    Image.fromarray(page).save(path, dpi=(304.8, 304.8))
    return path


def run(*words: object) -> Result:
    """Run the command flats in this process."""
    return CliRunner().invoke(flats, [*map(str, words)], standalone_mode=False)
