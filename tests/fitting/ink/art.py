"""Packs drawings by other hands, and fonts, for the pages that the ink network is fitted on.

Run: ``python -m tests.fitting.ink.art SOURCES FONTS OUT [kept]`` (resvg-py, fonttools). SOURCES
holds a folder a set: loose SVG files (``peeps``: Open Peeps by Pablo Stanley, ``notion``:
Notionists by Zoish, both CC0; ``croodles``: Croodles by Vijay Verma, CC BY 4.0), or an icon
collection as JSON with a body for each name (``ph``: Phosphor, MIT; ``solar``: Solar by 480
Design, CC BY 4.0; ``streamline-freehand``: Freehand by Streamline, CC BY 4.0; ``game-icons``:
Game-icons by Lorc, Delapouite and contributors, CC BY 3.0). FONTS holds WOFF files under the
OFL or Apache licence, as npm's ``@fontsource`` packages have them.
Lorelei, Big Ears, Tabler, the Hershey letters, KanjiVG and the fonts of ``LEFT_OUT`` have no
part: what is fitted is judged on them; ``kept`` packs Lorelei, Big Ears, Tabler and those fonts.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import cv2
import numpy as np
import resvg_py
from fontTools.ttLib import TTFont

from inkclean.base.arrays import U8

LEFT_OUT = (
    *("mrs-saint-delafield", "covered-by-your-grace", "gochi-hand", "caveat", "dancing-script"),
    *("gentium-book-plus", "sorts-mill-goudy", "herr-von-muellerhoff"),
)
# Of each set so many drawings, so many px a side.
SETS = {
    "peeps": (200, 640),
    "notion": (200, 640),
    "croodles": (120, 512),
    "ph": (400, 320),
    "solar": (500, 320),
    "streamline-freehand": (800, 448),
    "game-icons": (450, 448),
}
KEPT_SETS = {"lorelei": (50, 640), "ears": (50, 640), "tabler": (120, 320)}
DARK = 0.4  # what is darker in all channels is drawn in ink


def mask_of(svg: str, side: int) -> U8:
    """Return (side, side) uint8, 1 where the drawing is dark."""
    data = resvg_py.svg_to_bytes(svg_string=svg, width=side, height=side)
    pixels = cv2.imdecode(np.frombuffer(bytes(data), np.uint8), cv2.IMREAD_UNCHANGED)
    assert pixels is not None
    alpha = pixels[..., 3:].astype(np.float32) / 255
    shown = pixels[..., :3].astype(np.float32) / 255 * alpha + 1 - alpha
    mask = (shown.max(axis=2) < DARK).astype(np.uint8)
    whole = np.zeros((side, side), np.uint8)
    whole[: mask.shape[0], : mask.shape[1]] = mask[:side, :side]
    return whole


def drawings(folder: Path, most: int, rng: np.random.Generator) -> list[str]:
    """Return SVG texts of a set, at most so many, chosen at random."""
    packed = folder / "package" / "icons.json"
    if not packed.exists():
        files = sorted(folder.glob("**/*.svg"))
        return [p.read_text() for p in (files[k] for k in rng.permutation(len(files))[:most])]
    icons = json.loads(packed.read_text())
    names = sorted(n for n in icons["icons"] if "duotone" not in n)
    texts = []
    for name in rng.permutation(names)[:most]:
        icon = icons["icons"][name]
        wide = icon.get("width", icons.get("width", 16))
        high = icon.get("height", icons.get("height", 16))
        body = icon["body"].replace("currentColor", "#000")
        texts.append(
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {wide} {high}">{body}</svg>'
        )
    return texts


def pack(sources: Path, fonts: Path, out: Path, *, kept: bool = False) -> None:
    """Write ``art.npz`` (packed masks) and the fonts as TTF into ``out``; or what is kept out."""
    rng = np.random.default_rng(5)
    out.mkdir(parents=True, exist_ok=True)
    bits, sides, kinds = [], [], []
    for kind, (name, (most, side)) in enumerate((KEPT_SETS if kept else SETS).items()):
        for svg in drawings(sources / name, most, rng):
            mask = mask_of(svg, side)
            if 0.01 < mask.mean() < 0.75:
                bits.append(np.packbits(mask.ravel()))
                sides.append(side)
                kinds.append(kind)
        print(name, kinds.count(kind), flush=True)
    np.savez_compressed(
        out / "art.npz",
        bits=np.concatenate(bits),
        sides=np.array(sides, np.int32),
        kinds=np.array(kinds, np.uint8),
    )
    for path in sorted(fonts.glob("**/*-latin-400-normal.woff")):
        if path.name.startswith(LEFT_OUT) == kept:
            font = TTFont(path)
            font.flavor = None
            font.save(out / f"{path.name.split('-latin')[0]}.ttf")


if __name__ == "__main__":
    pack(Path(sys.argv[1]), Path(sys.argv[2]), Path(sys.argv[3]), kept=sys.argv[4:] == ["kept"])
