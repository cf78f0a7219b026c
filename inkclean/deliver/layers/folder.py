"""The layered page as a folder of pictures, for programs that read nothing else."""

from __future__ import annotations

import csv
import io
import re
import secrets
import shutil
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np

from inkclean.base.arrays import U8
from inkclean.base.errors import OutputError
from inkclean.deliver.files import check_free
from inkclean.deliver.layers.stack import Layer, Stack
from inkclean.deliver.pictures.png import picture_png

ORDER_LIST = "order.csv"
MODES = {
    "svg:src-over": "normal",
    "svg:multiply": "multiply",
    "svg:screen": "screen",
    "svg:src-atop": "normal, clipped to the flat of its group",
}
_WORKERS = 2


def write_layers(stack: Stack, folder: Path, *, replace: bool = False) -> None:
    """Write every layer as a PNG of the whole page, and ``order.csv``, uppermost first.

    The pictures are all as large as the page, so that they fall into place wherever they are
    opened. The folder is moved into place whole.

    Raises:
        OutputError: ``folder`` is taken, or cannot be written.
    """
    check_free(folder, replace)
    draft = folder.with_name(f".{folder.name}.{secrets.token_hex(4)}.part")
    try:
        draft.mkdir(parents=True)
        for name, png in packed_pages(stack):
            (draft / name).write_bytes(png)
        (draft / ORDER_LIST).write_text(order_list(stack), encoding="utf-8")
        into_place(draft, folder)
    except OSError as error:
        reason = error.strerror or str(error)
        raise OutputError(
            f"{folder} could not be written ({reason}): choose another -o DIR"
        ) from error
    finally:
        shutil.rmtree(draft, ignore_errors=True)


def order_list(stack: Stack) -> str:
    """Return the list of layers as CSV: file, layer, group, mode; uppermost first."""
    text = io.StringIO()
    rows = csv.writer(text, lineterminator="\n")
    rows.writerow(["file", "layer", "group", "mode"])
    for name, (group, layer) in zip(layer_files(stack), stack.every_layer(), strict=True):
        rows.writerow([name, layer.name, group.name if group else "", MODES[layer.op]])
    return text.getvalue()


def packed_pages(stack: Stack) -> Iterator[tuple[str, bytes]]:
    """Yield file name and PNG of every layer, uppermost first."""
    nothing = picture_png(np.zeros((stack.height, stack.width, 4), np.uint8), stack.px_per_mm)

    def packed(layer: Layer) -> bytes:
        return picture_png(_page(layer, stack), stack.px_per_mm) if layer.box else nothing

    with ThreadPoolExecutor(_WORKERS) as pool:
        pages = pool.map(packed, [layer for _, layer in stack.every_layer()])
        yield from zip(layer_files(stack), pages, strict=True)


def _page(layer: Layer, stack: Stack) -> U8:
    page = np.zeros((stack.height, stack.width, 4), np.uint8)
    if layer.box:
        page[layer.box.slices] = layer.paint(layer.box)
    return page


def layer_files(stack: Stack) -> list[str]:
    """Return the names of the pictures of all layers, uppermost first."""
    return [
        f"{number:02d} {_safe(f'{group.name} - {layer.name}' if group else layer.name)}.png"
        for number, (group, layer) in enumerate(stack.every_layer(), 1)
    ]


def _safe(name: str) -> str:
    """Return the name without what a file system might take amiss."""
    return re.sub(r"[^\w #&+()\-]", "_", name)[:80].strip()


def into_place(draft: Path, folder: Path) -> None:
    """Move a folder to where another may stand, which is then taken away."""
    if folder.exists():
        old = folder.with_name(f".{folder.name}.{secrets.token_hex(4)}.old")
        folder.rename(old)
        draft.rename(folder)
        shutil.rmtree(old, ignore_errors=True)
    else:
        draft.rename(folder)
