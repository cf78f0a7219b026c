"""A page of 20 000 shapes: opened by a browser, read alike by two independent libraries.

The browser is Debian's Chromium; the libraries are svgelements and svgpathtools. The page is
invented for the test: dots in rows, whose number and area are known.
"""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
import svgelements
import svgpathtools
from PIL import Image
from playwright.sync_api import Browser

from inkclean.base.arrays import F32
from inkclean.curves.trace import trace
from inkclean.deliver.vector.svg import write_svg
from tests.desk.hands import needs_chromium

PX_PER_MM, ACROSS, DOWN, STEP, RADIUS = 12.0, 160, 125, 12, 3.2


def _dots() -> F32:
    """Return the area that discs of one radius cover of each pixel, by 8 by 8 samples."""
    fine = (np.arange(STEP * 8) + 0.5) / 8 - STEP / 2
    disc = np.hypot(fine[:, None], fine) < RADIUS
    cell = disc.reshape(STEP, 8, STEP, 8).mean(axis=(1, 3)).astype(np.float32)
    return np.tile(cell, (DOWN, ACROSS))


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("many") / "page.svg"
    write_svg(trace(_dots(), PX_PER_MM), path, title="dots", description="20 000 of them")
    return path


@pytest.mark.slow
def test_two_libraries_read_the_same_shapes(page: Path) -> None:
    paths, _ = svgpathtools.svg2paths(str(page))
    shapes = [shape for shape in svgelements.SVG.parse(str(page)).elements() if _is_path(shape)]
    assert len(paths) == len(shapes) == ACROSS * DOWN
    scale = svgelements.SVG.parse(str(page)).width / (ACROSS * STEP / PX_PER_MM)
    for one, other in list(zip(paths, shapes, strict=True))[::997]:
        left, right, top, bottom = one.bbox()
        box = np.array(other.bbox()) / scale
        assert np.allclose(box, [left, top, right, bottom], atol=1e-3)
        assert (right - left) / 2 * PX_PER_MM == pytest.approx(RADIUS, abs=0.05)


def _is_path(shape: object) -> bool:
    return isinstance(shape, svgelements.Path)


@pytest.mark.slow
@needs_chromium
def test_a_browser_shows_them_all(page: Path, browser: Browser) -> None:
    wide, tall = ACROSS * STEP, DOWN * STEP
    tab = browser.new_page(viewport={"width": wide, "height": tall})
    faults: list[str] = []
    tab.on("console", lambda said: faults.append(said.text))
    tab.on("pageerror", lambda error: faults.append(str(error)))
    # the sheet fills the window: one px of the screen is one of the coverage
    tab.set_content(
        f"<style>*{{margin:0}}img{{display:block}}</style><img width={wide} height={tall}>"
    )
    tab.evaluate(
        "async text => { const shown = document.images[0];"
        "shown.src = URL.createObjectURL(new Blob([text], {type: 'image/svg+xml'}));"
        "await shown.decode(); }",
        page.read_text("utf-8"),
    )
    picture = Image.open(io.BytesIO(tab.screenshot())).convert("L")
    tab.close()
    assert not faults
    ink = 1.0 - np.asarray(picture, np.float32) / 255.0
    cells = ink.reshape(DOWN, STEP, ACROSS, STEP).sum(axis=(1, 3))
    # every dot is there, as large as it was drawn; the browser rounds edges to some levels
    assert cells.min() > 0.93 * np.pi * RADIUS**2
    assert cells.max() < 1.07 * np.pi * RADIUS**2
