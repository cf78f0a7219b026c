"""How smooth a small picture is, place by place: paper is, cloth, stone and print are not.

Where a table is as light as the paper on it, its texture still tells them apart (texture beside
colour as a cue for boundaries: Martin, Fowlkes, Malik, IEEE TPAMI 26(5), 2004,
doi:10.1109/TPAMI.2004.1273918). Texture is what is left of the picture when its own blur is taken
off; the logarithm makes a faint weave as plain a difference from paper as coarse chips.
"""

from __future__ import annotations

import cv2
import numpy as np

from inkclean.base.arrays import U8

FINE_PX = 5  # finer than this is texture
WINDOW_PX = 7  # over which it is averaged
MOST = 12.0  # codes that a stroke or a chip counts as at most
LEAST = 0.6  # codes of noise that count as none
# Codes by which smoothness falls where texture doubles.
PER_OCTAVE = 36.0
# Strokes, and the rim around all that is not texture, are narrower than half of this, in px.
MEDIAN_PX = 31


def smoothness(picture: U8) -> U8:
    """Return (h, w) uint8: 255 where the picture (h, w, 3) is smooth, less where it has texture.

    Narrow bands of texture, such as strokes on paper or a single sharp edge, count as smooth.
    """
    fine = cv2.absdiff(picture, cv2.blur(picture, (FINE_PX, FINE_PX)))
    red, green, blue = cv2.split(np.minimum(fine, np.uint8(MOST)))
    most = np.asarray(cv2.max(cv2.max(red, green), blue), np.float32)
    mean = np.asarray(cv2.blur(most, (WINDOW_PX, WINDOW_PX)), np.float32)
    octaves = np.log2(np.maximum(mean, LEAST) / LEAST)
    smooth = np.clip(255.0 - PER_OCTAVE * octaves, 0, 255).astype(np.uint8)
    half = (max(1, picture.shape[1] // 2), max(1, picture.shape[0] // 2))
    less = cv2.resize(smooth, half, interpolation=cv2.INTER_AREA)
    less = cv2.medianBlur(less, MEDIAN_PX // 2 | 1)
    return np.asarray(cv2.resize(less, (picture.shape[1], picture.shape[0])), np.uint8)
