"""Areas of open drawings by other hands, figures against their background, and what must hold.

Run: ``python -m tests.benchmarks.flats_data``. The drawings lie where ``INKCLEAN_DATA`` points, see
their README for origin and licence; what is not there is left out.
"""

from __future__ import annotations

import cv2
import numpy as np

from inkclean.base.arrays import F32, I32, Bool
from inkclean.flats.colour.colours import colour_areas
from inkclean.flats.find import find_flats
from inkclean.flats.values import BACKGROUND, GUTTER, Flats
from inkclean.ink.values import Ink, Pencil
from inkclean.page import Page
from inkclean.sheet.framing.frame import square_up
from inkclean.sheet.read import read_photos
from tests.data import folder
from tests.flats.pages import EASY, LOOSE, SINGLE, Troubles, make_page
from tests.flats.scores import Score, score, total

DATA = folder()
RIM_PX = 4
PX_PER_MM = {"gap": 16.0, "heads": 10.0}  # lines of 1.25 and 0.5 mm
NO_PENCIL = Pencil(False, (), 0.0, None, "none")


def drawings(kind: str) -> list[tuple[F32, I32]]:
    """Return coverage and true areas, 0 for none, of the drawings of a kind."""
    found = []
    for path in sorted((DATA / "flats" / kind).glob("*_line.png")):
        line = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
        regions = cv2.imread(str(path).replace("_line", "_regions"), cv2.IMREAD_UNCHANGED)
        assert line is not None
        assert regions is not None
        found.append((np.asarray(1 - line / 255, np.float32), np.asarray(regions, np.int32)))
    return found


def ours(coverage: F32, px_per_mm: float) -> Flats:
    """Return the flats of a drawing."""
    return find_flats(Ink(coverage, px_per_mm, NO_PENCIL))


def beside_plain(kind: str) -> tuple[Score, Score]:
    """Return our score and that of plain connected components."""
    found, plain = [], []
    for coverage, regions in drawings(kind):
        truth = regions + (kind == "gap")  # 0 is unpainted paper there
        paper = coverage < 0.5
        scale = PX_PER_MM[kind]
        labels = ours(coverage, scale).labels.astype(np.int32)
        found.append(score(labels, truth, paper, scale))
        _, label = cv2.connectedComponents(paper.astype(np.uint8), connectivity=4)
        plain.append(score(np.asarray(label, np.int32), truth, paper, scale))
    return total(found), total(plain)


def figure(flats: Flats) -> Bool:
    """Return what is neither background nor gutter."""
    outside = flats.areas["label"][np.isin(flats.areas["kind"], (BACKGROUND, GUTTER))]
    return np.asarray(~np.isin(flats.labels, outside))


def overlap(one: Bool, other: Bool, where: Bool) -> float:
    """Return intersection over union."""
    return float((one & other & where).sum() / max(1, ((one | other) & where).sum()))


def figures_of_heads() -> list[float]:
    """Return the overlap of figure and truth for each head, off the ink."""
    return [
        overlap(figure(ours(coverage, 10.0)), regions > 0, coverage < 0.5)
        for coverage, regions in drawings("heads")
    ]


def figures_of_photos() -> list[tuple[str, list[float]]]:
    """Return a photo's name and overlaps: ours and plain filling's, the same off the rim.

    Photographed drawings with the silhouette of their figure. The silhouette takes the photo's
    own way onto the sheet; the figure is every area that is not background or gutter, and the
    ink. Plain filling takes for background what the sheet's border reaches around the ink.
    The silhouettes were drawn a little wide of the ink: off the rim means farther than RIM_PX
    from their outline.
    """
    found = []
    rim = np.ones((2 * RIM_PX + 1, 2 * RIM_PX + 1), np.uint8)
    for path in sorted((DATA / "figures").glob("*_mask.png")):
        name = path.name.replace("_mask", "_photo")
        photo = next(iter(read_photos(path.with_name(name))))
        cleaned = Page(photo)
        sheet, ink = cleaned.sheet, cleaned.ink
        mask = square_up(next(iter(read_photos(path))), sheet.frame, sheet.px_per_mm)
        truth = mask.pixels[..., 1] > 127
        there = np.ones_like(truth) if mask.inside is None else mask.inside
        inked = ink.coverage >= 0.5
        _, rooms = cv2.connectedComponents((~inked).astype(np.uint8), connectivity=4)
        border = np.concatenate([rooms[0], rooms[-1], rooms[:, 0], rooms[:, -1]])
        filled = inked | ~np.isin(rooms, border)
        ours_too = figure(find_flats(ink)) | inked
        outline = cv2.morphologyEx(truth.astype(np.uint8), cv2.MORPH_GRADIENT, rim) > 0
        where = (there, there & ~outline)
        both = [overlap(each, truth, part) for part in where for each in (ours_too, filled)]
        found.append((f"{path.stem}, sheet {sheet.frame.framed}", both))
    return found


def figures_of_pages(troubles: Troubles, pages: int, first: int) -> list[float]:
    """Return the overlap of figures and truth for drawn pages, off the ink."""
    found = []
    for seed in range(first, first + pages):
        page = make_page(seed, troubles)
        truth = page.truth != page.truth[0, 0]
        found.append(overlap(figure(find_flats(page.ink)), truth, page.coverage < 0.5))
    return found


def bare_and_strange(pages: int, first: int) -> tuple[int, int]:
    """Return how many pixels have no area, and how many colours are not in the palette."""
    bare, strange = 0, 0
    for seed in range(first, first + pages):
        for troubles in (EASY, LOOSE):
            page = make_page(seed, troubles)
            flats = find_flats(page.ink)
            colouring = colour_areas(flats)
            bare += int((flats.labels == 0).sum())
            painted = colouring.palette[colouring.of_area[flats.labels]].reshape(-1, 3)
            used = np.unique(painted.astype(np.int64) @ np.array([65536, 256, 1]))
            known = colouring.palette.astype(np.int64) @ np.array([65536, 256, 1])
            strange += int((~np.isin(used, known)).sum())
    return bare, strange


def main() -> None:
    """Print every figure."""
    print("| drawings | areas | right | mean IoU | pieces | leaks |")
    print("| --- | --- | --- | --- | --- | --- |")
    for kind in PX_PER_MM:
        if not drawings(kind):
            continue
        for name, s in zip(("ours", "plain components"), beside_plain(kind), strict=True):
            print(
                f"| {kind}: {name} | {s.areas} | {s.share_right:.3f} | {s.iou:.3f} "
                f"| {s.per_area:.3f} | {s.leaks} |",
                flush=True,
            )
    kinds = {"closed": Troubles(), "gapped": SINGLE["gaps mid-stroke"]}
    for name, troubles in kinds.items():
        print(
            f"figure against background, {name}: {figures_of_pages(troubles, 3, 200)}", flush=True
        )
    print(f"figure against background, heads: {np.round(figures_of_heads(), 3)}", flush=True)
    for name, found in figures_of_photos():
        print(f"figure against background, {name}: ours, plain {np.round(found, 3)}", flush=True)
    bare, strange = bare_and_strange(2, 200)
    print(f"bare pixels: {bare}; colours outside the palette: {strange}")


if __name__ == "__main__":
    main()
