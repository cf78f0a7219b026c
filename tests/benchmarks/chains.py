"""The obvious chains of library calls that a page's cost is held against, each a process.

``python -m tests.benchmarks.chains opencv|skimage PICTURE OUT``: decode, blur, local
threshold, components, border following, encode; no framing, no light, no pencil, no curves.
"""

from __future__ import annotations

import sys
from pathlib import Path


def opencv(picture: Path, out: Path) -> int:
    """Do it by OpenCV; return the number of outlines."""
    import cv2
    import numpy as np

    page = cv2.imread(str(picture), cv2.IMREAD_GRAYSCALE)
    if page is None:
        raise SystemExit(f"{picture} cannot be read")
    page = cv2.GaussianBlur(page, (0, 0), 1.0)
    ink = cv2.adaptiveThreshold(
        page, 255, cv2.ADAPTIVE_THRESH_MEAN_C, cv2.THRESH_BINARY_INV, 51, 12
    )
    _, labels, stats, _ = cv2.connectedComponentsWithStats(ink)
    keep = stats[:, cv2.CC_STAT_AREA] >= 12
    keep[0] = False
    ink = keep.astype(np.uint8)[labels]
    outlines, _ = cv2.findContours(ink, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_SIMPLE)
    cv2.imwrite(str(out), 255 - 255 * ink)
    return len(outlines)


def skimage(picture: Path, out: Path) -> int:
    """Do it by scikit-image; return the number of outlines."""
    import numpy as np
    from skimage import filters, io, measure, morphology

    page = io.imread(picture, as_gray=True)
    ink = page < filters.threshold_sauvola(page, window_size=51, k=0.2)
    try:
        ink = morphology.remove_small_objects(ink, max_size=11)
    except TypeError:  # as it was called before 0.26
        ink = morphology.remove_small_objects(ink, min_size=12)
    outlines = [
        measure.approximate_polygon(outline, 0.5)
        for outline in measure.find_contours(ink.astype(np.float32), 0.5)
    ]
    io.imsave(out, np.where(ink, 0, 255).astype(np.uint8), check_contrast=False)
    return len(outlines)


if __name__ == "__main__":
    chain = {"opencv": opencv, "skimage": skimage}[sys.argv[1]]
    print(chain(Path(sys.argv[2]), Path(sys.argv[3])))
