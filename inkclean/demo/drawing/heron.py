"""The heron of clockwork: on its bench among the wheels, and on the wing before the moon."""

from __future__ import annotations

import numpy as np

from inkclean.base.arrays import F64
from inkclean.demo.drawing.artist import Artist, places, ring
from inkclean.demo.drawing.coast import sea
from inkclean.demo.drawing.pen import smooth

WIDTH = 80.0  # mm, of the panel
HEIGHT = 80.0  # mm
FLIGHT_WIDTH = 74.0  # mm, of the panel
FLIGHT_HEIGHT = 86.0  # mm


def draw(a: Artist) -> None:
    """Draw the heron on its bench, facing left; local units are mm on A4."""
    a.mirror = WIDTH + 5.0
    _wall(a)
    _bench(a)
    legs = np.array([[[37, 54], [33.6, 61.5], [36.4, 69.6]], [[45, 55], [44, 62.5], [47.8, 71.6]]])
    for hip, knee, foot in legs:
        for p, q in ((hip, knee), (knee, foot)):
            _strut(a, p, q)
        a.shape(ring(knee[0], knee[1], 1.9, n=16), 0.4)
        a.dot(knee[0], knee[1], 0.8)
        for toe in (-4.6, 1.0, 5.0):
            a.line([foot, [foot[0] + toe, foot[1] + 1.1]], 0.85, 1.0, 0.3)
    _key(a)
    _body(a)
    _neck(a)
    _head(a, 53.5, 15.5)
    for y, x in ((46, 42), (16, 53)):
        a.sketch(ring(x, y, 14 if y > 20 else 5.5, 10 if y > 20 else 4.4), closed=True)
    a.sketch([[24, 60], [40, 46], [58, 38], [62, 28], [53, 16], [74, 20]], 0.45)
    a.sketch([[30, 76], [33, 61], [40, 46], [44, 62], [49, 76]], 0.4, curved=False)


def gear(a: Artist, cx: float, cy: float, r: float, teeth: int, *, dark: bool = False) -> None:
    """Draw a toothed wheel with spokes."""
    step = 2 * np.pi / teeth
    turn = np.arange(teeth) * step + 0.2
    pairs = np.stack(
        [turn - 0.30 * step, turn - 0.18 * step, turn + 0.18 * step, turn + 0.30 * step], 1
    )
    reach = np.tile([r * 0.88, r, r, r * 0.88], teeth)
    at = pairs.ravel()
    rim = np.stack([cx + reach * np.cos(at), cy + reach * np.sin(at)], 1)
    a.shape(rim, 0.34, fill="black" if dark else "white", curved=False)
    a.sketch(ring(cx, cy, r), 0.4, closed=True)
    a.sketch([[cx - r * 1.2, cy], [cx + r * 1.2, cy]], 0.3, curved=False)
    a.sketch([[cx, cy - r * 1.2], [cx, cy + r * 1.2]], 0.3, curved=False)
    if dark:
        a.white(ring(cx, cy, r * 0.66), 0.3, closed=True)
        a.star(cx, cy, 0.34 * r * a.scale)
        return
    a.line(ring(cx, cy, r * 0.70), 0.3, closed=True)
    spokes = 5 if r > 7 else 4
    for k in range(spokes):
        t = 2 * np.pi * k / spokes + 0.5
        gap = np.radians(np.linspace(14, 360 / spokes - 14, 7)) + t
        outer = np.stack([cx + 0.62 * r * np.cos(gap), cy + 0.62 * r * np.sin(gap)], 1)
        inner = np.stack([cx + 0.3 * r * np.cos(gap[3:4]), cy + 0.3 * r * np.sin(gap[3:4])], 1)
        a.shape(
            np.concatenate([outer, inner]), 0.28, fill="black" if r > 5 else "none", curved=False
        )
    a.shape(ring(cx, cy, r * 0.2, n=14), 0.3)
    a.hatch(ring(cx, cy, 0.86 * r, n=10, start=-20, stop=100), 45, 0.6)


def _wall(a: Artist) -> None:
    wall = [[-3, -3], [94, -3], [94, 64], [-3, 64]]
    a.hatch(wall, 32, 0.95)
    a.hatch([[-3, 20], [30, 34], [36, 64], [-3, 64]], -28, 0.95)
    a.hatch([[60, 30], [94, 18], [94, 64], [62, 64]], -28, 0.95)
    a.hatch([[64, 40], [94, 30], [94, 64], [66, 64]], 80, 0.95)
    _niche(a)
    gear(a, 14, 25, 11.5, 24)
    gear(a, 79.5, 11.0, 6.6, 15)
    gear(a, 10, 44.6, 6.6, 14)
    gear(a, 70, 41.5, 9.0, 20)
    gear(a, 24, 37.8, 4.4, 10, dark=True)
    gear(a, 72.6, 27.4, 5.0, 11, dark=True)


def _niche(a: Artist) -> None:
    """A dark arch in the wall, for the bird to stand out against."""
    arch = ring(47.5, 21, 20, 22, 20, 180, 360)
    stones = ring(47.5, 21, 23, 25, 20, 180, 360)
    foot, outer = np.array([[67.5, 64], [27.5, 64]]), np.array([[70.5, 64], [24.5, 64]])
    a.shape(np.concatenate([stones, outer]), 0.45, curved=False)
    a.shape(np.concatenate([arch, foot]), 0.45, fill="black", curved=False)
    for turn in np.radians(np.arange(190, 360, 17)):
        u = np.array([np.cos(turn), np.sin(turn)])
        a.line([(47.5, 21) + u * (20, 22), (47.5, 21) + u * (23, 25)], 0.35, 0.9, 0.7)
    for y in (29.0, 37.0, 45.0, 53.0):
        for x in (24.5, 67.5):
            a.line([[x, y], [x + 3, y + 0.2]], 0.35, 0.9, 0.7)
    a.sketch(np.concatenate([arch, foot]), 0.4, closed=True, curved=False)


def _bench(a: Artist) -> None:
    a.shape([[-3, 62], [94, 59.2], [94, 86], [-3, 86]], 0.6, curved=False)
    for y0, y1 in ((67.6, 66.2), (74.6, 74.6)):
        a.line([[-3, y0], [94, y1]], 0.5, 0.8, 0.8)
    for _ in range(30):
        x, y = a.rng.uniform((-4, 63.5), (78, 79))
        a.line(
            [[x, y], [x + a.rng.uniform(5, 9), y + 0.2], [x + a.rng.uniform(10, 18), y - 0.2]],
            0.26,
            0.1,
            0.0,
        )
    shade = [[22, 70], [36, 69], [54, 71], [66, 74.6], [50, 77], [30, 75]]
    a.hatch(shade, 4, 0.6)
    a.hatch([[30, 71], [40, 70], [56, 73], [48, 76], [34, 74]], 24, 0.7)
    a.shape([[60, 71.5], [68, 69.4], [69.4, 72.0], [61, 74.2]], 0.4, fill="black", curved=False)
    a.line([[69, 70.6], [79, 67.6]], 0.9, 1, 0.8)
    for x, y in ((12, 72), (17, 75.4), (8, 76.4)):
        a.shape(ring(x, y, 1.7, 1.2, 12), 0.35)
        a.line([[x - 1, y - 0.5], [x + 1, y + 0.5]], 0.3, 1, 1)
    can = [[4, 69.6], [5.4, 61], [12.6, 61], [14, 69.6]]
    a.shape(can, 0.45, curved=False)
    a.line([[9, 61], [9.4, 56.6], [18.6, 52]], 0.5, 1, 0.5)
    a.hatch([[9.6, 61.6], [12.4, 61.6], [13.4, 69], [10, 69]], 88, 0.5)


def _strut(a: Artist, start: F64, end: F64) -> None:
    across = np.array([end[1] - start[1], start[0] - end[0]]) / np.hypot(*(end - start)) * 0.75
    a.halo(
        [start - across, end - across * 0.7, end + across * 0.7, start + across],
        0.3,
        curved=False,
    )
    a.shape(
        [start - across, end - across * 0.7, end + across * 0.7, start + across],
        0.38,
        fill="black",
        curved=False,
    )
    a.white([start - across * 0.2, end - across * 0.1], 0.24, 0.9, 0.9)


def _key(a: Artist) -> None:
    a.edged([[32, 43], [25.0, 34.0]], 1.5, 0.35, 1, 1)
    end, across, along = np.array([24.6, 33.4]), np.array([0.79, -0.61]), np.array([-0.61, -0.79])
    half = ((0.4, -1.0), (3.4, -1.9), (5.6, 0.2), (4.8, 3.0), (2.0, 3.2), (0.3, 1.2))
    for side in (-1.0, 1.0):
        loop = np.array([end + across * side * reach + along * lift for reach, lift in half])
        middle = loop.mean(axis=0)
        a.shape(loop, 0.5)
        a.hatch((loop - middle) * 0.9 + middle, 60, 0.6)
        a.shape((loop - middle) * 0.45 + middle, 0.35, fill="black")
    a.shape(ring(end[0], end[1], 1.2, n=12), 0.4)
    a.sketch([[18, 38], [32, 27]], 0.4)


def _body(a: Artist) -> None:
    tail = [[34, 48], [20, 56.5], [12.4, 60.6], [20, 60.4], [36, 55]]
    a.shape(tail, 0.5)
    for k in range(4):
        a.line([[35 - 2 * k, 50.4 + k], [25, 55.6 + 0.8 * k], [15 + k, 60.2]], 0.3, 0.2, 0.0)
    body = places("26,52 30,43 38,37.6 48,36 56,38.4 59,44 56.4,51.4 49,57 38,58.4 30,56.6")
    a.shape(body, 0.6)
    a.hatch(
        places("31,54 40,54.6 50,52 56.6,46 55.4,51.4 48.6,56.4 38,57.8 31,56"),
        40,
        0.6,
    )
    a.hatch([[36, 56], [46, 55.4], [54, 50], [49, 56], [38, 57.6]], 100, 0.7)
    a.line([[50, 36.6], [47.6, 42], [48.4, 49], [52, 54.6]], 0.4, 0.9, 0.6)
    for x, y in ((51.4, 39.4), (49.9, 43), (49.9, 47), (51.2, 50.8), (55.8, 41), (57, 45)):
        a.dot(x, y, 0.5)
    a.shape(ring(53.6, 46.6, 2.5, n=18), 0.4, fill="black")
    a.star(53.6, 46.6, 1.5)
    a.dot(53.6, 46.6, 0.55)
    feathers(a, np.array([46.5, 41.5]), np.array([21, 56.2]), 7.6)


def feathers(a: Artist, shoulder: F64, tip: F64, breadth: float) -> None:
    """Draw a folded wing of metal plates, from its tip towards the shoulder."""
    along = tip - shoulder
    across = np.array([-along[1], along[0]]) / np.hypot(*along)
    if across[1] < 0:
        across = -across
    for row, (reach, start, count) in enumerate(((1.0, 0.34, 5), (0.7, 0.14, 5), (0.42, 0.0, 4))):
        for k in range(count):
            t = k / (count - 1)
            off = across * breadth * (0.95 - 1.25 * t) * (1 - 0.12 * row)
            root = shoulder + along * start * 0.8 + off * 0.75
            end = shoulder + along * (reach - 0.10 * abs(t - 0.3)) + off * 0.35
            wide = across * 1.35
            middle = root + (end - root) * 0.55
            a.shape(
                [root - wide, middle - wide * 1.15, end, middle + wide * 1.15, root + wide], 0.38
            )
            a.line([root, middle, end * 0.94 + root * 0.06], 0.24, 0.3, 0.0)
            if row < 2:
                a.line([middle + wide * 0.5, end * 0.8 + root * 0.2 + wide * 0.3], 0.22, 0.1, 0.0)
    a.shape(ring(shoulder[0], shoulder[1], 3.6, 3.2, 20), 0.5)
    a.shape(ring(shoulder[0], shoulder[1], 1.3, n=12), 0.35, fill="black")
    for turn in np.radians((20, 92, 164, 236, 308)):
        a.dot(shoulder[0] + 2.4 * np.cos(turn), shoulder[1] + 2.15 * np.sin(turn), 0.42)


def _neck(a: Artist) -> None:
    spine = np.array([[54, 43], [60, 38], [62.4, 32], [60, 26], [55.4, 21.4], [53.4, 16]])
    curve = smooth(spine, step=0.35)
    slope = np.gradient(curve, axis=0)
    normal = np.stack([-slope[:, 1], slope[:, 0]], 1) / np.hypot(*slope.T)[:, None]
    half = np.linspace(4.0, 1.9, len(curve))[:, None]
    a.shape(np.concatenate([curve + half * normal, (curve - half * normal)[::-1]])[::3], 0.55)
    collar = [[52.4, 37.4], [57.2, 40.2], [59.6, 44.4], [58, 46.6], [54, 43.6], [50.4, 40.2]]
    a.shape(collar, 0.5)
    for x, y in ((53.2, 39.8), (56, 42.2), (57.8, 44.8)):
        a.dot(x, y, 0.45)
    for k in range(10, len(curve) - 4, 7):
        bulge = (curve[k + 1] - curve[k]) * 2.6
        a.line(
            [curve[k] + half[k] * normal[k], curve[k] + bulge, curve[k] - half[k] * normal[k]],
            0.36,
            0.9,
            0.9,
        )
    for k in range(4, len(curve) - 8, 2):
        shade = curve[k] + half[k] * normal[k]
        a.line([shade, shade - 1.1 * normal[k] * half[k] * 0.6], 0.22, 0.7, 0.0, wobble_mm=0.02)


def _head(a: Artist, x: float, y: float) -> None:
    for k, (dx, dy) in enumerate(((-13, 4.5), (-11.5, 1.2))):
        a.edged(
            [[x - 2, y - 2 + 0.6 * k], [x - 7, y - 2.4 + k], [x + dx, y + dy]], 0.8, 0.4, 1.0, 0.2
        )
    head = [
        [x - 4.6, y + 0.6],
        [x - 3, y - 3.8],
        [x + 1.4, y - 4.8],
        [x + 5.4, y - 3.0],
        [x + 6.8, y - 0.2],
        [x + 5.4, y + 2.8],
        [x, y + 3.8],
    ]
    beak_low = [
        [x + 5.8, y + 1.0],
        [x + 12, y + 2.4],
        [x + 18.4, y + 4.6],
        [x + 11.6, y + 4.0],
        [x + 5, y + 3.0],
    ]
    beak_top = [
        [x + 5.6, y - 2.6],
        [x + 11, y - 0.4],
        [x + 19.4, y + 4.0],
        [x + 13, y + 2.6],
        [x + 5.8, y + 1.4],
    ]
    a.shape(beak_low, 0.42, curved=False)
    a.shape(beak_top, 0.48, curved=False)
    a.hatch([[x + 7, y + 0.4], [x + 12, y + 1.9], [x + 17, y + 3.4], [x + 7, y + 1.6]], 18, 0.5)
    a.shape(head, 0.55)
    a.line([[x + 4.6, y - 3.4], [x + 3.6, y], [x + 4.4, y + 3.0]], 0.34, 0.9, 0.9)
    a.shape(ring(x + 0.6, y - 0.9, 2.5, n=20), 0.45)
    a.shape(ring(x + 0.8, y - 0.9, 1.45, n=16), 0.4, fill="black")
    a.star(x + 0.2, y - 1.5, 0.8)
    a.hatch(
        [[x - 4, y + 1], [x, y + 2.2], [x + 3.4, y + 1.6], [x + 3, y + 2.8], [x, y + 3.4]], 50, 0.5
    )
    for dx, dy in ((-2.6, -2.0), (-3.2, 0.4), (5.2, -1.4), (5.2, 1.0)):
        a.dot(x + dx, y + dy, 0.36)


def flight(a: Artist) -> None:
    """Draw the heron before the moon, the spark in its beak."""
    a.shape([[-3, -3], [80, -3], [80, 73], [-3, 73]], fill="black", curved=False, outline=False)
    for x, y in a.rng.uniform((1, 1), (73, 62), (60, 2)):
        if np.hypot(x - 39, y - 34) > 29:
            a.star(x, y, a.rng.choice([0.45, 0.6, 0.8]))
    rim = ring(39, 34, 26.5, n=60)
    a.shape(rim, outline=False)
    glow = ring(39, 34, 29.4, n=60)
    a.feather(
        np.concatenate([rim, rim[:1]]), np.concatenate([glow, glow[:1]]), 170, 0.6, clear=True
    )
    a.sketch(rim, closed=True)
    a.sketch([[8, 34], [70, 34]], 0.35, curved=False)
    a.sketch([[39, 4], [39, 66]], 0.35, curved=False)
    a.stipple([[62, 46], [60, 22], [50, 12], [56, 30], [52, 50], [40, 58], [56, 56]], 220)
    for cx, cy, r in ((49, 20, 3.0), (54, 44, 2.4), (24, 48, 2.2), (34, 55, 1.5)):
        a.line(ring(cx, cy, r, r * 0.75, 12, 10, 230), 0.28, 0.1, 0.1)
    _clouds(a)
    _flying(a)
    sea(a, 72.0, 90.0, -2.0, 76.0, gap=(39.0, 8.0), pitch=1.0)


def _clouds(a: Artist) -> None:
    for cloud in (
        places("-4,74 -4,61 4,57.5 9,60 15,55.5 23,57.5 27,62.5 34,62 39,66 36,73"),
        places("80,74 80,56 73,53.5 68,57 61,56.5 57.5,62.5 51,63 47.5,68 50,73"),
    ):
        a.shape(cloud, 0.5)
        low = np.array(cloud)
        middle = low.mean(axis=0)
        a.hatch((low - middle) * (0.82, 0.55) + middle + (0, 2.4), 8, 0.72)
        top = (low[2:8] - middle) * (0.9, 0.8) + middle + (0, 0.6)
        a.stipple(np.concatenate([top, (top - (0, -3.0))[::-1]]), 60)
    a.board.clear([a.mm([[-3, 72], [80, 72], [80, 90], [-3, 90]])])


def _flying(a: Artist) -> None:
    far = [[36, 37], [30, 26], [28, 15], [31, 6], [35, 14], [40, 24], [43, 34]]
    a.shape(far, 0.45, fill="black")
    for k in range(5):
        a.white([[38 + 0.8 * k, 33 - k], [34.6 + 0.6 * k, 22], [31.6 + 0.5 * k, 11 + 2 * k]], 0.26)
    near = [[33, 38], [22, 33], [12, 24], [3, 11], [13, 14.4], [24, 19.6], [36, 27], [44, 36]]
    a.halo(near, 0.35)
    legs = np.array([[[29, 42.6], [18, 47], [7.5, 51.4]], [[29, 43.6], [19, 49], [9.4, 54.4]]])
    for leg in legs:
        a.line(leg, 0.85, 1.0, 0.6)
        a.dot(leg[1][0], leg[1][1], 1.5)
        a.line([leg[2], [leg[2][0] - 4, leg[2][1] + 0.4]], 0.6, 1, 0.1)
    body = places("25,43 31,37.6 40,35.4 47,37.4 50,40 45,44.4 36,46.4 28,45.4")
    a.shape(body, 0.5, fill="black")
    a.shape(near, 0.5, fill="black")
    tips = ([4.5, 12.4], [8, 16.8], [12, 21], [16.6, 25.4], [21.6, 29.6], [27, 33])
    for k, tip in enumerate(tips):
        a.white(
            [[40 - 1.2 * k, 33.6 + 0.4 * k], [27 - 1.2 * k, 24.6 + 1.8 * k], tip], 0.32, 0.8, 0.1
        )
    a.white([[36, 42.6], [42, 42.2], [47, 40]], 0.34)
    a.star(40, 37.4, 1.6)
    neck = [[46, 39.4], [52, 38.4], [55, 34.6], [52.6, 31], [55.4, 27.6]]
    a.line(neck, 2.6, 1.0, 0.75, gaps=0.0)
    for x, y in ((50.4, 38.7), (53.6, 36.6), (53.6, 32.6)):
        a.white([[x - 1.1, y - 0.7], [x + 1.1, y + 0.8]], 0.28, 1, 1)
    a.shape(ring(56.4, 26.6, 2.7, 2.2, 16), 0.4, fill="black")
    a.star(56.9, 26.2, 0.9)
    a.shape([[58, 25.4], [69, 28.6], [58, 28.2]], 0.35, fill="black", curved=False)
    a.line([[54.4, 25.2], [50.6, 24.4], [46.6, 26]], 0.6, 1, 0)
    spark = np.array([69.6, 29.4])
    spikes = []
    for k in range(16):
        reach = (7.6 if k % 4 == 0 else 4.6) if k % 2 == 0 else 2.2
        turn = np.radians(22.5 * k)
        spikes.append(spark + reach * np.array([np.cos(turn), np.sin(turn)]))
    a.shape(np.array(spikes), 0.4, curved=False)
    a.line(ring(spark[0], spark[1], 1.3, n=12), 0.4, closed=True)
