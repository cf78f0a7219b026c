"""The first panel: a lighthouse gone dark over the night sea."""

from __future__ import annotations

import numpy as np

from inkclean.demo.drawing.artist import Artist, places, ring
from inkclean.demo.drawing.pen import Pen, ink_strokes, smooth

WIDTH = 184.0  # mm, of the panel
HEIGHT = 104.0  # mm
_HORIZON = 70.0
_MOON = (98.0, 20.0)


def draw(a: Artist) -> None:
    """Draw the panel; local units are mm on A4."""
    _sky(a)
    sea(a, _HORIZON, HEIGHT + 3, 0.0, WIDTH, gap=(98.0, 7.0))
    _boat(a)
    _far_cliffs(a)
    _rock(a)
    tower(a)
    _cottage(a)
    _foam(a)


def _sky(a: Artist) -> None:
    edge = np.array(
        [[-4, 31], [22, 26], [46, 34], [70, 25], [98, 34], [120, 28], [150, 33], [188, 24]]
    )
    rim = smooth(edge, step=2.0)
    a.shape(
        np.concatenate([[[-4, -4]], rim, [[188, -4]]]), fill="black", outline=False, curved=False
    )
    drop = np.stack([np.full(len(edge), -5.0), 16 + 3 * np.sin(0.11 * edge[:, 0])], axis=1)
    a.feather(edge, edge + drop, 300, 0.95, 0.75)
    for x, y in a.rng.uniform((2, 2), (182, 22), (64, 2)):
        a.star(x, y, a.rng.choice([0.45, 0.55, 0.7, 1.0]))
    _moon(a, *_MOON)
    for cloud in (
        places("8,47 13,42 20,44 25,39 34,40 38,44 46,43 52,48 40,50 24,50"),
        [[78, 48], [84, 42.6], [92, 44], [98, 40], [106, 42], [112, 47], [120, 49.4], [100, 51]],
        [[-6, 60], [4, 55], [12, 57], [18, 61], [6, 63]],
    ):
        low = np.array(cloud, np.float64)
        a.halo(low, 0.4)
        a.shape(low, 0.4)
        middle = low.mean(axis=0)
        a.hatch((low - middle) * (0.86, 0.5) + middle + (1.5, 1.6), 6, 0.75)
        a.line((low[1:4] - middle) * 0.78 + middle, 0.28, 0.1, 0.0)
    for k, y in enumerate(np.linspace(50, 68.8, 15)):
        x0 = a.rng.uniform(-8, 46, 5) + 38.0 * np.arange(5)
        x1 = x0 + a.rng.uniform(9, 34, 5)
        row = np.stack([x0, np.full(5, y), x1, np.full(5, y + 0.3)], axis=1)[: 5 - k % 2]
        ends = np.concatenate([a.mm(row[:, :2]), a.mm(row[:, 2:])], axis=1)
        a.board.lines(ends, Pen(0.24, start=0.1, end=0.0, taper_mm=9, wobble_mm=0.05))


def _moon(a: Artist, x: float, y: float) -> None:
    a.shape(ring(x, y, 13.6), outline=False)
    a.line(ring(x, y, 12.5), 0.35, closed=True)
    a.sketch(ring(x, y, 12.5), closed=True)
    a.sketch([[x - 16, y], [x + 16, y]], 0.35)
    a.sketch([[x, y - 16], [x, y + 16]], 0.35)
    dark = np.array([[9, 7], [11, 0], [6, -9], [7, 0], [3, 8], [-4, 11]])
    a.stipple(dark + np.array([x, y]), 110)
    for dx, dy, r in ((-4, -4, 2.6), (3, 3, 1.8), (-3, 5, 1.3)):
        a.line(ring(x + dx, y + dy, r, r * 0.8, 14, 20, 250), 0.25, 0.1, 0.1)


def sea(
    a: Artist,
    top: float,
    bottom: float,
    left: float,
    right: float,
    gap: tuple[float, float] | None = None,
    pitch: float = 0.98,
) -> None:
    """Draw waves from the horizon to the foot, broader as they come nearer.

    ``gap``: the place and half width on the horizon of a glitter path, kept lighter.
    """
    a.line([[left - 2, top], [(left + right) / 2, top + 0.1], [right + 2, top]], 0.3)
    y = top + 0.9
    while y < bottom:
        near = (y - top) / (bottom - top)
        length = 4 + 22 * near
        pace = length * 1.25
        starts = np.arange(left - length, right, pace) + a.rng.uniform(0, pace)
        starts = starts + a.rng.normal(0, 0.3 * length, len(starts))
        if gap is not None:
            middle = starts + length / 2
            glitter = np.abs(middle - gap[0]) < gap[1] * (0.6 + 2.2 * near)
            starts = starts[~glitter | (a.rng.random(len(starts)) < 0.25)]
        if len(starts):
            s = np.linspace(0, 1, 16)
            swing = a.rng.uniform(0.5, 1.3, (len(starts), 1)) * (0.25 + 2.0 * near)
            phase = a.rng.uniform(-0.5, 0.5, (len(starts), 1))
            x = starts[:, None] + length * s
            rise = -swing * np.sin(np.pi * (s + phase * s * (1 - s))) ** 2
            row = y + a.rng.normal(0, 0.25 + 0.5 * near, (len(starts), 1))
            places = np.stack([x, row + rise], axis=-1)
            mm = a.mm(places.reshape(-1, 2)).reshape(places.shape)
            pen = Pen(
                (0.22 + 0.55 * near**1.5) * a.scale**0.5,
                start=0.05,
                end=0.0,
                taper_mm=40,
                pressure=0.25,
                wobble_mm=0.04,
            )
            a.board.ink(ink_strokes(mm, pen, a.rng))
        y += pitch * (0.75 + 2.1 * near)


def _boat(a: Artist) -> None:
    a.shape([[70, 75.5], [86, 76], [82.5, 80], [73, 79.6]], fill="black", curved=False, width=0.3)
    a.line([[78, 76], [77.6, 60]], 0.4, 0.9, 0.5)
    a.shape([[77, 61], [77.4, 74.6], [69, 74]], 0.35, curved=False)
    a.shape([[78.6, 62], [86, 73.6], [78.8, 74.8]], 0.35, curved=False)
    a.hatch([[79, 66], [84.6, 73.4], [79.2, 74.4]], 62, 0.7)
    a.sketch([[66, 84], [78, 56], [90, 84]], 0.4, curved=False)
    for k in range(4):
        a.line([[70 + k, 81.5 + k], [78, 82 + k], [87 - k, 81.3 + k]], 0.3, 0.1, 0.0)


def _far_cliffs(a: Artist) -> None:
    cliff = [[188, 58], [176, 59], [170, 62.5], [163, 63.5], [158, 67], [152, 70.3], [188, 70.3]]
    a.shape(cliff, 0.35, curved=False)
    a.hatch([[188, 60], [176, 61], [170, 64.5], [160, 69], [188, 69.6]], 78, 0.62)


def _rock(a: Artist) -> None:
    top = places(
        "98,92 102,86.5 107,85.2 110,79.6 117,77.5 121,74 130,73 150,72.4 158,74 "
        "163,78 170,79.5 174,85 181,88 190,96 190,110 90,110 93,98"
    )
    a.shape(top, 0.6, curved=False)
    # light comes from the moon on the left: each ridge is dark on its right
    ridges = (
        [[107, 85.4], [108.6, 90], [106, 96], [108, 104]],
        [[117.4, 77.8], [120, 84], [117, 91], [121, 103]],
        [[134, 74.4], [137.5, 79], [135.4, 85], [138, 92]],
        [[151, 73.4], [154, 81], [151, 90], [156, 103]],
        [[169.6, 80], [171, 87], [168.6, 94], [173, 105]],
    )
    for k, ridge in enumerate(ridges):
        dark = np.array(ridge)
        far = (
            dark
            + np.array([[4.2, 0.8], [6.2, 0.6], [6.8, 1.0], [9.5, 3.0]])
            * (0.7, 1.0, 0.5, 1.05, 0.6)[k]
        )
        edge = dark + (far - dark) * np.array([[0.5], [0.62], [0.42], [0.6]])
        a.shape(np.concatenate([dark, edge[::-1]]), fill="black", curved=False, outline=False)
        a.feather(edge, far + np.array([2.2, 1.4]), 24, 0.85, 0.5)
        a.line(dark, 0.6, 0.9, 0.2)
        lit = dark[:3]
        left = np.concatenate([lit + np.array([-1.2, 1.6]), lit[::-1] + np.array([-5.0, 3.0])])
        a.hatch(left, 66, 0.8)
        a.sketch(dark, 0.45, curved=False)
        a.sketch(far, 0.45, curved=False)
    for x, y in ((126, 76.6), (146, 76), (163.4, 84), (115, 82.5), (180, 93)):
        a.line(
            [[x - 1.6, y + 0.3], [x, y - 0.4], [x + 1.9, y + 0.2], [x + 2.6, y + 1.8]],
            0.35,
            0.2,
            0.1,
        )
    a.stipple([[104, 97], [112, 90], [117, 96], [112, 101]], 40)
    a.stipple([[142, 95], [146, 86], [151, 92], [149, 98]], 40)
    a.stipple([[163, 98], [166, 88], [169, 93], [168, 100]], 40)
    for path, broad in (
        ([[112, 103.6], [124, 99.6], [136, 101.4], [150, 97.4], [158, 98.5]], 3.4),
        ([[150, 104.4], [162, 100.6], [174, 102.4], [187, 98.6]], 3.6),
    ):
        a.dry_brush(path, broad, 18, 0.45)


def tower(a: Artist) -> None:
    """Draw the lighthouse with its lamp out."""
    foot, neck = 74.0, 30.0

    def side(y: float) -> tuple[float, float]:
        t = (y - neck) / (foot - neck)
        half = 6.6 + 4.8 * t**1.25
        return 140.5 - half, 140.5 + half

    ys = np.linspace(neck, foot, 12)
    body = [[side(y)[0], y] for y in ys] + [[side(y)[1], y] for y in ys[::-1]]
    a.halo(body, 0.6, curved=False)
    a.line([[side(y)[0], y] for y in ys], 0.5, 0.8, 0.8)
    a.line([[side(y)[1], y] for y in ys], 0.85, 0.8, 0.8)
    for top, low in ((36.5, 44.0), (51.5, 59.0), (66.5, 73.4)):
        bow_top = _bow(side(top), top, 1.3)
        bow_low = _bow(side(low), low, 1.6)
        a.shape(np.concatenate([bow_top, bow_low[::-1]]), fill="black", curved=False, outline=False)
        a.white([[side(top + 1)[0] + 2.2, top + 2.4], [side(low)[0] + 2.2, low + 0.4]], 0.7, 1, 0.6)
    for y in np.arange(31.0, 73.5, 0.78):
        left, right = side(y)
        a.line(
            _bow((left + (right - left) * (0.60 + 0.05 * a.rng.random()), right), y + 1.0, 0.35),
            0.24,
            0.05,
            0.9,
            wobble_mm=0.03,
        )
    for x, y in ((137.2, 48.0), (138.4, 63.2), (136.0, 70.5)):
        a.shape(
            [[x, y + 3.2], [x, y], [x + 1.2, y - 1.2], [x + 2.4, y], [x + 2.4, y + 3.2]],
            0.3,
            fill="white",
            curved=False,
        )
        a.hatch([[x, y + 3], [x, y], [x + 2.2, y], [x + 2.2, y + 3]], 90, 0.5)
    gallery(a, 140.5, neck, 10.5, lit=False)
    for x in (129.1, 151.9, 140.5):
        a.sketch([[140.5 + (x - 140.5) * 0.15, 4], [x, 78]], 0.45, curved=False)
    for y in (30.0, 52.0, 74.0):
        a.sketch(ring(140.5, y, side(y)[1] - 140.5, 1.8), 0.4, closed=True)


def gallery(a: Artist, cx: float, y: float, half: float, *, lit: bool) -> None:
    """Draw the lamp room: gallery, panes, dome and vane."""
    u = half / 10.5
    left = np.array([[10.5, 2], [10.5, 7], [5.4, 7], [6.6, 13], [5.6, 16], [2.6, 18.6], [0, 19.4]])
    outline = np.concatenate(
        [left * (-u, -u), (left * (u, -u))[::-1], [[8.1 * u, 1.6 * u], [-8.1 * u, 1.6 * u]]]
    )
    a.halo(outline + np.array([cx, y]), 0.55, curved=False)
    a.shape(
        [
            [cx - half, y - 2.2 * u],
            [cx + half, y - 2.2 * u],
            [cx + half - 2.4 * u, y + 1.6 * u],
            [cx - half + 2.4 * u, y + 1.6 * u],
        ],
        0.5,
        fill="black",
        curved=False,
    )
    room = [
        [cx - 5.4 * u, y - 13 * u],
        [cx + 5.4 * u, y - 13 * u],
        [cx + 5.4 * u, y - 2.2 * u],
        [cx - 5.4 * u, y - 2.2 * u],
    ]
    a.shape(room, 0.5, fill="white" if lit else "black", curved=False)
    for k in (-3.2, 0.0, 3.2):
        (a.line if lit else a.white)(
            [[cx + k * u, y - 12.8 * u], [cx + k * u, y - 2.4 * u]], 0.4, 1, 1
        )
    for k in range(-4, 5):
        x = cx + k * half / 4.4
        a.line([[x, y - 2.2 * u], [x, y - 6.0 * u]], 0.32, 0.9, 0.9)
    for rise in (4.2, 6.0):
        a.line(
            [[cx - half, y - rise * u], [cx, y - (rise - 0.25) * u], [cx + half, y - rise * u]],
            0.4,
            0.9,
            0.9,
        )
    dome = [
        [cx - 6.6 * u, y - 13 * u],
        [cx - 5.6 * u, y - 16 * u],
        [cx - 2.6 * u, y - 18.6 * u],
        [cx, y - 19.4 * u],
        [cx + 2.6 * u, y - 18.6 * u],
        [cx + 5.6 * u, y - 16 * u],
        [cx + 6.6 * u, y - 13 * u],
    ]
    a.shape([*dome, [cx, y - 12.6 * u]], 0.5, curved=True)
    a.hatch(
        [
            [cx + 0.5 * u, y - 19 * u],
            [cx + 5.2 * u, y - 15.6 * u],
            [cx + 6.2 * u, y - 13 * u],
            [cx + 1.5 * u, y - 12.8 * u],
        ],
        62,
        0.6,
    )
    a.edged([[cx, y - 19.4 * u], [cx, y - 24 * u]], 0.45)
    a.shape(ring(cx, y - 20.4 * u, 1.1 * u), 0.35)
    a.edged([[cx - 3 * u, y - 22.4 * u], [cx + 3.4 * u, y - 22.8 * u]], 0.35)


def _bow(
    ends: tuple[float, float], y: float, sag: float
) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    t = np.linspace(0, 1, 7)
    x = ends[0] + (ends[1] - ends[0]) * t
    return np.stack([x, y + sag * 4 * t * (1 - t)], axis=1)


def _cottage(a: Artist) -> None:
    a.shape([[156, 77], [156, 68], [168, 68.6], [168, 79.6]], 0.45, curved=False)
    a.shape(
        [[154.6, 68.4], [158, 62.4], [166.6, 62.8], [169.6, 69.2]], 0.5, fill="black", curved=False
    )
    for k in range(5):
        a.white([[157 + 2.2 * k, 63.6], [156.4 + 2.5 * k, 68]], 0.22)
    a.shape([[164, 63], [164, 58.4], [166.4, 58.6], [166.4, 63]], 0.4, curved=False)
    a.shape([[158, 76.6], [158, 71.6], [160.8, 71.8], [160.8, 77]], 0.35, curved=False)
    a.shape([[163, 71.8], [166, 72], [166, 75], [163, 74.8]], 0.35, curved=False)
    a.line([[164.5, 71.9], [164.5, 74.9]], 0.25, 1, 1)
    a.line([[163, 73.4], [166, 73.6]], 0.25, 1, 1)
    a.hatch([[156.4, 76.6], [156.4, 69], [162, 69], [157.6, 76.6]], 60, 0.6)
    smoke = np.array([[165, 57], [163, 54], [166, 50.5], [163.4, 47], [166, 43]])
    a.line(smoke, 0.45, 0.7, 0.0)
    a.line(smoke[:-1] + np.array([1.5, 0.4]), 0.35, 0.4, 0.0)


def _foam(a: Artist) -> None:
    crest = places(
        "84,100 88,95.5 93,97 97,93.5 102,96 106,94.6 110,99 116,99.5 121,103 126,108 84,109"
    )
    a.shape(crest, 0.5)
    for x, y in ((91, 99), (98, 97.5), (104, 98.8), (111, 102.4)):
        a.line(ring(x, y, 2.6, 1.9, 10, 180, 330), 0.3, 0.1, 0.1)
    a.hatch([[86, 103], [100, 100.5], [116, 104.5], [110, 106], [92, 106]], 8, 0.7)
    for x, y in a.rng.normal((96, 90), (7, 2.2), (26, 2)):
        a.dot(x, y, a.rng.uniform(0.32, 0.8))
