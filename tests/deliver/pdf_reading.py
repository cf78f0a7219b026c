"""PDF files read back with libraries other than the writer's parts under test."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pikepdf
import pypdfium2

from inkclean.base.arrays import F64


def darkness(path: Path, px_per_mm: float, page: int = 0) -> F64:
    """Return a page as pypdfium2 draws it, 0 = paper, 1 = as dark as its black gets."""
    document = pypdfium2.PdfDocument(path)
    try:
        # a hair less, so that a page of whole pixels is not rounded up to one more
        scale = px_per_mm * 25.4 / 72 * (1 - 1e-6)
        grey = np.asarray(document[page].render(scale=scale, grayscale=True).to_numpy())
    finally:
        document.close()
    level = 255.0 - grey.reshape(grey.shape[:2])
    # black ink alone (K) is shown as a very dark grey
    return np.asarray(level / max(float(level.max()), 1.0), np.float64)


def operators(page: pikepdf.Page) -> list[tuple[str, list[float]]]:
    """Return the page's operators in order, numeric operands as floats."""
    return [
        (
            str(step.operator),
            [float(v) for v in step.operands if not isinstance(v, (pikepdf.Object, str))],
        )
        for step in pikepdf.parse_content_stream(page)
    ]


def box_mm(page: pikepdf.Page, name: str) -> list[float]:
    """Return a box of the page in mm: left, bottom, right, top."""
    return [float(side) * 25.4 / 72 for side in page.obj[f"/{name}"]]


def every_key(document: pikepdf.Pdf) -> set[str]:
    """Return all dictionary keys of the file."""
    keys: set[str] = set()

    def walk(item: object) -> None:
        if isinstance(item, (pikepdf.Dictionary, pikepdf.Stream)):
            for key in item.keys():  # noqa: SIM118
                keys.add(key)
                if key not in ("/Parent", "/P"):
                    value = item[key]
                    if not (isinstance(value, pikepdf.Object) and value.is_indirect):
                        walk(value)
        elif isinstance(item, pikepdf.Array):
            for value in item:
                if not (isinstance(value, pikepdf.Object) and value.is_indirect):
                    walk(value)

    for held in document.objects:
        walk(held)
    return keys
