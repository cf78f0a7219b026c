"""The SVG shown by resvg, and its paths drawn by a PDF renderer, against the bitmap.

resvg (resvg-py) reads the file itself. pdfium (pypdfium2) knows nothing of SVG: it draws the
same file's paths, read by svgelements, put on a PDF page by reportlab.
"""

from __future__ import annotations

import io
from pathlib import Path

import cv2
import numpy as np
import pypdfium2
import pytest
import resvg_py
import svgelements
from reportlab.pdfgen.canvas import Canvas

from inkclean.base.arrays import F32
from inkclean.base.units import MM_PER_PT
from inkclean.curves.trace import trace
from inkclean.deliver.vector.svg import write_svg
from tests.curves.raster import circle, coverage_of, flatten
from tests.curves.shapes import letter, star

PX_PER_MM = 10.0
HEIGHT, WIDTH = 220, 420


@pytest.fixture(scope="module")
def coverage() -> F32:
    loops = []
    for nth, character in enumerate("aRg&"):
        for loop in letter(character, 110, 0.05, (10 + 92 * nth, 110)):
            loops.append(flatten(loop, 16))
    loops += [star(5, 28, 11, (60, 180)), circle(140, 180, 25), circle(140, 180, 17, hole=True)]
    loops += [circle(200 + 12 * n, 180, 0.8 + 0.5 * n) for n in range(8)]
    loops.append(np.array([[310, 160.3], [410, 160.3], [410, 162.1], [310, 162.1]]))
    return coverage_of(loops, HEIGHT, WIDTH)


@pytest.fixture(scope="module")
def drawing(coverage: F32, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("svg") / "page.svg"
    write_svg(trace(coverage, PX_PER_MM), path, title="page", description="")
    return path


def _agree(shown: F32, coverage: F32) -> None:
    assert shown.shape == coverage.shape
    off = np.abs(shown - coverage)
    edge = (coverage > 0.002) & (coverage < 0.998)
    # Renderers round areas to a few levels of grey: resvg, given the true outlines themselves
    # as polygons, is 0.031 off these areas, and 0.0014 of the pixels fall on the other side.
    assert off[edge].mean() < 0.05
    assert off[~edge].mean() < 0.0005
    assert ((shown > 0.5) != (coverage > 0.5)).mean() < 0.002


def test_resvg_shows_the_ink(drawing: Path, coverage: F32) -> None:
    png = resvg_py.svg_to_bytes(
        svg_path=str(drawing), background="white", dpi=PX_PER_MM * 25.4, skip_system_fonts=True
    )
    picture = cv2.imdecode(np.frombuffer(bytes(png), np.uint8), cv2.IMREAD_GRAYSCALE)
    assert picture is not None
    _agree((1.0 - np.asarray(picture) / 255.0).astype(np.float32), coverage)


def test_pdfium_draws_the_same_paths(drawing: Path, coverage: F32) -> None:
    memory = io.BytesIO()
    canvas = Canvas(memory, (WIDTH / PX_PER_MM / MM_PER_PT, HEIGHT / PX_PER_MM / MM_PER_PT))
    canvas.scale(1 / MM_PER_PT, 1 / MM_PER_PT)
    for shape in svgelements.SVG.parse(str(drawing), ppi=25.4).elements():
        if isinstance(shape, svgelements.Path):
            path = canvas.beginPath()
            for piece in shape:
                points = [c for p in list(piece)[1:] if p is not None
                          for c in (p.x, HEIGHT / PX_PER_MM - p.y)]  # fmt: skip
                if isinstance(piece, svgelements.Move):
                    path.moveTo(piece.end.x, HEIGHT / PX_PER_MM - piece.end.y)
                elif isinstance(piece, svgelements.CubicBezier):
                    path.curveTo(*points)
                elif isinstance(piece, svgelements.Close):
                    path.close()
                else:
                    path.lineTo(*points)
            canvas.drawPath(path, stroke=0, fill=1, fillMode=0)
    canvas.save()
    page = pypdfium2.PdfDocument(memory.getvalue())[0]
    picture = page.render(scale=PX_PER_MM * MM_PER_PT, grayscale=True).to_numpy()
    _agree((1.0 - picture.reshape(HEIGHT, WIDTH) / 255.0).astype(np.float32), coverage)
