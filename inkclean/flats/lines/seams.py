"""Where two areas meet: how likely a seam runs at every place of the sheet, drawn or not.

A small network looks at the ink around: outlines are seams and hatching is none, and where an
outline breaks off the seam goes on across the gap. It has the shape of Ronneberger, Fischer,
Brox, "U-Net: convolutional networks for biomedical image segmentation", MICCAI 2015, and was
fitted on pages drawn by the tests' page maker (``tests/fitting``), whose areas are known.
"""

from __future__ import annotations

import cv2
import numpy as np

from inkclean.base.arrays import F32
from inkclean.base.network import folded, network, run, unfolded
from inkclean.base.tiles import tiles

NET = "seams.onnx"
PX_PER_MM = 8.0  # of the ink it was fitted on
FOLD = 4  # so many px a side are channels of one cell
FINE = 2  # and so many places a side the odds of a cell are told for
LEVELS = 8  # the coarsest level is so much coarser than the finest
TILE_PX = 1280
HALO_PX = 96  # what lies further from a tile is not seen
MOST_ODDS = 8.0
BARE = 0.02  # a tile without coverage above this has no ink


def seam_odds(coverage: F32, px_per_mm: float) -> F32:
    """Return the log-odds (H, W) that a seam between two areas runs at each pixel.

    ``coverage`` (H, W) is the share of ink, 0 to 1. Paper far from ink gets the least odds.
    """
    height, width = coverage.shape
    factor = PX_PER_MM / px_per_mm
    if abs(factor - 1) < 1e-3:
        return _odds(coverage)
    size = max(1, round(width * factor)), max(1, round(height * factor))
    shape = cv2.INTER_AREA if factor < 1 else cv2.INTER_LINEAR
    odds = _odds(np.asarray(cv2.resize(coverage, size, interpolation=shape), np.float32))
    return np.asarray(cv2.resize(odds, (width, height), interpolation=cv2.INTER_LINEAR), np.float32)


def _odds(coverage: F32) -> F32:
    net = network("inkclean.flats.lines", NET)
    odds = np.full(coverage.shape, -MOST_ODDS, np.float32)
    for tile in tiles(coverage.shape, TILE_PX, HALO_PX):
        if coverage[tile.own].max(initial=0.0) > BARE:
            odds[tile.own] = _seen(net, coverage[tile.around])[tile.inner]
    return odds


def _seen(net: cv2.dnn.Net, coverage: F32) -> F32:
    """Return the network's odds for a piece, brought back to its size."""
    told = run(net, folded(coverage, FOLD, LEVELS))
    odds = np.clip(unfolded(told), -MOST_ODDS, MOST_ODDS)
    size = odds.shape[1] * FOLD // FINE, odds.shape[0] * FOLD // FINE
    fine = cv2.resize(odds, size, interpolation=cv2.INTER_LINEAR)
    return np.asarray(fine[: coverage.shape[0], : coverage.shape[1]], np.float32)
