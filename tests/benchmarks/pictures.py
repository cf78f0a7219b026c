"""The pictures of the README, made from the demo: ``python -m tests.benchmarks.pictures [desk]``.

With the word ``desk`` only the picture of the desk is made. It needs Debian's ``chromium``.
"""

from __future__ import annotations

import io
import sys
import tempfile
import zipfile
from pathlib import Path

import cv2
import numpy as np
import resvg_py
from click.testing import CliRunner
from PIL import Image
from playwright.sync_api import sync_playwright

from inkclean.cli.demo import shoot
from inkclean.cli.main import main as command
from inkclean.sheet.framing.frame import find_frame, to_photo
from inkclean.sheet.read import read_photos
from tests.desk.hands import CHROMIUM, FLAGS, Table, drawn, reached, station

FOLDER = Path(__file__).parents[2] / "fixtures" / "pictures"
NAME = "lamp-heron"
# left, top and side of the detail, in mm of the sheet
DETAIL_MM = (136.5, 126.0, 16.0)
WIDE, TILE = 560, 420
TABLET = (1024, 768)


def main() -> None:
    """Run the demo in a folder of its own and write the pictures."""
    FOLDER.mkdir(parents=True, exist_ok=True)
    if "desk" not in sys.argv[1:]:
        _of_the_page()
    _of_the_desk()


def _of_the_desk() -> None:
    """Write the desk as a tablet shows it, the demo photo beside its ink."""
    with tempfile.TemporaryDirectory() as name, sync_playwright() as player:
        shoot(Path(name) / "heron.jpg", False)
        browser = player.chromium.launch(executable_path=str(CHROMIUM), args=FLAGS)
        table = Table(Path(name), browser)
        table.start_here()
        tab = table.tab(TABLET, touch=True)
        tab.set_default_timeout(300_000)  # a busy machine takes its time
        tab.get_by_role("button", name="heron", exact=True).click()
        station(tab, "Ink")
        reached(tab, "marks")
        drawn(tab)
        tab.screenshot(path=FOLDER / "desk.png")
        tab.context.close()
        table.stop()
        browser.close()
    with Image.open(FOLDER / "desk.png") as shown:
        shown.convert("RGB").save(FOLDER / "desk.jpg", quality=85)
    (FOLDER / "desk.png").unlink()


def _of_the_page() -> None:
    """Write photo, ink, flats and a detail of the three."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        ran = CliRunner().invoke(command, ["demo", str(folder), "--quiet"])
        if ran.exit_code:
            raise SystemExit(ran.output)
        with Image.open(folder / f"{NAME}.jpg") as photo:
            _small(photo.convert("RGB")).save(FOLDER / "photo.jpg", quality=85)
        with Image.open(folder / f"{NAME}.ink.png") as ink:
            _small(ink.convert("L")).quantize(16).save(FOLDER / "ink.png", optimize=True)
        with zipfile.ZipFile(folder / f"{NAME}.ora") as layers:
            flats = Image.open(io.BytesIO(layers.read("mergedimage.png"))).convert("RGB")
        _small(flats).save(FOLDER / "flats.jpg", quality=85)
        tiles = [_photo_detail(folder), _ink_detail(folder), _curves_detail(folder)]
    row = np.full((TILE, 3 * TILE + 24, 3), 255, np.uint8)
    for number, tile in enumerate(tiles):
        left = number * (TILE + 12)
        row[:, left : left + TILE] = np.asarray(tile.convert("RGB"))
    Image.fromarray(row).quantize(64).save(FOLDER / "detail.png", optimize=True)


def _small(picture: Image.Image) -> Image.Image:
    high = round(picture.height * WIDE / picture.width)
    return picture.resize((WIDE, high), Image.Resampling.LANCZOS)


def _photo_detail(folder: Path) -> Image.Image:
    photo = next(read_photos(folder / f"{NAME}.jpg"))
    left, top, side = DETAIL_MM
    corners = np.array([[0, 0], [side, 0], [side, side], [0, side]]) + np.array([left, top])
    here = to_photo(find_frame(photo), corners).astype(np.float32) - np.float32(0.5)
    there = np.array([[0, 0], [TILE, 0], [TILE, TILE], [0, TILE]], np.float32) - np.float32(0.5)
    turn = cv2.getPerspectiveTransform(here, there)
    cut = cv2.warpPerspective(photo.pixels, turn, (TILE, TILE), flags=cv2.INTER_NEAREST)
    return Image.fromarray(np.asarray(cut, np.uint8))


def _ink_detail(folder: Path) -> Image.Image:
    scale = 600 / 25.4
    box = [round(value * scale) for value in DETAIL_MM]
    with Image.open(folder / f"{NAME}.ink.png") as ink:
        part = ink.convert("L").crop((box[0], box[1], box[0] + box[2], box[1] + box[2]))
    return part.resize((TILE, TILE), Image.Resampling.NEAREST)


def _curves_detail(folder: Path) -> Image.Image:
    left, top, side = DETAIL_MM
    text = (folder / f"{NAME}.svg").read_text("utf-8")
    start = text.index('viewBox="')
    text = (
        text[:start]
        + f'viewBox="{left} {top} {side} {side}"'
        + text[text.index('"', start + 9) + 1 :]
    )
    for word in ("width", "height"):
        start = text.index(f'{word}="', text.index("<svg"))
        text = (
            text[:start] + f'{word}="{TILE}"' + text[text.index('"', start + len(word) + 2) + 1 :]
        )
    drawn = Image.open(io.BytesIO(bytes(resvg_py.svg_to_bytes(svg_string=text))))
    page = Image.new("RGBA", drawn.size, "white")
    page.alpha_composite(drawn.convert("RGBA"))
    return page


if __name__ == "__main__":
    main()
