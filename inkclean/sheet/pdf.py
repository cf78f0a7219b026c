"""Pages of a PDF as photos."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from inkclean.base.arrays import U8
from inkclean.base.errors import InputError
from inkclean.sheet.budget import check_budget
from inkclean.sheet.values import Photo

# A page that holds no picture is drawn at the usual resolution of a scan.
DRAWN_PPI = 300.0
# A picture that covers less of the page than this is a logo or a stamp, not the scan.
SMALL_SHARE = 0.05
# Pages whose pictures are finer than any scanner resolves are drawn at this at most.
FINEST_PPI = 2400.0
_IMAGE = 3  # FPDF_PAGEOBJ_IMAGE
_TEXT = 1  # FPDF_PAGEOBJ_TEXT


@dataclass(frozen=True)
class _Placed:
    """A picture on a page: the object, its size in px, and the matrix that places it, in pt."""

    item: Any
    width: int
    height: int
    matrix: tuple[float, ...]

    @property
    def size_pt(self) -> tuple[float, float]:
        a, b, c, d = self.matrix[:4]
        return math.hypot(a, b), math.hypot(c, d)

    @property
    def ppi(self) -> float:
        across, down = self.size_pt
        return 72.0 * max(self.width / max(across, 1e-6), self.height / max(down, 1e-6))

    @property
    def upright(self) -> bool:
        """Neither turned, mirrored nor stretched by the page."""
        a, b, c, d = self.matrix[:4]
        across, down = self.size_pt
        square = abs(self.width * down - self.height * across) < 0.01 * self.width * down
        return a > 0 and d > 0 and abs(b) + abs(c) < 1e-3 * (a + d) and square


def page_photos(path: Path, budget_mp: float) -> Iterator[Photo]:
    """Yield each page as a photo.

    A page that consists of one upright picture gives that picture, unresampled, at the
    resolution at which the page places it. A page of several pictures (strips, layers,
    masks), or one that turns its picture, is drawn at the resolution of the finest of them.
    A page without any picture is drawn at 300 px per inch, since a drawing made of curves
    is as welcome as a scan.

    Raises:
        InputError: the file is damaged or locked, or a page is beyond ``budget_mp``.
    """
    import pypdfium2

    try:
        document = pypdfium2.PdfDocument(path)
        count = len(document)
    except Exception as error:
        locked = "password" in str(error).lower()
        cure = (
            "is locked by a password; save it without one"
            if locked
            else "is a damaged or cut-off PDF; save it again"
        )
        raise InputError(f"{path} {cure}") from error
    try:
        if count == 0:
            raise InputError(f"{path} has no page; save it again")
        for number in range(count):
            name = path.stem if count == 1 else f"{path.stem}-{number + 1}"
            try:
                photo = _page_photo(path, document[number], name, budget_mp)
            except InputError:
                raise
            except Exception as error:  # pdfium meets damaged pages in many ways
                raise InputError(
                    f"{path}: page {number + 1} is damaged; save the file again"
                ) from error
            yield photo
    finally:
        document.close()


def _page_photo(path: Path, page: Any, name: str, budget_mp: float) -> Photo:
    width_pt, height_pt = page.get_size()
    placed, others = _pictures(page)
    large = [p for p in placed if math.prod(p.size_pt) > SMALL_SHARE * width_pt * height_pt]
    for picture in large:
        check_budget(path, picture.width, picture.height, budget_mp)
    if len(large) == 1 and not others and large[0].upright and page.get_rotation() == 0:
        pixels = _raw(large[0])
        if pixels is not None:
            return Photo(pixels, large[0].ppi, name)
    ppi = min(max((p.ppi for p in large), default=DRAWN_PPI), FINEST_PPI)
    width, height = width_pt * ppi / 72.0, height_pt * ppi / 72.0
    check_budget(path, round(width), round(height), budget_mp)
    bitmap = page.render(scale=ppi / 72.0, rev_byteorder=True)
    return Photo(_rgb(bitmap.to_numpy()), ppi, name)


def _pictures(page: Any) -> tuple[list[_Placed], bool]:
    """Return the pictures of the page, and whether anything else is drawn on it but text.

    The invisible text that a scanner's reading of letters lays over the page is no mark.
    """
    placed: list[_Placed] = []
    others = False
    for item in page.get_objects(max_depth=8):
        if item.type == _IMAGE:
            width, height = item.get_px_size()
            placed.append(_Placed(item, width, height, tuple(item.get_matrix().get())))
        elif item.type != _TEXT:
            others = True
    return placed, others


def _raw(picture: _Placed) -> U8 | None:
    """Return the picture's own pixels, or None if a mask or its form stands in the way."""
    if "/SMask" in str(getattr(picture.item, "raw", "")):
        return None
    pixels = np.array(picture.item.get_bitmap().to_numpy())
    if pixels.shape[:2] != (picture.height, picture.width):
        return None
    if pixels.ndim == 2 or pixels.shape[2] == 1:
        return np.asarray(cv2.cvtColor(pixels, cv2.COLOR_GRAY2RGB), np.uint8)
    return np.asarray(cv2.cvtColor(pixels[..., :3].copy(), cv2.COLOR_BGR2RGB), np.uint8)


def _rgb(pixels: Any) -> U8:
    if pixels.ndim == 2 or pixels.shape[2] == 1:
        return np.asarray(cv2.cvtColor(np.ascontiguousarray(pixels), cv2.COLOR_GRAY2RGB), np.uint8)
    return np.ascontiguousarray(pixels[..., :3])
