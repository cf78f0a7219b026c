"""Packs drawings by other hands, and fonts, for the pages that lettering is fitted on.

Run: ``python -m tests.fitting.lettering.art SVGS PACKAGES ART.npz FONTS`` (resvg-py, fonttools).
SVGS holds the folders of SVG files of ``tests/fitting/areas/svgs.mjs``, PACKAGES the folder
``node_modules`` with the packages ``@fontsource/NAME`` of the fonts below.

| set | by | licence |
| --- | --- | --- |
| peeps | Pablo Stanley | CC0 |
| croodles | vijay verma | CC BY 4.0 |
| phosphor | Phosphor Icons | MIT |
| tabler | Paweł Kuna | MIT |
| lucide | Lucide contributors | ISC |
| hugeicons | Hugeicons | MIT |

Notionists, Lorelei (CC0) and Iconoir (MIT) are kept out, and so are all of Debian's fonts that
``tests/benchmarks/lettering.py`` names: what is fitted is judged on them. The fonts are under the
SIL Open Font License 1.1, those marked * under the Apache License 2.0. The demo's alphabet of
strokes is there too.
"""

from __future__ import annotations

import re
import sys
from pathlib import Path

import cv2
import numpy as np
import resvg_py
from fontTools.ttLib import TTFont

from inkclean.base.arrays import U8

FONTS = (
    "amatic-sc annie-use-your-telescope architects-daughter balsamiq-sans bangers bubblegum-sans "
    "caveat caveat-brush cedarville-cursive chewy* creepster delius gloria-hallelujah handlee "
    "happy-monkey indie-flower knewave lilita-one luckiest-guy* marck-script neucha pacifico "
    "patrick-hand permanent-marker* reenie-beanie satisfy* schoolbell* shadows-into-light "
    "shantell-sans short-stack spicy-rice sriracha sue-ellen-francisco titan-one"
)
# Only what tells balloons was fitted on these too.
MORE_FONTS = (
    "bad-script cabin-sketch fredericka-the-great homemade-apple* nanum-pen-script parisienne "
    "sacramento yellowtail*"
)
# Of each set so many drawings, so many px a side.
SETS = {
    "peeps": (160, 900),
    "croodles": (120, 700),
    "phosphor": (350, 360),
    "tabler": (500, 360),
    "lucide": (350, 360),
    "hugeicons": (350, 360),
}
KEPT_OUT = {"notion": (120, 800), "lorelei": (120, 700), "iconoir": (350, 360)}
DARK = 0.4  # what is darker in all channels is drawn in ink
# Signs that show letters or figures, by their names.
WRITTEN = re.compile(
    "letter|text|font|type|number|abc|alpha|hash|case|question|exclam|info|dollar|currency|euro|"
    "yen|copyright|registered|trademark|^at|parking|asterisk|percent|plus|minus|^x|math|file|"
    "brand|html|gif|pdf|hd|^cc|4k|sum|sigma|omega|roman|play|rating|time-|clock-hour|^[a-z]-|seo|"
    "sql|vip|ticket|code|api|3d|tag|http|bitcoin|circle-[a-z]$|square-[a-z]|exposure|temperature|"
    "logo|iq|badge|license|signal-|wifi|multiplier|ruble|rupee|pound|ad|bold|italic|underline|"
    "heading|^h-|key|keyboard|translate|language|signature|subtitles|barcode|quotes|note"
)


def mask_of(svg: str, side: int) -> U8:
    """Return what is dark in a drawing, cropped, 0 and 1."""
    data = resvg_py.svg_to_bytes(svg_string=svg, width=side, height=side)
    pixels = cv2.imdecode(np.frombuffer(bytes(data), np.uint8), cv2.IMREAD_UNCHANGED)
    assert pixels is not None
    alpha = pixels[..., 3:].astype(np.float32) / 255
    shown = pixels[..., :3].astype(np.float32) / 255 * alpha + 1 - alpha
    mask = (shown.max(axis=2) < DARK).astype(np.uint8)
    x, y, width, height = cv2.boundingRect(mask)
    return mask[y : y + height, x : x + width]


def pack(svgs: Path, sets: dict[str, tuple[int, int]], out: Path) -> None:
    """Pack drawings of ``sets`` as bits."""
    masks: list[U8] = []
    kinds: list[int] = []
    for number, (name, (most, side)) in enumerate(sets.items()):
        files = [p for p in sorted((svgs / name).glob("*.svg")) if not WRITTEN.search(p.stem)]
        own = [mask_of(path.read_text(), side) for path in files[:most]]
        masks += [mask for mask in own if mask.size and mask.sum() > 0.003 * side * side]
        kinds += [number] * (len(masks) - len(kinds))
    bits = [np.packbits(mask) for mask in masks]
    np.savez(
        out,
        bits=np.concatenate(bits),
        starts=np.concatenate([[0], np.cumsum([len(b) for b in bits])]),
        shapes=np.array([mask.shape for mask in masks]),
        kinds=np.array(kinds),
    )


def unpack_fonts(packages: Path, out: Path) -> None:
    """Write the fonts as files that FreeType opens on any machine."""
    out.mkdir(exist_ok=True)
    for name in f"{FONTS} {MORE_FONTS}".replace("*", "").split():
        for path in sorted((packages / "@fontsource" / name / "files").glob("*.woff")):
            weight = "[47]00" if name in FONTS else "400"
            if re.fullmatch(rf"{name}-latin-{weight}-normal\.woff", path.name):
                font = TTFont(path)
                font.flavor = None
                font.save(out / f"{path.stem}.ttf")


def main() -> None:
    """Pack."""
    svgs, packages, art, fonts = (Path(word) for word in sys.argv[1:])
    pack(svgs, SETS, art)
    pack(svgs, KEPT_OUT, art.with_name("kept-out.npz"))
    unpack_fonts(packages, fonts)


if __name__ == "__main__":
    main()
