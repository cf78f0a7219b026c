"""The layered page in other colours: only what changes is painted and packed again.

Works on a file that ``openraster`` wrote, and leaves the same bytes as if the page had been
written in the new colours to begin with. Layers of other names pass as they are.
"""

from __future__ import annotations

import zipfile
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import cast
from xml.etree import ElementTree as ET

import cv2
import numpy as np

from inkclean.base.arrays import U8
from inkclean.base.errors import InputError
from inkclean.deliver.layers.composite import render_group
from inkclean.deliver.layers.openraster import add_entry, source_name, thumbnail
from inkclean.deliver.layers.stack import Box, Group, Layer, Op, Stack
from inkclean.deliver.pictures.png import picture_png
from inkclean.flats.colour.shade import lit, shaded

_WORKERS = 2
# the colour that each layer of a group has, from its group's
LAYER_COLOURS: dict[str, Callable[[U8], U8]] = {
    "light": lit,
    "shade": shaded,
    "flat": lambda same: same,
}


@dataclass(frozen=True)
class NewGroup:
    """A colour of the page to be: its ``name`` and sRGB ``colour`` (3,) uint8.

    ``before`` are the names of the groups that it had so far, ``painted`` whether the colour
    differs from theirs. Groups are listed as they shall lie, the uppermost first.
    """

    name: str
    colour: U8
    before: tuple[str, ...]
    painted: bool


def recolour_openraster(
    old: Path,
    new: Path,
    groups: Sequence[NewGroup],
    flat_of: Callable[[str], U8] | None = None,
) -> None:
    """Write the OpenRaster file ``old`` to ``new`` with its colour groups as ``groups`` say.

    ``flat_of`` gives the alpha (H, W) of the flat of a group on the whole page, for a file that is
    known to be as it was left: so it need not be unpacked.

    Raises:
        InputError: ``old`` is no such file, or has no group of a name asked for.
    """
    try:
        with zipfile.ZipFile(old) as archive:
            _recolour(archive, new, groups, flat_of)
    except (zipfile.BadZipFile, KeyError, ET.ParseError, ValueError, cv2.error) as error:
        raise InputError(
            f"{old} is not as inkclean left it ({error}); run inkclean flats again"
        ) from error


def _recolour(
    archive: zipfile.ZipFile,
    new: Path,
    groups: Sequence[NewGroup],
    flat_of: Callable[[str], U8] | None,
) -> None:
    image = ET.fromstring(archive.read("stack.xml"))  # noqa: S314 - told to be our own by its hash
    root = image.find("stack")
    if root is None:
        raise ValueError("no stack")
    px_per_mm = stated_px_per_mm(archive.read("mergedimage.png"))
    of_name = {node.get("name", ""): node for node in root if node.tag == "stack"}
    place = min(list(root).index(of_name[name]) for group in groups for name in group.before)
    changed = [group for group in groups if group.painted or len(group.before) > 1]
    with ThreadPoolExecutor(_WORKERS) as pool:
        painted = pool.map(lambda group: _painted(group, of_name, archive.read, flat_of), changed)
        made = dict(zip([group.name for group in changed], painted, strict=True))
        packed = {
            name: list(pool.map(lambda layer: picture_png(layer.pixels(), px_per_mm), layers))
            for name, layers in made.items()
        }
    nodes: list[ET.Element] = []
    bodies: dict[int, bytes] = {}
    for group in groups:
        node = of_name[group.before[0]]
        node.set("name", group.name)
        for layer, png, part in zip(
            made.get(group.name, ()), packed.get(group.name, ()), node, strict=False
        ):
            part.set("x", str(layer.box.left if layer.box else 0))
            part.set("y", str(layer.box.top if layer.box else 0))
            bodies[id(part)] = png
        nodes.append(node)
    for name in {name for group in groups for name in group.before}:
        root.remove(of_name[name])
    for number, node in enumerate(nodes):
        root.insert(place + number, node)
    merged = _merged(archive, root, nodes, made)
    _write(archive, new, image, bodies, merged)


def stated_px_per_mm(png: bytes) -> float:
    """Return the resolution that a PNG of our own states in its chunk ``pHYs``.

    Raises:
        ValueError: it states none.
    """
    at = png.find(b"pHYs")
    if at < 0:
        raise ValueError("it states no resolution")
    return int.from_bytes(png[at + 4 : at + 8], "big") / 1000


def read_rgba(body: bytes) -> U8:
    """Return the pixels of a PNG, (H, W, 4) or, without alpha, (H, W, 3) uint8.

    Raises:
        ValueError: it is damaged.
    """
    pixels = cv2.imdecode(np.frombuffer(body, np.uint8), cv2.IMREAD_UNCHANGED)
    if pixels is None:
        raise ValueError("a layer is damaged")
    way = cv2.COLOR_BGRA2RGBA if pixels.shape[2] == 4 else cv2.COLOR_BGR2RGB
    return np.asarray(cv2.cvtColor(pixels, way), np.uint8)


def cropped(alpha: U8) -> tuple[Box | None, U8]:
    """Return where a layer on the whole page (H, W) lies, None if it is empty, and its pixels."""
    left, top, width, height = cv2.boundingRect(alpha)
    box = Box(top, left, top + height, left + width)
    if not width:
        return None, alpha
    return box, alpha[box.slices]


def read_alpha(body: bytes) -> U8:
    """Return the alpha (H, W) uint8 of a PNG that has it.

    Raises:
        ValueError: it is damaged, or has none.
    """
    pixels = cv2.imdecode(np.frombuffer(body, np.uint8), cv2.IMREAD_UNCHANGED)
    if pixels is None or pixels.ndim != 3 or pixels.shape[2] != 4:
        raise ValueError("a layer is damaged")
    return np.asarray(cv2.extractChannel(pixels, 3), np.uint8)


def _box(node: ET.Element, alpha: U8) -> Box | None:
    """Return where a layer lies; None for the one transparent pixel of an empty one."""
    height, width = alpha.shape
    if height == width == 1 and not alpha[0, 0]:
        return None
    top, left = int(node.get("y", "0")), int(node.get("x", "0"))
    return Box(top, left, top + height, left + width)


def _layer(name: str, op: str, box: Box | None, pixels: U8) -> Layer:
    def paint(window: Box) -> U8:
        assert box is not None  # noqa: S101 - an empty layer is never painted
        rows = slice(window.top - box.top, window.bottom - box.top)
        return pixels[rows, window.left - box.left : window.right - box.left]

    return Layer(name, cast("Op", op), box, paint)


def _painted(
    group: NewGroup,
    of_name: Mapping[str, ET.Element],
    read: Callable[[str], bytes],
    flat_of: Callable[[str], U8] | None,
) -> list[Layer]:
    """Return the layers of a group in its colour, those of all groups before together."""
    nodes = [of_name[name] for name in group.before]
    found: dict[str, list[tuple[Box, U8]]] = {}
    for node in nodes:
        for part in node:
            found.setdefault(part.get("name", ""), [])
            if flat_of is not None and part.get("name") == "flat":
                box, alpha = cropped(flat_of(node.get("name", "")))
            else:
                alpha = read_alpha(read(part.get("src", "")))
                box = _box(part, alpha)
            if box is not None:
                found[part.get("name", "")].append((box, alpha))
    boxes = [box for box, _ in found["flat"]]
    whole = Box(
        min(b.top for b in boxes),
        min(b.left for b in boxes),
        max(b.bottom for b in boxes),
        max(b.right for b in boxes),
    )
    alphas = {name: _together(parts, whole) for name, parts in found.items()}
    there = (alphas["flat"] > 0).view(np.uint8)
    layers = []
    for part in nodes[0]:
        name = part.get("name", "")
        op = part.get("composite-op", "")
        if not found[name]:
            layers.append(_layer(name, op, None, np.zeros((1, 1, 4), np.uint8)))
            continue
        words = np.array([[0] * 4, [*LAYER_COLOURS[name](group.colour), 0]], np.uint8).view(
            np.uint32
        )
        pixels = words.ravel()[there].view(np.uint8).reshape(*whole.shape, 4)
        cv2.insertChannel(alphas[name], pixels, 3)
        layers.append(_layer(name, op, whole, pixels))
    return layers


def _together(parts: Sequence[tuple[Box, U8]], whole: Box) -> U8:
    if len(parts) == 1 and parts[0][0] == whole:
        return parts[0][1]
    alpha = np.zeros(whole.shape, np.uint8)
    for box, part in parts:
        rows = slice(box.top - whole.top, box.bottom - whole.top)
        window = alpha[rows, box.left - whole.left : box.right - whole.left]
        np.maximum(window, part, out=window)
    return alpha


def _merged(
    archive: zipfile.ZipFile,
    root: ET.Element,
    nodes: Sequence[ET.Element],
    made: dict[str, list[Layer]],
) -> U8:
    """Return the final render: drawn again where a colour changed, as it was elsewhere."""
    merged = read_rgba(archive.read("mergedimage.png"))
    if not made:
        return merged
    above = [node for node in list(root)[: list(root).index(nodes[0])] if node.tag == "layer"]
    children: list[Layer | Group] = []
    for node in above:
        pixels = read_rgba(archive.read(node.get("src", "")))
        op = node.get("composite-op", "svg:src-over")
        box = _box(node, np.ascontiguousarray(pixels[..., 3]))
        children.append(_layer(node.get("name", ""), op, box, pixels))
    children += [Group(name, tuple(layers)) for name, layers in made.items()]
    height, width = merged.shape[:2]
    mask = np.zeros((height, width), np.uint8)
    for layers in made.values():
        flat = layers[-1]
        if flat.box is not None:
            mask[flat.box.slices] |= flat.paint(flat.box)[..., 3]
    drawn = render_group(Stack(width, height, 1.0, tuple(children)), mask)
    rgb = np.asarray(cv2.cvtColor(drawn, cv2.COLOR_RGBA2RGB), np.uint8)
    return np.asarray(cv2.copyTo(rgb, mask, merged), np.uint8)


def _write(
    archive: zipfile.ZipFile, new: Path, image: ET.Element, bodies: dict[int, bytes], merged: U8
) -> None:
    layers = list(image.iter("layer"))
    packed = [bodies.get(id(node)) or archive.read(node.get("src", "")) for node in layers]
    for number, node in enumerate(layers):
        node.set("src", source_name(number))
    ET.indent(image)
    xml: bytes = ET.tostring(image, encoding="utf-8")
    with zipfile.ZipFile(new, "w") as made:
        add_entry(made, "mimetype", b"image/openraster")
        add_entry(made, "stack.xml", b'<?xml version="1.0" encoding="UTF-8"?>\n' + xml)
        for number, png in enumerate(packed):
            add_entry(made, source_name(number), png)
        for name, picture in (
            ("mergedimage.png", merged),
            ("Thumbnails/thumbnail.png", thumbnail(merged)),
        ):
            add_entry(made, name, picture_png(picture, stated_px_per_mm(archive.read(name))))
