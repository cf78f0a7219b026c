"""Pages that the edge network is fitted on: drawn, photographed or scanned, and cut by light.

Run: ``python -m tests.fitting.edges.pages SVGS SEED COUNT OUT`` (resvg-py), with ``judged`` at the
end for pages of drawings that were kept out. Half of the pages are the demo's drawing of other
seeds, half are drawings by other hands, SVGS as ``tests/fitting/areas/svgs.mjs`` writes them:
``peeps`` (Open Peeps by Pablo Stanley) and ``notion`` (Notionists by Zoish), both CC0,
``phosphor`` (Phosphor Icons, MIT) and ``solar-linear`` (Solar by 480 Design, CC BY 4.0). Camera,
scanner, paper, light, ink and pencil differ from page to page. Lorelei, Iconoir and Tabler are left
out: what is fitted is judged on them. OUT is a folder that gets, a shot a file, for pixels beside
the ink's edge, what light says around them and what is true.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import resvg_py

from inkclean.base.arrays import F32, I64, U8
from inkclean.base.units import Paper
from inkclean.demo.camera.conditions import Conditions
from inkclean.demo.camera.shot import SCANNER, Shot, photograph, scan
from inkclean.demo.drawing.page import INKS, PENCILS, DrawnPage, Style, draw
from inkclean.ink.cut import by_light
from inkclean.ink.edges import REACH_PX, beside_edges, lone, looks
from inkclean.ink.seen.places import find_places
from inkclean.page import Page
from inkclean.sheet.values import Photo
from tests.scoring.score import align_sheet, true_frame

SETS = ("peeps", "notion", "phosphor", "solar-linear")
KEPT_OUT = ("lorelei", "iconoir", "tabler")
PAPER = Paper("small", 74.0, 105.0)
FIRST_SEED = 5000  # of pages; the cases that are measured have others
SHOTS = 2  # photos or scans of each page
A_SHOT = 50_000  # px of each that are kept
# Where light is further off than this it lost or made up a stroke: no edge to settle.
LOST = 0.6
EDGE_SLOPE = 0.5  # of the share of ink that is asked for, per px
DARK = 0.4  # what is darker in all channels is drawn in ink


def drawn(svgs: Path, seed: int, sets: tuple[str, ...]) -> DrawnPage:
    """Return a page with an underdrawing, inked by the demo's hand or, of ``sets``, by others'."""
    rng = np.random.default_rng(seed)
    pencil = str(rng.choice(list(PENCILS)))
    style = Style(hatch_mm=rng.uniform(0.15, 0.3), wobble=rng.uniform(0.3, 1.5))
    page = draw(PAPER, seed, pencil, "black", style)
    tint = rng.uniform(0.02, 0.12) * np.array([1.0, 1.0, rng.uniform(1.0, 1.3)])
    if rng.random() < 0.15:
        tint = np.array(INKS["blue"])
    page = replace(page, ink_rgb=(float(tint[0]), float(tint[1]), float(tint[2])))
    if rng.random() < 0.5 and sets == SETS:
        return page
    none = np.zeros((0, 4), np.float32)
    return replace(page, ink=_inked(svgs, page.ink.shape, rng, sets), hatching=none)


def _inked(
    svgs: Path, shape: tuple[int, ...], rng: np.random.Generator, sets: tuple[str, ...]
) -> F32:
    ink = np.zeros(shape, np.float32)
    for _ in range(rng.integers(6, 20)):
        chosen = str(rng.choice(sets))
        files = sorted((svgs / chosen).glob("*.svg"))
        large = chosen in ("peeps", "notion", "lorelei")
        side = int(rng.uniform(500, 1300) if large else rng.uniform(120, 520))
        mark = _mark(files[rng.integers(len(files))].read_text(), side)
        turn = cv2.getRotationMatrix2D((side / 2, side / 2), rng.uniform(0, 360), 1)
        mark = np.asarray(cv2.warpAffine(mark, turn, (side, side)), np.float32)
        top, left = (int(rng.integers(60, length - side - 60)) for length in shape)
        part = ink[top : top + side, left : left + side]
        np.maximum(part, mark, out=part)
    return ink


def _mark(svg: str, side: int) -> F32:
    data = resvg_py.svg_to_bytes(svg_string=svg, width=side, height=side)
    pixels = cv2.imdecode(np.frombuffer(bytes(data), np.uint8), cv2.IMREAD_UNCHANGED)
    assert pixels is not None
    alpha = pixels[..., 3].astype(np.float32) / 255
    light = pixels[..., :3].astype(np.float32).max(axis=2) / 255
    mark = np.zeros((side, side), np.float32)
    part = (alpha * (light < DARK))[:side, :side]
    mark[: part.shape[0], : part.shape[1]] = part
    return mark


def taken(page: DrawnPage, seed: int) -> Shot:
    """Return a photo or a scan of the page under conditions drawn by chance."""
    rng = np.random.default_rng(seed + 7)
    quality = int(rng.integers(80, 98))
    noisy = float(np.exp(rng.uniform(np.log(0.4), np.log(4))))
    if rng.random() < 0.25:
        scanner = replace(
            SCANNER,
            blur_px=rng.uniform(0.45, 0.9),
            sharpen=rng.uniform(0, 0.5),
            shot=2e-5 * noisy,
            jpeg_quality=quality,
            seed=seed,
        )
        dpi = float(rng.choice([240, 300, 300, 400]))
        return scan(page, dpi, grey=rng.random() < 0.4, conditions=scanner)
    high = int(rng.uniform(1000, 1900))
    conditions = Conditions(
        width_px=high * 3 // 4,
        height_px=high,
        tilt=rng.uniform(0, 12),
        tilt_toward=rng.uniform(0, 360),
        turn=rng.uniform(-6, 6),
        dust=20,
        tint=str(rng.choice(["white", "white", "cream", "grey"])),
        light_ratio=rng.uniform(1.1, 3.0),
        light_from=rng.uniform(0, 360),
        exposure=rng.uniform(0.6, 0.92),
        blur_px=rng.uniform(0.55, 1.6),
        shot=1.5e-4 * noisy,
        read=0.002 * noisy**0.5,
        chroma_soft_px=rng.uniform(0, 1.5),
        contrast=rng.uniform(0, 0.2),
        sharpen=rng.uniform(0, 0.5),
        jpeg_quality=quality,
        seed=seed,
    )
    return photograph(page, conditions)


def samples(page: DrawnPage, shot: Shot) -> tuple[U8, F32]:
    """Return what light says (N, …) around px beside the edge, as ``looks``, and the truth (N,)."""
    given = {"photo": Photo(shot.pixels, None, "page"), "frame": true_frame(page, shot)}
    made = Page(given=given, keep=("grey", "blur_px"))
    made.bring("grey", "blur_px", "sheet")
    grey, blur_px, sheet = made.get("grey"), made.get("blur_px"), made.sheet
    places = find_places(grey.ink, grey.px_per_mm)
    share = by_light(grey, places, sheet.noise, blur_px)
    high, wide = share.shape
    size = (4 * high, 4 * wide)
    scale = sheet.px_per_mm
    aligned = align_sheet(page, shot, sheet.frame, (high, wide), scale, 4 * scale, size)
    truth = distance_share(aligned.ink)
    at = beside_edges(share)
    inside = np.zeros(share.shape, np.bool_)
    rim = 8 + REACH_PX
    inside[rim:-rim, rim:-rim] = True
    at = at[inside.ravel()[at]]
    said, true = share.ravel()[at], np.asarray(truth, np.float32).ravel()[at]
    at = at[np.abs(said - true) < LOST]
    chosen: I64 = np.random.default_rng(0).permutation(len(at))[:A_SHOT]
    at, seen = looks(share, at[chosen], blur_px)
    drawn = ~lone(seen)
    return seen[:, drawn].T, np.asarray(truth, np.float32).ravel()[at[drawn]]


def distance_share(fine: F32) -> F32:
    """Return (H, W) the share that puts the edge at its place, from ink (4H, 4W).

    It falls by ``EDGE_SLOPE`` per px of distance to the true edge, so that its half level,
    read bilinearly, lies there along thin lines too.
    """
    soft = np.asarray(cv2.GaussianBlur(fine, (0, 0), 1.0), np.float32)
    across = cv2.Sobel(soft, cv2.CV_32F, 1, 0, ksize=3, scale=1 / 8)
    down = cv2.Sobel(soft, cv2.CV_32F, 0, 1, ksize=3, scale=1 / 8)
    near = (soft - np.float32(0.5)) / np.maximum(cv2.magnitude(across, down), np.float32(1e-3))
    ink = (fine >= np.float32(0.5)).view(np.uint8)
    away = cv2.distanceTransform(ink, cv2.DIST_L2, 5) - cv2.distanceTransform(
        1 - ink, cv2.DIST_L2, 5
    )
    distance = np.where(np.abs(near) < 1.5, near, away)
    centre = (
        distance[1::4, 1::4] + distance[2::4, 1::4] + distance[1::4, 2::4] + distance[2::4, 2::4]
    )
    return np.asarray(np.clip(0.5 + EDGE_SLOPE / 16 * centre, 0, 1), np.float32)


def main(svgs: Path, seed: int, count: int, out: Path, *, sets: tuple[str, ...] = SETS) -> None:
    """Keep what is seen and true of so many pages."""
    out.mkdir(exist_ok=True)
    for number in range(FIRST_SEED + seed, FIRST_SEED + seed + count):
        page = drawn(svgs, number, sets)
        for shot in range(SHOTS):
            seen, true = samples(page, taken(page, 1000 * shot + number))
            np.savez(out / f"{number}-{shot}.npz", seen=seen, true=true)


if __name__ == "__main__":
    kept_out = sys.argv[5:] == ["judged"]
    main(
        Path(sys.argv[1]),
        int(sys.argv[2]),
        int(sys.argv[3]),
        Path(sys.argv[4]),
        sets=KEPT_OUT if kept_out else SETS,
    )
