"""The layered page as an OpenRaster file.

OpenRaster specification, openraster.org (baseline): a zip archive whose first entry
``mimetype`` is stored; ``stack.xml``, first child uppermost; ``mergedimage.png``, the final
render; ``Thumbnails/thumbnail.png``, at most 256 × 256; layers under ``data/``.
"""

from __future__ import annotations

import zipfile
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from xml.etree import ElementTree as ET

import cv2
import numpy as np

from inkclean.base.arrays import U8
from inkclean.base.units import MM_PER_INCH
from inkclean.deliver.files import placed
from inkclean.deliver.layers.composite import render_group
from inkclean.deliver.layers.stack import Group, Layer, Stack
from inkclean.deliver.pictures.png import picture_png

_VERSION = "0.0.6"
_THUMBNAIL = 256
# layers in work at once: a whole page of one colour at 600 dpi takes 140 MB before packing
_WORKERS = 2
# one date and one set of rights for every entry: the same page gives the same bytes
_DATE = (1980, 1, 1, 0, 0, 0)
_RIGHTS = 0o644 << 16


def write_openraster(stack: Stack, path: Path, *, replace: bool = False) -> None:
    """Write the stack as an OpenRaster file.

    Layers are cropped to their content; an empty layer is one transparent pixel.

    Raises:
        OutputError: ``path`` is taken, or cannot be written.
    """
    with placed(path, replace) as draft, zipfile.ZipFile(draft, "w") as archive:
        add_entry(archive, "mimetype", b"image/openraster")
        add_entry(archive, "stack.xml", stack_xml(stack))
        for name, png in packed_layers(stack):
            add_entry(archive, name, png)
        merged = np.asarray(cv2.cvtColor(render_group(stack), cv2.COLOR_RGBA2RGB), np.uint8)
        add_entry(archive, "mergedimage.png", picture_png(merged, stack.px_per_mm))
        small = thumbnail(merged)
        scale = small.shape[1] / merged.shape[1]
        add_entry(archive, "Thumbnails/thumbnail.png", picture_png(small, stack.px_per_mm * scale))


def stack_xml(stack: Stack) -> bytes:
    """Return ``stack.xml``, UTF-8."""
    ppi = str(round(stack.px_per_mm * MM_PER_INCH))
    size = {"w": str(stack.width), "h": str(stack.height)}
    image = ET.Element("image", {"version": _VERSION, **size, "xres": ppi, "yres": ppi})
    root = ET.SubElement(image, "stack", {"name": "page"})
    shown = {"opacity": "1.0", "visibility": "visible"}
    number = 0
    for child in stack.children:
        layers, parent = (child,) if isinstance(child, Layer) else child.layers, root
        if isinstance(child, Group):
            blend = {"composite-op": "svg:src-over", "isolation": "isolate"}
            parent = ET.SubElement(root, "stack", {"name": child.name, **shown, **blend})
        for layer in layers:
            place = {
                "x": str(layer.box.left if layer.box else 0),
                "y": str(layer.box.top if layer.box else 0),
            }
            source = {"name": layer.name, "src": source_name(number), "composite-op": layer.op}
            ET.SubElement(parent, "layer", {**source, **place, **shown})
            number += 1
    ET.indent(image)
    body: bytes = ET.tostring(image, encoding="utf-8")
    return b'<?xml version="1.0" encoding="UTF-8"?>\n' + body


def packed_layers(stack: Stack) -> Iterator[tuple[str, bytes]]:
    """Yield the name in the archive and the PNG of every layer, uppermost first."""
    layers = [layer for _, layer in stack.every_layer()]
    with ThreadPoolExecutor(_WORKERS) as pool:
        packed = pool.map(lambda layer: picture_png(layer.pixels(), stack.px_per_mm), layers)
        for number, png in enumerate(packed):
            yield source_name(number), png


def thumbnail(page: U8) -> U8:
    """Return the page (H, W, 3), made to fit 256 × 256; never enlarged."""
    height, width = page.shape[:2]
    scale = min(1.0, _THUMBNAIL / max(height, width))
    size = (max(round(width * scale), 1), max(round(height * scale), 1))
    return np.asarray(cv2.resize(page, size, interpolation=cv2.INTER_AREA), np.uint8)


def source_name(number: int) -> str:
    """Return what the picture of a layer is called in the archive; from 0, uppermost first."""
    return f"data/layer{number:03d}.png"


def add_entry(archive: zipfile.ZipFile, name: str, body: bytes) -> None:
    """Put an entry into the archive: the same page gives the same bytes."""
    entry = zipfile.ZipInfo(name, _DATE)
    entry.compress_type = zipfile.ZIP_STORED  # pictures are packed already
    entry.create_system = 3
    entry.external_attr = _RIGHTS
    archive.writestr(entry, body)
