"""Drawings by other hands, made small: areas of flat art as outlines, line art as pictures.

Run: ``python -m tests.fitting.areas.pack SVGS DRAWINGS.npz PROCESSES``, with the SVG files of
``svgs.mjs`` in SVGS. The colours of flat art tell what a person fills; gradients and crumbs are
merged.

| set | what | by | licence | used for |
| --- | --- | --- | --- | --- |
| noto | flat art | Google | Apache-2.0 | fitting |
| fluent | flat art | Microsoft | MIT | fitting |
| twemoji | flat art | Twitter and contributors | CC BY 4.0 | fitting |
| emojione | flat art | Emoji One | CC BY 4.0 | fitting |
| ears | flat art, heads | The Visual Team | CC BY 4.0 | fitting |
| micah | flat art, heads | Micah Lanier | CC BY 4.0 | fitting |
| personas | flat art, heads | Draftbit | CC BY 4.0 | fitting |
| smile | flat art, heads | Ashley Seo | CC BY 4.0 | fitting |
| toon | flat art, heads | Johan Melin | CC BY 4.0 | fitting |
| miniavs | flat art, heads | Webpixels | CC BY 4.0 | fitting |
| tabler | line art | Paweł Kuna | MIT | fitting |
| phosphor | line art | Phosphor Icons | MIT | fitting |
| lucide | line art | Lucide contributors | ISC | fitting |
| hugeicons | line art | Hugeicons | MIT | fitting |
| solar-broken, -linear | the same in broken and closed line | 480 Design | CC BY 4.0 | fitting |
| peeps | figures | Pablo Stanley | CC0 | fitting |
| notion | figures | Zoish | CC0 | fitting |
| croodles | heads | vijay verma | CC BY 4.0 | fitting |
| fxemoji | flat art | Mozilla | Apache-2.0 | kept out: measuring alone |
| iconoir | line art | Luca Burgio | MIT | kept out: measuring alone |
| lorelei | heads | Lisa Wischofsky | CC0 | kept out: measuring alone |
"""

from __future__ import annotations

import re
import sys
from multiprocessing import Pool
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import resvg_py
from numpy.typing import NDArray

from inkclean.base.arrays import F32, F64, I32, U8, Bool
from tests.fitting.areas.cracks import chains
from tests.fitting.areas.maps import filled

HEADS = ("ears", "micah", "personas", "smile", "toon", "miniavs")
FLAT = ("noto", "fluent", "twemoji", "emojione", *HEADS)
LINE = ("tabler", "phosphor", "lucide", "hugeicons", "peeps", "notion", "croodles")
PAIRS = 700
KEPT_OUT_FLAT = ("fxemoji",)
KEPT_OUT_LINE = ("iconoir", "lorelei")
FLAT_PX = 512
STEP = 14  # neighbouring pixels that differ more in a channel lie in two colours
ALIKE = 30  # areas whose colours differ less where they meet are one
CRUMB = 0.0006  # share of the square that an area must have
CRUMB_INNER = 0.0065  # and of its side that a disc in it must have as radius
MOST_AREAS = 70
MOST = 1000  # drawings of a set of flat art
MOST_FIGURES = 180  # and figures in line
LINE_PX = {"peeps": 640, "notion": 640, "croodles": 560, "lorelei": 640}
ICON_PX = 360
STROKES = 0.5, 0.8, 1.2  # widths of an icon's lines, of 24


def rendered(svg: str, width: int) -> U8:
    """Return a drawing (H, W, 4), blue, green, red, alpha."""
    data = resvg_py.svg_to_bytes(svg_string=svg, width=width, height=width)
    image = cv2.imdecode(np.frombuffer(bytes(data), np.uint8), cv2.IMREAD_UNCHANGED)
    assert image is not None
    return np.asarray(image, np.uint8)


def area_map(svg: str) -> I32 | None:
    """Return the areas (H, W) of flat art, 0 where nothing is; nothing if it has too many."""
    image = rendered(svg, FLAT_PX)
    if image.ndim < 3 or image.shape[2] < 4:
        return None
    solid = image[..., 3] > 127
    colour = image[..., :3].astype(np.int16)
    colour[~solid] = (-400, -400, -400)
    label = _patches(colour)
    label = _without_crumbs(label, label.shape[0])
    label = _alike_merged(label, colour)
    label = _without_crumbs(label, label.shape[0])
    return _numbered(label, ~solid)


def _numbered(label: I32, outside: Bool) -> I32 | None:
    count = np.bincount(label.ravel())
    bare = np.bincount(label[outside], minlength=len(count))
    areas = np.flatnonzero((count > 0) & (bare <= 0.5 * count))
    if not 1 <= len(areas) <= MOST_AREAS:
        return None
    number = np.zeros(len(count), np.int32)
    number[areas] = np.arange(1, len(areas) + 1)
    return np.asarray(np.pad(number[label], 3), np.int32)


def _patches(colour: NDArray[np.int16]) -> I32:
    """Return connected patches of like colour, 0 on the steps between them."""
    step = np.zeros(colour.shape[:2], bool)
    step[:, 1:] |= np.abs(np.diff(colour, axis=1)).max(axis=2) > STEP
    step[1:] |= np.abs(np.diff(colour, axis=0)).max(axis=2) > STEP
    _, label = cv2.connectedComponents((~step).astype(np.uint8), connectivity=4)
    return np.asarray(label, np.int32)


def _without_crumbs(label: I32, side: int) -> I32:
    """Return the map with patches too small or too thin given to what lies nearest."""
    edge = np.ones(label.shape, np.uint8)
    edge[:, 1:] &= label[:, 1:] == label[:, :-1]
    edge[1:] &= label[1:] == label[:-1]
    depth = cv2.distanceTransform(np.pad(edge, 1), cv2.DIST_L2, 3)[1:-1, 1:-1]
    most = int(label.max()) + 1
    inner = np.zeros(most, np.float32)
    np.maximum.at(inner, label.ravel(), depth.ravel())
    size = np.bincount(label.ravel(), minlength=most)
    gone = (size < CRUMB * side**2) | (inner < CRUMB_INNER * side)
    gone[0] = True
    return filled(np.where(gone[label], 0, label).astype(np.int32))


def _alike_merged(label: I32, colour: NDArray[np.int16]) -> I32:
    """Return the map with areas joined whose colours are alike where they meet."""
    away = 4
    parent = np.arange(int(label.max()) + 1)
    for a, b, c, d in (
        (label[:, :-away], label[:, away:], colour[:, :-away], colour[:, away:]),
        (label[:-away], label[away:], colour[:-away], colour[away:]),
    ):
        meet = a != b
        low, high = np.minimum(a[meet], b[meet]), np.maximum(a[meet], b[meet])
        apart = np.abs(c[meet] - d[meet]).max(axis=1)
        key, index = np.unique(low.astype(np.int64) * len(parent) + high, return_inverse=True)
        count = np.bincount(index)
        mean = np.bincount(index, apart) / count
        for k in np.flatnonzero((mean < ALIKE) & (count > 6)).tolist():
            parent[_root(parent, int(key[k] % len(parent)))] = _root(
                parent, int(key[k] // len(parent))
            )
    return np.array([_root(parent, k) for k in range(len(parent))], np.int32)[label]


def _root(parent: NDArray[Any], k: int) -> int:
    while parent[k] != k:
        k = int(parent[k])
    return k


def line_picture(svg: str, width: int) -> U8:
    """Return the ink of line art, 0 to 255, cut to what is drawn."""
    image = rendered(svg, 2 * width)
    ink = image[..., 3].astype(np.float32) / 255
    ink *= 1 - image[..., :3].min(axis=2).astype(np.float32) / 255
    size = width, round(image.shape[0] * width / image.shape[1])
    ink = np.asarray(cv2.resize(ink, size, interpolation=cv2.INTER_AREA), np.float32)
    rows, columns = (np.flatnonzero((ink > 0.3).any(axis)) for axis in (1, 0))
    if not len(rows):
        return np.zeros((0, 0), np.uint8)
    ink = ink[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
    return np.asarray(np.round(np.pad(ink, 2) * 255), np.uint8)


def _flat(path: Path) -> list[F64] | None:
    try:
        label = area_map(path.read_text())
    except (ValueError, AssertionError):
        return None
    return None if label is None else chains(label)


def _with_pen(path: Path) -> str:
    """Return a drawing with its lines as broad as one of some pens."""
    broad = STROKES[sum(path.stem.encode()) % len(STROKES)]
    return re.sub(r'stroke-width="[0-9.]+"', f'stroke-width="{broad}"', path.read_text())


def _line(path: Path) -> U8 | None:
    width = LINE_PX.get(path.parent.name, ICON_PX)
    try:
        svg = path.read_text() if path.parent.name in LINE_PX else _with_pen(path)
        picture = line_picture(svg, width)
    except (ValueError, AssertionError):
        return None
    return picture if picture.size else None


def _whole(width: int, path: Path) -> F32:
    image = rendered(_with_pen(path), 2 * width)
    return np.asarray(cv2.resize(image[..., 3], (width, width), interpolation=cv2.INTER_AREA))


def _pair(path: Path) -> tuple[U8, U8] | None:
    """Return the same icon in broken and in closed line, or nothing if they differ otherwise."""
    broken = np.asarray(_whole(ICON_PX, path), np.uint8)
    closed = np.asarray(_whole(ICON_PX, path.parent.parent / "solar-linear" / path.name), np.uint8)
    near = cv2.dilate((closed > 127).astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
    line = broken > 127
    if (line & ~near).sum() > 0.01 * line.sum() or line.sum() < 0.6 * (closed > 127).sum():
        return None
    return broken, closed


def _png(picture: U8) -> U8:
    return np.asarray(cv2.imencode(".png", picture, [cv2.IMWRITE_PNG_COMPRESSION, 9])[1]).ravel()


def packed(
    svgs: Path, flat: tuple[str, ...], line: tuple[str, ...], pairs: int, processes: int
) -> dict[str, Any]:
    """Return all drawings of some sets, as arrays to save."""
    out: dict[str, Any] = {}
    with Pool(processes) as pool:
        for name in flat:
            paths = sorted((svgs / name).glob("*.svg"))
            paths = paths[:: max(1, round(len(paths) / MOST))]
            found = [c for c in pool.imap(_flat, paths, 8) if c]
            points = [np.concatenate(c) for c in found]
            out[f"flat/{name}/steps"] = steps_of(np.concatenate(points))
            out[f"flat/{name}/long"] = np.array([len(p) for c in found for p in c], np.uint16)
            out[f"flat/{name}/many"] = np.array([len(c) for c in found], np.uint16)
            print(name, len(found), flush=True)
        for name in line:
            paths = sorted((svgs / name).glob("*.svg"))
            paths = paths[:: max(1, round(len(paths) / MOST_FIGURES if name in LINE_PX else 1))]
            _keep(
                out, f"line/{name}", [_png(p) for p in pool.imap(_line, paths, 8) if p is not None]
            )
            print(name, len(paths), flush=True)
        if pairs:
            paths = sorted((svgs / "solar-broken").glob("*.svg"))
            both = [p for p in pool.imap(_pair, paths, 8) if p is not None]
            both = both[:: max(1, round(len(both) / pairs))]
            _keep(out, "pair/broken", [_png(p[0]) for p in both])
            _keep(out, "pair/closed", [_png(p[1]) for p in both])
            print("pairs", len(both), flush=True)
    return out


def steps_of(points: F64) -> NDArray[np.int16]:
    """Return points (N, 2) as steps from one to the next, in sixteenths of a px."""
    at = np.round(points * 16).astype(np.int16)
    return np.asarray(np.diff(at, axis=0, prepend=np.int16(0)), np.int16)


def _keep(out: dict[str, Any], name: str, files: list[U8]) -> None:
    out[f"{name}/bytes"] = np.concatenate(files)
    out[f"{name}/long"] = np.array([len(f) for f in files], np.uint32)


def main() -> None:
    """Pack the sets for fitting, and beside them those for measuring."""
    svgs, path, processes = Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3])
    cv2.setNumThreads(1)
    np.savez_compressed(path, **packed(svgs, FLAT, LINE, PAIRS, processes))
    kept_out = packed(svgs, KEPT_OUT_FLAT, KEPT_OUT_LINE, 0, processes)
    np.savez_compressed(path.with_name(path.stem + "-kept-out.npz"), **kept_out)


if __name__ == "__main__":
    main()
