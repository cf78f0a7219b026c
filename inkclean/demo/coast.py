"""The first panel: a lighthouse gone dark over the night sea."""

from __future__ import annotations

import numpy as np

from inkclean.demo.artist import Artist, ring
from inkclean.demo.pen import Pen, ink_strokes

WIDTH, HEIGHT = 184.0, 104.0
_HORIZON = 70.0


def draw(a: Artist) -> None:
    """Draw the panel; local units are mm on A4."""
    _sky(a)
    sea(a, _HORIZON, HEIGHT + 3, 0.0, WIDTH, gap=(44.0, 7.0))
    _boat(a)
    _far_cliffs(a)
    _rock(a)
    tower(a)
    _cottage(a)
    _foam(a)


def _sky(a: Artist) -> None:
    edge = [[-4, 30], [22, 25], [46, 33], [70, 24], [98, 30], [120, 22], [150, 27], [188, 19]]
    a.shape([[-4, -4], *edge, [188, -4]], fill="black", curved=False, outline=False)
    lower = [[x, y + 15 + 4 * np.sin(0.11 * x)] for x, y in edge]
    a.feather(edge, lower, 190, 1.15, 0.55)
    for x, y in a.rng.uniform((2, 2), (182, 22), (46, 2)):
        a.star(x, y, a.rng.choice([0.45, 0.55, 0.7, 1.0]))
    moon = ring(44, 24, 12.5)
    a.shape(ring(44, 24, 13.6), outline=False)
    a.line(moon, 0.35, closed=True)
    a.sketch(ring(44, 24, 12.5), closed=True)
    a.sketch([[28, 24], [60, 24]], 0.35)
    a.sketch([[44, 8], [44, 40]], 0.35)
    a.stipple([[53, 31], [55, 24], [50, 15], [52, 24], [48, 33], [40, 35]], 60)
    for cx, cy, r in ((40, 20, 2.6), (47, 27, 1.8), (41, 29, 1.3)):
        a.line(ring(cx, cy, r, r * 0.8, 14, 20, 250), 0.25, 0.1, 0.1)
    for cloud in (
        [
            [8, 45],
            [13, 40],
            [20, 42],
            [25, 37],
            [34, 38],
            [38, 42],
            [46, 41],
            [52, 46],
            [40, 48],
            [24, 48],
        ],
        [[82, 52], [88, 47], [96, 48], [102, 43], [110, 45], [116, 50], [124, 52], [104, 54]],
        [[-6, 60], [4, 55], [12, 57], [18, 61], [6, 63]],
    ):
        a.shape(cloud, 0.4)
        low = np.array(cloud)
        middle = low.mean(axis=0)
        a.hatch((low - middle) * (0.86, 0.5) + middle + (1.5, 1.6), 6, 0.75)
    for k, y in enumerate(np.linspace(52, 68.6, 12)):
        x0 = a.rng.uniform(0, 60, 4) + 40.0 * np.arange(4)
        x1 = x0 + a.rng.uniform(9, 32, 4)
        row = np.stack([x0, np.full(4, y), x1, np.full(4, y + 0.3)], axis=1)
        if k % 2 == 0:
            row = row[:3]
        ends = np.concatenate([a.mm(row[:, :2]), a.mm(row[:, 2:])], axis=1)
        a.board.lines(ends, Pen(0.24, start=0.1, end=0.0, taper_mm=9, wobble_mm=0.05))


def sea(
    a: Artist,
    top: float,
    bottom: float,
    left: float,
    right: float,
    gap: tuple[float, float] | None = None,
    pitch: float = 1.15,
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
    top = [
        [96, 92],
        [101, 86.5],
        [106, 85],
        [110, 79],
        [117, 77.5],
        [121, 74],
        [130, 73],
        [150, 72.4],
        [158, 74],
        [163, 78],
        [170, 79.5],
        [174, 85],
        [181, 88],
        [190, 96],
    ]
    a.shape([*top, [190, 110], [90, 110], [92, 96]], 0.6, curved=False)
    faces = (
        [[101, 87], [106, 85.4], [110, 79.4], [112, 88], [106, 97], [99, 99]],
        [[117, 78], [121, 74.5], [126, 80], [122, 90], [114, 98], [113, 88]],
        [[131, 74], [138, 79], [136, 90], [129, 102], [124, 95], [127, 82]],
        [[146, 74], [158, 74.6], [156, 84], [149, 95], [144, 90], [142, 80]],
        [[163, 78.6], [170, 80], [171, 90], [164, 100], [158, 96], [160, 86]],
        [[174, 86], [181, 89], [184, 100], [178, 106], [172, 98]],
    )
    for k, face in enumerate(faces):
        shade = np.array(face)
        a.line(face[2:5], 0.5, 0.9, 0.1)
        if k % 2 == 0:
            a.shape(shade[2:] * 1.0, fill="black", curved=False, outline=False)
            a.feather(face[2:4], (shade[:2] * 0.55 + shade[2:4][::-1] * 0.45)[::-1], 9, 1.1)
        else:
            a.hatch(shade, 70, 0.7)
            a.hatch(shade[1:4], 20, 0.8)
        a.sketch([*face, face[0]], 0.45, curved=False)
    for path, broad in (
        ([[118, 104], [128, 99], [140, 101], [152, 97]], 4.0),
        ([[160, 106], [168, 101], [177, 103], [188, 100]], 3.4),
        ([[100, 106], [106, 101], [113, 102]], 3.0),
    ):
        a.dry_brush(path, broad)


def tower(a: Artist) -> None:
    """Draw the lighthouse with its lamp out."""
    foot, neck = 74.0, 30.0

    def side(y: float) -> tuple[float, float]:
        t = (y - neck) / (foot - neck)
        half = 6.6 + 4.8 * t**1.25
        return 140.5 - half, 140.5 + half

    ys = np.linspace(neck, foot, 12)
    body = [[side(y)[0], y] for y in ys] + [[side(y)[1], y] for y in ys[::-1]]
    a.shape(body, 0.6, curved=False, outline=False)
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
    a.line([[cx, y - 19.4 * u], [cx, y - 24 * u]], 0.45, 0.9, 0.6)
    a.shape(ring(cx, y - 20.4 * u, 1.1 * u), 0.35)
    a.line([[cx - 3 * u, y - 22.4 * u], [cx + 3.4 * u, y - 22.8 * u]], 0.35, 0.9, 0.2)


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
    smoke = [[165, 57], [163, 54], [166, 50.5], [163.4, 47], [166, 43]]
    a.line(smoke, 0.45, 0.7, 0.0)
    a.line([[x + 1.5, y + 0.4] for x, y in smoke[:-1]], 0.35, 0.4, 0.0)


def _foam(a: Artist) -> None:
    crest = [
        [84, 100],
        [88, 95.5],
        [93, 97],
        [97, 93.5],
        [102, 96],
        [106, 94.6],
        [110, 99],
        [116, 99.5],
        [121, 103],
        [126, 108],
        [84, 109],
    ]
    a.shape(crest, 0.5)
    for x, y in ((91, 99), (98, 97.5), (104, 98.8), (111, 102.4)):
        a.line(ring(x, y, 2.6, 1.9, 10, 180, 330), 0.3, 0.1, 0.1)
    a.hatch([[86, 103], [100, 100.5], [116, 104.5], [110, 106], [92, 106]], 8, 0.7)
    for x, y in a.rng.normal((96, 90), (7, 2.2), (26, 2)):
        a.dot(x, y, a.rng.uniform(0.32, 0.8))
