"""Ruling and angle of a screen, measured in the frequency domain."""

from __future__ import annotations

import numpy as np

from inkclean.base.arrays import Bool

# frequencies at which the window itself still shows, in periods over the whole picture
_LOWEST = 6


def measured_screen(picture: Bool, dpi: float) -> tuple[float, float]:
    """Return lines per inch and angle of the strongest frequency of a square picture of a screen.

    The angle is that of the wave's direction, degrees anticlockwise from horizontal, −90 to 90. The
    peak's place is found to a fraction by the centroid of its energy under a Hann window.
    """
    size = len(picture)
    window = np.hanning(size)
    level = picture.astype(np.float64) - picture.mean()
    power = np.abs(np.fft.rfft2(level * window[:, None] * window)) ** 2
    down = np.fft.fftfreq(size, 1 / size)
    across = np.fft.rfftfreq(size, 1 / size)
    power[np.hypot(down[:, None], across) < _LOWEST] = 0
    row, column = divmod(int(power.argmax()), power.shape[1])
    rows = np.arange(row - 2, row + 3) % size
    columns = np.arange(max(column - 2, 0), column + 3)
    part = power[np.ix_(rows, columns)]
    # the centre of a wave along a border of the half plane lies on it
    near = across[columns]
    fx = float((part.sum(0) * near).sum() / part.sum()) if column > 2 else 0.0
    turned = (down[rows] - down[row] + size / 2) % size - size / 2
    fy = float(down[row] + (part.sum(1) * turned).sum() / part.sum())
    angle = np.degrees(np.arctan2(-fy, fx))
    return float(np.hypot(fx, fy) * dpi / size), float((angle + 90) % 180 - 90)
