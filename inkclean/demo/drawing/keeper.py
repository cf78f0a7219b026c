"""The second panel: the keeper with her storm lantern, out of the dark."""

from __future__ import annotations

import numpy as np

from inkclean.base.arrays import F64
from inkclean.demo.drawing.artist import Artist, places, ring

WIDTH = 100.0  # mm, of the panel
HEIGHT = 80.0  # mm


def draw(a: Artist) -> None:
    """Draw the panel; local units are mm on A4."""
    _dark(a)
    _coat(a)
    _hair(a)
    _face(a)
    _cap(a)
    _scarf(a)
    _lantern(a)
    _construct(a)


def _construct(a: Artist) -> None:
    """The head as it was built: ball, axis, eye line."""
    a.sketch(ring(59, 38, 19, 20), closed=True)
    a.sketch([[57.5, 12], [56.5, 66]], 0.45)
    a.sketch([[37, 45], [58, 46.8], [80, 44.4]], 0.45)
    a.sketch([[42, 58], [57, 60], [74, 57]], 0.4)
    a.sketch([[12, 84], [36, 63], [76, 64], [104, 84]], 0.5)
    a.sketch(ring(19, 55, 24), 0.45, closed=True)
    a.sketch([[19, 26], [19, 80]], 0.4, curved=False)


def _dark(a: Artist) -> None:
    a.shape([[-3, -3], [103, -3], [103, 83], [-3, 83]], fill="black", curved=False, outline=False)
    glow = ring(19, 54, 29, 27, 44)
    a.shape(glow, outline=False)
    inner = ring(19, 54, 21, 19.5, 44)
    a.feather(np.concatenate([glow, glow[:1]]), np.concatenate([inner, inner[:1]]), 120, 1.25, 0.7)
    for turn in np.radians(np.arange(4, 360, 13)):
        u = np.array([np.cos(turn), np.sin(turn)])
        near = 12.5 + a.rng.uniform(0, 1.5)
        a.line(
            [np.array([19, 54]) + u * near, np.array([19, 54]) + u * (near + 4.5)], 0.26, 0.1, 0.1
        )
    # a window on the night
    frame = np.array([[83.6, 9], [97, 7.4], [96.4, 37], [83.4, 35.6]])
    a.shape(frame, outline=False, curved=False)
    square = ((0, 0), (1, 0), (1, 1), (0, 1))
    for right, below in square:
        pane = np.array([_between(frame, right + u, below + v) for u, v in square])
        pane = pane.mean(axis=0) + (pane - pane.mean(axis=0)) * 0.86
        a.shape(pane, fill="black", outline=False, curved=False)
    for x, y, size in (
        (87.4, 14, 0.6),
        (92.6, 25.6, 0.5),
        (94.6, 15.6, 0.8),
        (86.2, 30, 0.5),
        (92.2, 12.6, 0.5),
    ):
        a.star(x, y, size)
    a.sketch([*frame, frame[0]], 0.4, curved=False)
    a.white([[80.6, 38.4], [99.6, 40.4]], 1.0, 1.0, 1.0)


def _between(frame: F64, u: float, v: float) -> F64:
    """The place at (u, v), each 0 to 2, across and down a frame of four corners."""
    top = frame[0] + (frame[1] - frame[0]) * u / 2
    foot = frame[3] + (frame[2] - frame[3]) * u / 2
    return np.asarray(top + (foot - top) * v / 2, np.float64)


def _coat(a: Artist) -> None:
    left = places("30,90 31.5,78 36,70.5 44,66 58,69 72,65 83,69.5 91,77 95,90")
    a.shape(left, 0.6)
    a.hatch([[33, 90], [34, 78], [37, 72], [44, 68], [48, 80], [46, 90]], 100, 0.85)
    a.shape(
        [[62, 72], [74, 67.5], [82, 71], [89, 78], [93, 90], [60, 90]], fill="black", outline=False
    )
    a.feather([[60.5, 73], [59, 80], [59.5, 90]], [[53, 75], [51, 81], [51.5, 89]], 17, 1.0)
    a.white([[76, 70.5], [83, 74.5], [88, 82]], 0.45)
    a.white([[70, 74], [72, 84]], 0.35)
    a.line([[52, 70], [51, 82]], 0.5, 0.9, 0.4)
    for y in (74.0, 78.6):
        a.shape(ring(47.6, y, 1.25, 1.35, 14), 0.35)
        a.dot(47.2, y, 0.34)
        a.dot(48.1, y, 0.34)


def _hair(a: Artist) -> None:
    left = places("41.5,36 37.6,42 38.8,48 36.6,53 39,59 43,60.5 45.4,55 44,46 44,38")
    right = places("74.5,35 79,41 78,48 81,54 78.4,61 73.6,62 71.6,55 73,45 72,37")
    for lock in (left, right):
        a.shape(lock, 0.45)
        middle = np.array(lock).mean(axis=0)
        for k in range(3):
            strand = (np.array(lock[1:5]) - middle) * (0.75 - 0.27 * k) + middle
            a.line(strand, 0.26, 0.2, 0.0)
    # the braid over her shoulder
    path = np.array([[75.5, 60.5], [78.2, 64.6], [80.6, 69.2], [82, 74], [82.4, 79], [82, 84]])
    for k in range(len(path) - 1):
        p, q = path[k], path[k + 1]
        across = np.array([q[1] - p[1], p[0] - q[0]]) * 0.62
        for s in (1.0, -1.0):
            lobe = [
                p,
                p + across * s + (q - p) * 0.25,
                p + across * s * 0.9 + (q - p) * 0.85,
                q + (q - p) * 0.15,
                p + (q - p) * 0.5,
            ]
            a.shape(lobe, 0.38)
            a.line(
                [p + across * s * 0.65 + (q - p) * 0.2, p + across * s * 0.6 + (q - p) * 0.8],
                0.24,
                0.1,
                0.0,
            )


def _face(a: Artist) -> None:
    face = places(
        "43,34 42.6,42 42.4,49 44.4,55.6 49,61.4 55,65 60,64.8 66.6,60.8 "
        "71.6,54.6 73.6,47 73.4,40 72.6,33"
    )
    a.shape(face, 0.5)
    # lit from the lantern: the far cheek and under the cap lie in shade
    a.hatch(
        [[72.8, 38], [73.2, 47], [71, 54.4], [66, 60.6], [61, 64], [64, 58], [68.6, 52], [70, 44]],
        52,
        0.72,
    )
    a.hatch([[73, 42], [73, 48], [70.4, 54.6], [66.6, 59.6], [69.4, 52], [71.4, 45]], 118, 0.8)
    a.hatch([[44, 35.4], [58, 34], [72, 35], [71.6, 38.2], [58, 36.6], [44.4, 38]], 75, 0.7)
    for cx, cy, sx in ((50.2, 46.6, 1.0), (65.0, 46.0, -1.0)):
        a.line(ring(cx, cy, 6.1, 5.8, 26), 0.55, closed=True)
        a.line(
            [
                [cx - 3.7, cy - 0.2],
                [cx - 1.6, cy - 2.2],
                [cx + 1.4, cy - 2.2],
                [cx + 3.5, cy - 0.1],
            ],
            0.55,
            0.3,
            0.3,
        )
        a.line([[cx - 2.9, cy + 1.5], [cx, cy + 2.5], [cx + 2.8, cy + 1.4]], 0.26, 0.1, 0.1)
        a.shape(ring(cx - 0.9, cy - 0.1, 1.75, 2.05, 20), fill="black", width=0.3)
        a.star(cx - 1.5, cy - 0.8, 0.75)
        a.line([[cx - 3.2, cy + 4.1], [cx, cy + 4.8], [cx + 2.6, cy + 4.0]], 0.22, 0.1, 0.0)
        brow = [[cx - 4.8 * sx, cy - 6.7], [cx - 0.5 * sx, cy - 8.5], [cx + 4.2 * sx, cy - 6.9]]
        a.line(brow if sx > 0 else brow[::-1], 1.0, 0.3, 0.1)
        a.line([[x, y - 0.9] for x, y in brow], 0.3, 0.1, 0.0)
        a.line([[cx - 4.6, cy + 2.8], [cx - 2.2, cy + 4.4]], 0.24, 0.1, 0.1)
        a.line([[cx + 2.0, cy - 4.4], [cx + 4.0, cy - 2.6]], 0.3, 0.1, 0.1)
    a.line([[56.2, 45.8], [57.6, 44.9], [59.0, 45.6]], 0.55, 0.8, 0.8)
    a.line([[71, 45.4], [74.2, 44]], 0.5, 0.8, 0.5)
    a.line([[44.2, 46], [42.2, 45]], 0.5, 0.8, 0.5)
    a.line([[57.0, 47.6], [55.6, 51.6], [54.9, 53.6], [56.2, 54.8], [58.0, 54.4]], 0.42, 0.1, 0.25)
    a.line([[59.6, 52.6], [60.6, 54.0], [59.4, 55.0]], 0.34, 0.1, 0.1)
    a.line([[51.2, 57.6], [54.6, 59.6], [58.4, 60.0], [62.4, 58.8], [64.8, 56.4]], 0.6, 0.2, 0.2)
    a.line([[55.4, 61.9], [57.8, 62.4], [60.2, 61.8]], 0.3, 0.1, 0.1)
    a.line([[50.4, 56.2], [50.2, 58.2]], 0.32, 0.1, 0.1)
    a.line([[65.4, 55.0], [66, 57.2]], 0.32, 0.1, 0.1)
    a.line([[53.0, 52.6], [50.6, 54.6], [49.4, 57.2]], 0.25, 0.1, 0.0)
    a.line([[62.4, 52.4], [65.6, 54.2], [67, 56.4]], 0.25, 0.1, 0.0)
    for x, y in ((46.6, 52.6), (47.8, 54.0), (46.2, 54.6), (48.4, 52.4), (67.6, 51.6), (68.6, 53)):
        a.dot(x, y, a.rng.uniform(0.32, 0.42))


def _cap(a: Artist) -> None:
    dome = [[40.5, 31], [43, 20], [50, 12.8], [59, 10.6], [68, 13.2], [74.5, 20.6], [76.4, 31.4]]
    a.shape([*dome, [59, 28.6]], 0.55)
    for k in np.linspace(-0.9, 0.9, 11):
        top = [59 + 3.0 * k, 11.6 + 1.2 * k * k]
        middle = [59 + 13.4 * k, 17.5 + 3.5 * k * k]
        foot = [58.6 + 17.6 * k, 29.4 + 1.6 * k * k]
        a.line([top, middle, foot], 0.34, 0.1, 0.6)
    a.shape(
        [[70, 16.4], [74.6, 22], [76, 31], [70.6, 29.6], [70.4, 22]], fill="black", outline=False
    )
    a.feather(
        [[70, 17], [69.8, 23], [70.4, 29.4]], [[65, 15.6], [63.8, 22], [64.4, 28.6]], 14, 0.85
    )
    band = places(
        "38.6,29.6 48,27.2 59,26.4 70,27 78.4,29.8 78.8,36 70,33.6 59,33 48,33.8 39.2,36.6"
    )
    a.shape(band, 0.55)
    for x in np.arange(40.8, 78, 2.05):
        lift = 0.0055 * (x - 59) ** 2
        a.line([[x, 27.6 + lift], [x + 0.5, 30.6 + lift], [x, 33.0 + lift]], 0.3, 0.3, 0.3)
    a.hatch([[64, 27.6], [77.6, 30], [78, 35], [64, 32.6]], 40, 0.7)
    a.shape(ring(59.4, 8.6, 4.6, 4.2, 16), 0.5)
    for turn in np.radians(np.arange(0, 360, 22)):
        u = np.array([np.cos(turn), np.sin(turn)])
        c = np.array([59.4, 8.6])
        a.line([c + u * 1.4, c + u * a.rng.uniform(4.2, 5.6)], 0.3, 0.1, 0.0)


def _scarf(a: Artist) -> None:
    wrap = places("43,63 49,66.4 57,68.4 65,67 72.6,62.4 75.4,66.6 70,72.4 58,75.4 47,73 40.8,67.4")
    a.shape(wrap, 0.55)
    a.line([[42, 65.6], [50, 69.6], [58, 71.4], [66, 69.8], [74, 64.8]], 0.4, 0.2, 0.2)
    for t in np.linspace(0.06, 0.94, 13):
        x = 42.6 + 31.4 * t
        drop = 5.2 * np.sin(np.pi * t)
        a.line([[x, 63.6 + drop], [x - 0.6, 66.4 + drop], [x + 0.3, 69.4 + drop]], 0.28, 0.2, 0.1)
    tail = [[51, 72.6], [57, 74.4], [57.6, 84], [50.4, 84]]
    a.shape(tail, 0.5, curved=False)
    for y in (76.4, 79.2):
        a.line([[50.8, y - 0.6], [57.2, y]], 0.9, 0.9, 0.9)


def _lantern(a: Artist) -> None:
    a.line([[12.6, 40], [12.8, 31], [19, 27.4], [25.2, 31], [25.4, 40]], 0.5, 0.8, 0.8)
    # a mitten holds the bail, the sleeve comes from below
    a.shape(
        places("34,86 28,74 24.5,62 24,46 24,36 27.6,32.6 31.4,36 34,50 37.5,63 43,73"),
        0.55,
    )
    a.hatch([[30, 38], [32.4, 50], [36, 63], [40, 71], [36, 80], [31, 66], [28.6, 48]], 12, 0.8)
    mitten = places(
        "15.4,29.6 14.2,25.4 17,21.4 22.6,20.4 28.2,22.4 31.4,27.4 31.2,33.4 "
        "27.4,36 22.8,33.6 19,32.2"
    )
    a.shape(mitten, 0.55)
    a.shape([[16, 29], [19.6, 26.6], [23.4, 27.8], [22.6, 31.2], [18.2, 32.2], [15.2, 31.4]], 0.45)
    a.shape([[23.4, 34.2], [31.8, 31.6], [33.6, 36], [24.2, 38.6]], 0.45)
    for k in range(5):
        a.line([[25 + 1.8 * k, 33.8 - 0.5 * k], [25.8 + 1.8 * k, 37.6 - 0.6 * k]], 0.28, 0.3, 0.3)
    a.hatch([[25, 21.6], [30.4, 27], [30, 32], [27, 30], [26.4, 25]], 60, 0.7)
    a.shape([[13, 40], [15, 36.6], [23, 36.6], [25, 40]], 0.5, fill="black", curved=False)
    a.shape([[11, 43.4], [12.4, 40], [25.6, 40], [27, 43.4]], 0.45, curved=False)
    a.shape([[12.2, 43.4], [10.2, 52], [12.6, 62.6], [25.4, 62.6], [27.8, 52], [25.8, 43.4]], 0.5)
    flame = [[19, 46.6], [21.6, 51], [22.4, 55], [19, 58.4], [15.6, 55], [17.2, 51.4]]
    a.line(flame, 0.4, closed=True)
    a.line([[19, 51.4], [20.2, 54.4], [19, 56.6], [17.8, 54.6]], 0.3, closed=True)
    a.line([[19, 58.4], [19, 61.6]], 0.7, 1, 1)
    a.line([[13.6, 46], [12.4, 52], [13.8, 59.4]], 0.28, 0.1, 0.1)
    for x in (14.8, 23.2):
        a.line([[x, 43.6], [x + (x - 19) * 0.42, 52.4], [x, 62.4]], 0.4, 0.9, 0.9)
    a.line([[10.4, 52], [19, 54.4], [27.6, 52]], 0.34, 0.9, 0.9)
    a.shape([[11, 62.6], [27, 62.6], [28.2, 66.4], [9.8, 66.4]], 0.5, fill="black", curved=False)
    a.shape([[9.8, 66.4], [28.2, 66.4], [27, 72], [11, 72]], 0.5, curved=False)
    a.hatch([[20, 66.8], [27.8, 66.8], [26.6, 71.6], [20.6, 71.6]], 90, 0.55)
    a.white([[13, 64.4], [24, 64.4]], 0.35)
