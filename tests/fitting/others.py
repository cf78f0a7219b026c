"""Pages of drawings by other hands for fitting: icons in closed and broken line, inked figures.

Run: ``python -m tests.fitting.others SVGS FOLDER FIRST COUNT``, with the SVG files of
``svgs.mjs`` in SVGS: ``linear`` and ``broken`` (Solar icons by 480 Design, CC BY 4.0: the same
drawing with closed and with broken line), ``peeps`` (Open Peeps by Pablo Stanley), ``notion``
(Notionists by Zoish) and ``lorelei`` (Lorelei by Lisa Wischofsky), all three CC0.
"""

from __future__ import annotations

import sys
from multiprocessing import Pool
from pathlib import Path

import cv2
import numpy as np
import resvg_py
from scipy.ndimage import distance_transform_edt

from inkclean.base.arrays import F32, I32, Bool
from tests.flats.shapes import bowed

PX_PER_MM = 8.0
SHEET = 1400, 1100  # px
ICONS = 1465
FIGURE_PX = 1000
UNSURE_MM = 2.0  # openings narrower than this may be meant or not: not learnt from


def _drawn(svg: str, width: int) -> F32:
    """Return the coverage of a drawing, four samples a pixel a side."""
    data = resvg_py.svg_to_bytes(svg_string=svg, width=width * 2, background="#ffffff")
    image = cv2.imdecode(np.frombuffer(bytes(data), np.uint8), cv2.IMREAD_GRAYSCALE)
    assert image is not None
    ink = (
        (image < 110).astype(np.float32)
        if 'viewBox="0 0 24 24"' not in svg
        else 1 - image / np.float32(255)
    )
    size = width, round(image.shape[0] * width / image.shape[1])
    return np.asarray(cv2.resize(ink, size, interpolation=cv2.INTER_AREA), np.float32)


def _icon(svgs: Path, rng: np.random.Generator) -> tuple[F32, F32] | None:
    """Return an icon as it is drawn, and closed."""
    k = int(rng.integers(ICONS))
    line = float(np.exp(rng.uniform(np.log(2.4), np.log(11))))  # px
    stroke = rng.uniform(0.5, 1.6)
    width = int(24 * line / stroke)
    if not 60 < width < 520:
        return None
    both = []
    for kind in ("broken", "linear"):
        text = (svgs / kind / f"{k}.svg").read_text().replace('"1.5"', f'"{stroke:.2f}"')
        both.append(_drawn(text, width))
    broken, closed = both
    # the same drawing but for the openings, or none of these pairs
    near = cv2.dilate((closed > 0.5).astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    if ((broken > 0.5) & ~near).sum() > 0.01 * (broken > 0.5).sum():
        return None
    if (broken > 0.5).sum() < 0.6 * (closed > 0.5).sum():
        return None
    return (broken if rng.random() < 0.7 else closed), np.maximum(closed, broken)


def _figure(svgs: Path, rng: np.random.Generator) -> tuple[F32, F32] | None:
    kind = str(rng.choice(["peeps", "notion", "lorelei"]))
    files = sorted((svgs / kind).glob("*.png"))
    large = cv2.imread(str(files[int(rng.integers(len(files)))]), cv2.IMREAD_GRAYSCALE)
    assert large is not None
    ink = np.asarray(large, np.float32) / np.float32(255)
    width = int(np.exp(rng.uniform(np.log(260), np.log(1000))))
    size = width, round(large.shape[0] * width / large.shape[1])
    ink = np.asarray(cv2.resize(ink, size, interpolation=cv2.INTER_AREA), np.float32)
    rows, columns = (np.flatnonzero((ink > 0.5).any(axis)) for axis in (1, 0))
    ink = ink[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
    return ink, ink


def _rendered(path: Path) -> None:
    """Draw a figure once, large, and keep it."""
    if not path.with_suffix(".png").exists():
        ink = _drawn(path.read_text(), FIGURE_PX)
        cv2.imwrite(str(path.with_suffix(".png")), np.round(ink * 255).astype(np.uint8))


def _cut(ink: F32, seam: Bool, many: int, rng: np.random.Generator) -> None:
    """Cut openings into the line at places where it parts two areas."""
    black = (ink > 0.5).astype(np.uint8)
    radius = cv2.distanceTransform(black, cv2.DIST_L2, 5)
    places = np.argwhere(seam & (black > 0) & (radius < 8))
    y, x = np.mgrid[: ink.shape[0], : ink.shape[1]]
    for _ in range(many if len(places) else 0):
        row, column = places[rng.integers(len(places))]
        reach = max(rng.uniform(0.4, 3.5) * PX_PER_MM / 2, 1.3 * radius[row, column] + 1)
        window = np.s_[
            max(0, int(row - reach) - 2) : int(row + reach) + 3,
            max(0, int(column - reach) - 2) : int(column + reach) + 3,
        ]
        away = np.hypot(y[window] - row, x[window] - column)
        ink[window] *= np.clip(away - reach, 0, 1).astype(np.float32)


def _areas(ink: Bool, least: int) -> I32:
    """Return the patches of paper, grown under the ink; small ones go with the ink."""
    _, label, stats, _ = cv2.connectedComponentsWithStats((~ink).astype(np.uint8), connectivity=4)
    small = stats[:, cv2.CC_STAT_AREA] < least
    small[0] = True
    label[small[label]] = 0
    if not label.any():
        return np.ones_like(label)
    at = distance_transform_edt(label == 0, return_distances=False, return_indices=True)
    return np.asarray(label[tuple(at)], np.int32)


def borders(label: I32) -> Bool:
    """Return the pixels beside which another area begins."""
    seam = np.zeros(label.shape, bool)
    seam[:, 1:] |= label[:, 1:] != label[:, :-1]
    seam[1:] |= label[1:] != label[:-1]
    return seam


def page(svgs: Path, seed: int) -> tuple[F32, I32, Bool]:
    """Return coverage, areas, and where it is not told what is one; odd seeds draw icons."""
    rng = np.random.default_rng(seed)
    make, tries = (_icon, 60) if seed % 2 else (_figure, 25)
    drawn, closed = np.zeros(SHEET, np.float32), np.zeros(SHEET, np.float32)
    taken = np.zeros(SHEET, bool)
    for _ in range(tries):
        made = make(svgs, rng)
        if made is not None:
            _place(made, (drawn, closed), taken, int(rng.integers(4)) * (seed % 2), rng)
    black = closed > 0.5
    label = _areas(black, 60)
    ignored = cv2.distanceTransform(black.astype(np.uint8), cv2.DIST_L2, 5) > PX_PER_MM
    wide = np.ones((13, 13), np.uint8)
    ignored = cv2.dilate(ignored.astype(np.uint8), wide) > 0
    if make is _figure:
        across = 2 * round(UNSURE_MM / 2 * PX_PER_MM) + 1
        disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (across, across))
        other = borders(_areas(cv2.dilate(black.astype(np.uint8), disc) > 0, 300))
        near = cv2.dilate(borders(label).astype(np.uint8), wide) > 0
        ignored |= cv2.dilate((other & ~near).astype(np.uint8), wide) > 0
    if make is _figure or rng.random() < 0.3:
        _cut(drawn, borders(label) & ~ignored, int(rng.choice([0, 0, 10, 30, 60])), rng)
    return _bent(drawn, label, ignored, rng)


def rooms_and_channels(seed: int) -> tuple[F32, I32, Bool]:
    """Return a page of rooms that narrow channels join, which make one area of them."""
    rng = np.random.default_rng(seed)
    paper = np.zeros(SHEET, np.uint8)
    step = rng.uniform(16, 40) * PX_PER_MM
    grid = np.mgrid[step / 2 : SHEET[0] : step, step / 2 : SHEET[1] : step]
    spots = grid.reshape(2, -1).T[:, ::-1] + rng.normal(size=(grid[0].size, 2)) * step * 0.12
    for x, y in spots[rng.random(len(spots)) < 0.85].tolist():
        axes = rng.uniform(0.15, 0.42, 2) * step
        if rng.random() < 0.5:
            turn = float(rng.uniform(0, 180))
            cv2.ellipse(paper, (int(x), int(y)), axes.astype(int).tolist(), turn, 0, 360, 1, -1)
        else:
            box = cv2.boxPoints(((x, y), (2 * axes).tolist(), float(rng.uniform(0, 90))))
            cv2.fillPoly(paper, [np.round(box).astype(np.int32)], 1)
    away = np.hypot(*(spots[:, None] - spots[None]).transpose(2, 0, 1))
    for a, b in np.argwhere(np.triu(away < 1.25 * step, 1)).tolist():
        if rng.random() < 0.4:
            middle = (spots[a] + spots[b]) / 2 + rng.normal(size=2) * step * rng.choice([0, 0.15])
            way = bowed(spots[a], spots[b], rng.uniform(-0.3, 0.3))
            if rng.random() < 0.5:
                way = np.stack([spots[a], middle, spots[b]])
            broad = max(7, round(rng.uniform(0.9, 4.5) * PX_PER_MM))
            cv2.polylines(paper, [np.round(way).astype(np.int32)], False, 1, broad, cv2.LINE_AA)
    shape = cv2.GaussianBlur(paper.astype(np.float32), (0, 0), rng.uniform(0.5, 3)) > 0.5
    edge = np.ones(SHEET, np.uint8)
    edge[borders(shape.astype(np.int32))] = 0
    off = cv2.distanceTransform(edge, cv2.DIST_L2, 5) - rng.uniform(0.25, 0.7) * PX_PER_MM / 2
    ink = np.clip(0.5 - off, 0, 1).astype(np.float32)
    label = _areas(ink > 0.5, 60)
    _cut(ink, borders(label), int(rng.choice([0, 10, 40])), rng)
    return _bent(ink, label, np.zeros(SHEET, bool), rng)


def _place(
    made: tuple[F32, F32], onto: tuple[F32, F32], taken: Bool, turns: int, rng: np.random.Generator
) -> None:
    """Lay a drawing and its closed twin where there is room."""
    pair = [np.rot90(m, turns) for m in made]
    h, w = pair[0].shape
    if h > SHEET[0] - 8 or w > SHEET[1] - 8:
        return
    for _ in range(8):
        y, x = int(rng.integers(4, SHEET[0] - h - 3)), int(rng.integers(4, SHEET[1] - w - 3))
        if not taken[y : y + h, x : x + w].any():
            taken[max(0, y - 8) : y + h + 8, max(0, x - 8) : x + w + 8] = True
            for sheet, part in zip(onto, pair, strict=True):
                sheet[y : y + h, x : x + w] = part
            return


def _bent(ink: F32, label: I32, ignored: Bool, rng: np.random.Generator) -> tuple[F32, I32, Bool]:
    """Bend and turn the page a little."""
    h, w = SHEET
    x, y = np.meshgrid(np.arange(w, dtype=np.float32), np.arange(h, dtype=np.float32))
    turn = np.radians(rng.uniform(-30, 30))
    across, down = x - w / 2, y - h / 2
    u = across * np.cos(turn) - down * np.sin(turn) + w / 2
    v = across * np.sin(turn) + down * np.cos(turn) + h / 2
    amount, phase = rng.uniform(0, 6), rng.uniform(0, 6.28, 2)
    u = np.asarray(u + amount * np.sin(y / rng.uniform(40, 200) + phase[0]), np.float32)
    v = np.asarray(v + amount * np.sin(x / rng.uniform(40, 200) + phase[1]), np.float32)
    outside = float(label[0, 0])
    bent = (
        cv2.remap(ink, u, v, cv2.INTER_LINEAR),
        cv2.remap(label.astype(np.float32), u, v, cv2.INTER_NEAREST, borderValue=outside),
        cv2.remap(ignored.astype(np.uint8), u, v, cv2.INTER_NEAREST, borderValue=0),
    )
    return np.asarray(bent[0], np.float32), np.asarray(bent[1], np.int32), bent[2] > 0


def _saved(task: tuple[Path, Path, int]) -> int:
    svgs, folder, seed = task
    for letter, (ink, label, ignored) in (
        ("o", page(svgs, seed)),
        ("c", rooms_and_channels(seed)),
    ):
        stack = np.stack([np.round(np.clip(ink, 0, 1) * 255), borders(label), ignored])
        np.save(folder / f"{letter}{seed}.npy", stack.astype(np.uint8))
    return seed


def render(svgs: Path) -> None:
    """Draw all figures once, large."""
    figures = [p for kind in ("peeps", "notion", "lorelei") for p in (svgs / kind).glob("*.svg")]
    with Pool(2) as pool:
        pool.map(_rendered, sorted(figures), 4)


def main() -> None:
    """Draw pages into a folder."""
    svgs, folder = Path(sys.argv[1]), Path(sys.argv[2])
    first, count = int(sys.argv[3]), int(sys.argv[4])
    folder.mkdir(parents=True, exist_ok=True)
    cv2.setNumThreads(1)
    render(svgs)
    with Pool(2) as pool:
        tasks = [(svgs, folder, seed) for seed in range(first, first + count)]
        for seed in pool.imap_unordered(_saved, tasks):
            print(seed, end=" ", flush=True)


if __name__ == "__main__":
    main()
