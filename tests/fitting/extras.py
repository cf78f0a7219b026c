"""More strokes that part nothing: shading with far strokes, words beside walls, dashed lines."""

from __future__ import annotations

import cv2
import numpy as np

from inkclean.base.arrays import F64, U8, Bool
from tests.fitting.textures import foliage, fur, grain, ripples
from tests.flats.pages import PX_PER_MM, Page
from tests.flats.shapes import bowed, resample, wobbled

WORDS = [
    "minimum",
    "form",
    "written",
    "harm",
    "NOW",
    "KLAXON",
    "tin",
    "hut 9",
    "claim",
    "MARE",
    "&c.",
]
FONTS = [
    cv2.FONT_HERSHEY_SIMPLEX,
    cv2.FONT_HERSHEY_DUPLEX,
    cv2.FONT_HERSHEY_SCRIPT_SIMPLEX,
    cv2.FONT_HERSHEY_COMPLEX_SMALL,
    cv2.FONT_ITALIC,
]
LEAST_DEEP_MM = 3.0  # areas narrower than twice this get nothing


def furnish(page: Page, rng: np.random.Generator) -> None:
    """Draw shading, words, dashes and textures into some areas; the page's truth stays."""
    inside = np.ones(page.truth.shape, np.uint8)
    inside[:, 1:] &= page.truth[:, 1:] == page.truth[:, :-1]
    inside[1:] &= page.truth[1:] == page.truth[:-1]
    depth = cv2.distanceTransform(inside, cv2.DIST_L2, 3)
    ink = np.round(page.coverage * 255).astype(np.uint8)
    places = np.argwhere(depth[::9, ::9] > LEAST_DEEP_MM * PX_PER_MM) * 9
    if not len(places):
        return
    of = page.truth[places[:, 0], places[:, 1]]
    names, times = np.unique(of, return_counts=True)
    share = (1.0 / times)[np.searchsorted(names, of)]
    share[of == names[np.argmax(times)]] *= 0.15 * len(names)  # the ground gets some, not all
    share /= share.sum()
    for draw, most in KINDS:
        for _ in range(int(rng.integers(0, most))):
            y, x = places[rng.choice(len(places), p=share)]
            area = page.truth == page.truth[y, x]
            if page.truth[y, x] == 0:
                continue
            layer = draw(area, np.array([x, y], float) / PX_PER_MM, rng)
            np.maximum(ink, layer, out=ink)
    page.coverage = np.asarray(ink, np.float32) / np.float32(255)


def _shading(area: Bool, at: F64, rng: np.random.Generator) -> U8:
    """Long strokes side by side, many of them from outline to outline, some of them bent."""
    layer = np.zeros(area.shape, np.uint8)
    turn, apart = rng.uniform(0, 2 * np.pi), float(np.exp(rng.uniform(np.log(0.7), np.log(4.0))))
    many = int(rng.integers(3, 14))
    out = np.array([np.cos(turn), np.sin(turn)])
    across = np.array([-out[1], out[0]])
    radius = rng.choice([1e4, rng.uniform(8, 60)])
    through, thick = rng.choice([0.0, 0.5, 1.0]), int(rng.integers(2, 8))
    fan = rng.normal() * 0.04
    half = rng.uniform(8, 40)
    t = np.arange(-half, half, 0.4)
    for k in range(many):
        off = (k - many / 2) * apart + rng.normal() * 0.1 * apart
        bent = np.sqrt(np.maximum(radius**2 - t**2, 0)) - radius
        line = at + out * t[:, None] + across * (off + bent + t * fan * k)[:, None]
        line = wobbled(line, 0.08, rng, True)
        px = np.round(line * PX_PER_MM).astype(int)
        ok = (px >= 0).all(1) & (px < area.shape[::-1]).all(1)
        on = np.zeros(len(line), bool)
        on[ok] = area[px[ok, 1], px[ok, 0]]
        run = _run_around(on, len(t) // 2)
        if run is None:
            continue
        a, b = run
        if rng.random() >= through:  # stops on its way
            cut = int((b - a) * rng.uniform(0.1, 0.7))
            a, b = (a + cut, b) if rng.random() < 0.5 else (a, b - cut)
        if rng.random() < 0.25:  # floats
            a, b = a + 3, b - 3
        if b - a < 5:
            continue
        points = np.round(line[a:b] * PX_PER_MM * 16).astype(np.int32)
        cv2.polylines(layer, [points], False, 255, thick, cv2.LINE_AA, 4)
    layer[~area] = 0
    return layer


def _run_around(on: Bool, middle: int) -> tuple[int, int] | None:
    """Return the run of True next to the middle."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], on.astype(int), [0]]))).reshape(-1, 2)
    if not len(edges):
        return None
    k = int(np.argmin(np.maximum(edges[:, 0] - middle, middle - edges[:, 1])))
    return int(edges[k, 0]), int(edges[k, 1])


def _words(area: Bool, at: F64, rng: np.random.Generator) -> U8:
    """A word that comes as near to the outline as it may without touching it."""
    layer = np.zeros(area.shape, np.uint8)
    word, font = str(rng.choice(WORDS)), int(rng.choice(FONTS))
    high, thick = rng.uniform(2.2, 7.0) * PX_PER_MM, int(rng.integers(2, 7))
    size = high / cv2.getTextSize("M", font, 1.0, 1)[0][1]
    (wide, tall), below = cv2.getTextSize(word, font, size, thick)
    text = np.zeros((tall + 2 * below + 8, wide + 8), np.uint8)
    cv2.putText(text, word, (4, tall + 4), font, size, 255, thick, cv2.LINE_AA)
    inked = cv2.dilate(text, np.ones((5, 5), np.uint8)) > 0
    found = None
    for _ in range(30):
        x, y = (at * PX_PER_MM + rng.normal(size=2) * 8 * PX_PER_MM).astype(int)
        if min(x, y) < 0 or y + text.shape[0] > area.shape[0] or x + text.shape[1] > area.shape[1]:
            continue
        if area[y : y + text.shape[0], x : x + text.shape[1]][inked].all():
            found = (x, y)
            break
    if found is None:
        return layer
    x, y = found
    dx, dy = ((0, 2), (2, 0), (-2, 0), (0, -2))[int(rng.integers(4))]
    for _ in range(40):  # up to a wall, down or to the side
        u, v = x + dx, y + dy
        if min(u, v) < 0 or v + text.shape[0] > area.shape[0] or u + text.shape[1] > area.shape[1]:
            break
        if not area[v : v + text.shape[0], u : u + text.shape[1]][inked].all():
            break
        x, y = u, v
    back = int(rng.integers(2, 12))
    x, y = max(0, x - np.sign(dx) * back), max(0, y - np.sign(dy) * back)
    part = layer[y : y + text.shape[0], x : x + text.shape[1]]
    part[:] = text[: part.shape[0], : part.shape[1]]
    layer[~area] = 0
    return layer


def _dashes(area: Bool, at: F64, rng: np.random.Generator) -> U8:
    """A dashed or dotted line through the area."""
    layer = np.zeros(area.shape, np.uint8)
    turn, long = rng.uniform(0, 2 * np.pi), rng.uniform(8, 50)
    out = np.array([np.cos(turn), np.sin(turn)])
    line = resample(bowed(at - out * long / 2, at + out * long / 2, rng.uniform(-0.3, 0.3)), 0.25)
    dash, gap = rng.uniform(0.8, 3.0), rng.uniform(0.7, 2.0)
    on = (np.arange(len(line)) * 0.25) % (dash + gap) < dash
    thick = int(rng.integers(3, 8))
    edges = np.flatnonzero(np.diff(np.concatenate([[0], on.astype(int), [0]]))).reshape(-1, 2)
    for a, b in edges.tolist():
        points = np.round(line[a:b] * PX_PER_MM * 16).astype(np.int32)
        cv2.polylines(layer, [points], False, 255, thick, cv2.LINE_AA, 4)
    layer[~area] = 0
    return layer


# each with the largest count of them on a page
KINDS = (
    (_shading, 24),
    (_words, 12),
    (_dashes, 8),
    (grain, 4),
    (foliage, 4),
    (ripples, 3),
    (fur, 6),
)
