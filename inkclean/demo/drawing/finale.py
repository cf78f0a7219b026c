"""The last panel: the lamp turns again."""

from __future__ import annotations

import numpy as np

from inkclean.demo.drawing.artist import Artist, places, ring
from inkclean.demo.drawing.coast import gallery, sea

WIDTH = 108.0  # mm, of the panel
HEIGHT = 86.0  # mm
_LAMP = np.array([70.0, 27.0])


def draw(a: Artist) -> None:
    """Draw the panel; local units are mm on A4."""
    a.shape([[-3, -3], [111, -3], [111, 66], [-3, 66]], fill="black", curved=False, outline=False)
    for x, y in a.rng.uniform((1, 1), (107, 58), (70, 2)):
        a.star(x, y, a.rng.choice([0.45, 0.55, 0.75]))
    _beam(a, [[-6, 8], [-6, 46]])
    _beam(a, [[116, 20], [116, 42]])
    sea(a, 66.0, 90.0, -2.0, 110.0, gap=(14.0, 12.0), pitch=1.05)
    _ship(a)
    _tower(a)
    gallery(a, 70.0, 40.0, 19.0, lit=True)
    _lamp(a)
    _friends(a)
    for end in ([-6, 8], [-6, 46], [116, 20], [116, 42]):
        a.sketch([_LAMP, end], 0.45, curved=False)
    a.sketch([[70, -2], [70, 88]], 0.4, curved=False)
    for y, r in ((36, 19.4), (44, 15), (70, 18)):
        a.sketch(ring(70, y, r, r * 0.16), 0.4, closed=True)


def _beam(a: Artist, far: list[list[float]]) -> None:
    near = [[_LAMP[0], _LAMP[1] - 4.4], [_LAMP[0], _LAMP[1] + 4.4]]
    a.shape([near[0], far[0], far[1], near[1]], outline=False, curved=False)
    for edge, sign in (((near[0], far[0]), 1.0), ((near[1], far[1]), -1.0)):
        p, q = np.array(edge[0]), np.array(edge[1])
        line = p + (q - p) * np.linspace(0.12, 1.0, 12)[:, None]
        shift = np.linspace(1.0, 5.5, 12)[:, None] * np.array([0.0, sign])
        outward = np.sign(q[0] - p[0]) * np.array([7.0, 0.0])
        a.feather(line, line + shift + outward, 42, 0.85)
    middle = (np.array(far[0]) + np.array(far[1])) / 2
    for t in np.linspace(-0.62, 0.62, 7):
        end = middle + (np.array(far[1]) - middle) * t
        start = _LAMP + (end - _LAMP) * a.rng.uniform(0.35, 0.5)
        a.line([start, _LAMP + (end - _LAMP) * a.rng.uniform(0.75, 0.9)], 0.24, 0.05, 0.0)


def _ship(a: Artist) -> None:
    hull = [[6, 65.4], [9.4, 70.4], [27, 70.4], [31.6, 64.6], [24, 66.2]]
    a.shape(hull, 0.45, curved=False)
    a.hatch([[7.4, 66.4], [24, 67], [30.4, 65.6], [27, 70], [9.8, 70]], 4, 0.55)
    for x, top in ((13.5, 46.0), (22.0, 43.5)):
        a.white([[x, 66], [x, top]], 0.7, 1, 0.7)
    for sail, bulge in (
        ([[14.3, 47], [20.2, 50.4], [20.6, 56], [14.4, 55.4]], 1.0),
        ([[14.3, 56.8], [20.6, 57.6], [20.8, 63.4], [14.4, 63.6]], 1.0),
        ([[22.8, 44.6], [29.6, 48.6], [29.8, 54.6], [22.8, 53.6]], 1.1),
        ([[22.8, 55.2], [30, 56.2], [29.8, 62.8], [22.8, 63]], 1.1),
        ([[12.8, 48], [12.8, 62.6], [4.6, 63.6]], 0.7),
    ):
        s = np.array(sail)
        out = []
        for p, q in zip(s, np.roll(s, -1, axis=0), strict=True):
            t = np.linspace(0, 1, 8, endpoint=False)[:, None]
            out.append(p + (q - p) * t + np.array([bulge, -0.2 * bulge]) * 4 * t * (1 - t) * 0.5)
        a.shape(np.concatenate(out), 0.38, curved=False)
        a.hatch((s - s.mean(0)) * 0.66 + s.mean(0) + (0.9, 0.6), 80, 0.6)
    a.white([[22, 43.6], [24, 43], [26, 43.5]], 0.7, 1, 0.3)
    for stay in ([[6.5, 65], [13.5, 46]], [[30.6, 64.6], [22.4, 43.8]]):
        a.white(stay, 0.22, 0.9, 0.9)
    a.sketch([[3, 66], [18, 40], [33, 66]], 0.4, curved=False)
    for k in range(3):
        a.line([[4 - k, 71 + k], [16, 71.8 + k], [33 + k, 70.6 + k]], 0.34, 0.1, 0.0)


def _tower(a: Artist) -> None:
    a.shape([[57, 43], [83, 43], [87.5, 90], [52.5, 90]], 0.7, curved=False)
    a.shape(
        places("55,57.4 62,59 70,59.6 78,59 85,57.4 86.4,71 78,73 70,73.6 62,73 53.6,71"),
        fill="black",
        curved=False,
        outline=False,
    )
    a.white([[57, 60], [56.2, 71]], 0.8, 1, 0.7)
    for y in np.arange(44.5, 89, 0.82):
        half = 13 + 4.5 * (y - 43) / 47
        start = 70 + half * a.rng.uniform(0.2, 0.34)
        a.line(
            [[start, y + 0.9], [70 + half * 0.7, y + 0.6], [70 + half * 0.99, y]],
            0.24,
            0.0,
            0.9,
            wobble_mm=0.03,
        )
    for y in (76.0, 80.5, 85.0):
        for x in (56.5, 61.5, 66.0):
            a.line([[x, y], [x + 3, y + 0.35]], 0.3, 0.2, 0.2)
    a.shape(
        [[63.6, 56], [63.6, 50.4], [65.4, 48.4], [67.2, 50.4], [67.2, 56]],
        0.4,
        fill="black",
        curved=False,
    )
    a.white([[65.4, 49.4], [65.4, 55.6]], 0.3, 1, 1)


def _lamp(a: Artist) -> None:
    a.shape(ring(70, 27, 4.4, 5.2, 24), 0.55)
    a.line(ring(70, 27, 2.2, 2.8, 16), 0.35, closed=True)
    for turn in np.radians(np.arange(0, 360, 30)):
        u = np.array([np.cos(turn), np.sin(turn)])
        a.line([_LAMP + u * 5.9, _LAMP + u * 7.8], 0.34, 0.3, 0.1)
    a.line([[70, 32.2], [70, 36]], 1.0, 1, 1)


def _friends(a: Artist) -> None:
    """The keeper waves at the rail; the heron stands on the dome."""
    x, y = 84.0, 36.4
    side = np.array([[4.2, -0.9], [4.4, -7], [2.4, -10.6], [3.6, -15], [2.4, -19]])
    a.halo(np.concatenate([side * (-1, 1), side[::-1]]) + np.array([x, y]), 0.45)
    a.edged([[x + 3, y - 9], [x + 7.6, y - 13], [x + 8.4, y - 19]], 2.4, 0.4)
    a.shape(
        [
            [x - 4.2, y - 0.9],
            [x - 4.4, y - 7],
            [x - 2.4, y - 10.6],
            [x + 2.2, y - 10.6],
            [x + 4.6, y - 7],
            [x + 4.4, y - 0.9],
        ],
        0.45,
        fill="black",
    )
    a.white([[x - 2.6, y - 8.4], [x - 3, y - 1]], 0.4)
    a.white([[x + 3.6, y - 9.2], [x + 7.2, y - 12.6]], 0.3)
    a.shape(ring(x + 8.7, y - 20.2, 1.7, 1.9, 14), 0.4)
    a.shape(ring(x, y - 14, 3.4, 3.7, 20), 0.45)
    a.shape(
        [
            [x - 3.6, y - 14.6],
            [x - 2.8, y - 18],
            [x, y - 19.2],
            [x + 2.8, y - 18],
            [x + 3.6, y - 14.6],
        ],
        0.45,
    )
    for k in (-2, -0.7, 0.7, 2):
        a.line([[x + k * 0.6, y - 18.6], [x + k, y - 15.4]], 0.26, 0.3, 0.3)
    a.shape(ring(x, y - 19.8, 1.3, n=12), 0.35)
    for dx in (-1.5, 1.1):
        a.line(ring(x + dx, y - 13.4, 1.15, n=14), 0.32, closed=True)
        a.dot(x + dx - 0.2, y - 13.3, 0.55)
    a.line([[x - 1.5, y - 11.9], [x - 0.2, y - 11.2], [x + 1.3, y - 11.9]], 0.34, 0.3, 0.3)
    a.shape(
        [
            [x - 3, y - 10.8],
            [x, y - 9.8],
            [x + 3, y - 10.8],
            [x + 3, y - 9],
            [x, y - 8],
            [x - 3, y - 9],
        ],
        0.38,
    )
    a.shape(
        [
            [x - 2.6, y - 9.6],
            [x - 7, y - 10.8],
            [x - 10.6, y - 8.6],
            [x - 10, y - 6.8],
            [x - 6.4, y - 8.6],
            [x - 2.4, y - 7.8],
        ],
        0.4,
    )
    for k in range(3):
        a.line([[x - 5 - 2 * k, y - 10.2], [x - 5.2 - 2 * k, y - 8.2]], 0.3, 0.5, 0.5)
    for k in range(-1, 2):
        rail = 75.5 + 4.3 * (k + 2)
        a.edged([[rail, y - 0.4], [rail, y - 6.8]], 0.4, 0.2)
    a.edged([[73, y - 7.0], [89, y - 7.2]], 0.6, 0.2)
    a.white([[52, 36.4], [70, 36.6], [88, 36.4]], 0.45, 1, 1)
    a.white([[55.6, 42.2], [70, 42.5], [84.4, 42.2]], 0.35, 1, 1)
    hx, hy = 58.0, 10.4
    a.halo(
        [
            [hx - 5, hy + 2.6],
            [hx - 2.4, hy - 1.4],
            [hx + 2.4, hy - 2],
            [hx + 2.6, hy - 7],
            [hx + 5.6, hy - 6.8],
            [hx + 10, hy - 5.4],
            [hx + 5, hy - 4.6],
            [hx + 5, hy - 2],
            [hx + 3, hy + 1],
            [hx + 1, hy + 2.4],
        ],
        0.3,
    )
    a.line([[hx - 0.4, hy + 2], [hx + 0.2, hy + 5.6]], 0.4, 1, 1)
    a.line([[hx + 1.2, hy + 2], [hx + 1.6, hy + 5.0]], 0.4, 1, 1)
    a.shape(
        [
            [hx - 5, hy + 2.6],
            [hx - 2.4, hy - 1.4],
            [hx + 2, hy - 2],
            [hx + 3.4, hy],
            [hx + 1, hy + 2.4],
        ],
        0.4,
    )
    a.line([[hx - 4, hy + 1.9], [hx - 0.6, hy + 0.4]], 0.28, 0.2, 0.1)
    a.line([[hx - 3, hy + 2.2], [hx + 0.4, hy + 1.2]], 0.28, 0.2, 0.1)
    neck = [[hx + 2.6, hy - 0.8], [hx + 4.6, hy - 2.6], [hx + 3, hy - 4.6], [hx + 3.6, hy - 6.2]]
    a.edged(neck, 1.7, 0.3)
    a.white(neck, 1.1, 1, 0.9)
    a.shape(
        [
            [hx + 2.4, hy - 6],
            [hx + 4, hy - 7.6],
            [hx + 5.6, hy - 6.8],
            [hx + 11, hy - 5.4],
            [hx + 5.4, hy - 5.2],
            [hx + 3.2, hy - 4.8],
        ],
        0.34,
    )
    a.dot(hx + 4.2, hy - 6.4, 0.45)
