"""The colour under the lines, read: a finished picture, a folder of layers, an OpenRaster."""

from __future__ import annotations

import csv
import re
import zipfile
from io import BytesIO
from pathlib import Path
from xml.etree import ElementTree

import cv2
import numpy as np
from PIL import Image, ImageCms, ImageOps, UnidentifiedImageError

from inkclean.base.arrays import U8
from inkclean.base.errors import InputError
from inkclean.deliver.layers.flatten import OPERATORS, ReadLayer, ReadStack, flattened
from inkclean.deliver.layers.folder import ORDER_LIST
from inkclean.deliver.layers.under import UnderColour
from inkclean.sheet.read import own_budget

# layers of these names hold the bitmap of the lines, whose place the curves take
LINE_LAYERS = frozenset({"ink", "lines", "line", "line art", "lineart", "text", "balloons"})
_FORMATS = ("PNG", "JPEG", "TIFF", "WEBP")
_PICTURES = frozenset({".png", ".jpg", ".jpeg", ".tif", ".tiff", ".webp"})
# stack.xml is a list of layers; anything longer is no such list
_LONGEST_XML = 4 << 20
# of a PNG: bytes of signature and header; chunks that change what its pixels mean; its end
_PNG_HEAD = 33
_OWN_LIGHT = (b"iCCP", b"eXIf", b"gAMA", b"cHRM", b"tRNS", b"cICP")
_PNG_END = b"IEND\xaeB`\x82"
_RELATIVE = ImageCms.Intent.RELATIVE_COLORIMETRIC


def read_colour(path: Path, budget_mp: float = 300.0) -> UnderColour:
    """Read a finished picture, a folder of layers or an OpenRaster.

    A folder's pictures lie as its ``order.csv`` says, without one the last by name uppermost.

    Layers named like the lines (``ink``, ``lines``) are left out: the curves take their place.

    Raises:
        InputError: it cannot be read, is too large, or its layers differ in size.
    """
    if path.is_dir():
        return _read_folder(path, budget_mp)
    if not path.exists():
        raise InputError(
            f"{path} does not exist; give a picture, a folder of layers or an .ora file"
        )
    if zipfile.is_zipfile(path):
        return _read_openraster(path, budget_mp)
    with _opened(path, path.name, budget_mp) as picture:
        if picture.mode == "CMYK":
            return UnderColour(
                np.array(picture), ("the picture is in CMYK already and stays as it is",)
            )
        rgba = _rgba(picture)
    return UnderColour(flattened(ReadStack((ReadLayer(path.stem, rgba),)), *rgba.shape[:2]))


def _opened(source: Path | BytesIO, name: str, budget_mp: float) -> Image.Image:
    """Return a decoded picture, upright, its file closed."""
    try:
        with own_budget(), Image.open(source, formats=_FORMATS) as picture:
            if picture.width * picture.height > budget_mp * 1e6:
                raise InputError(f"{name} is larger than {budget_mp:g} megapixels; make it smaller")
            picture.load()
            if picture.mode[0] in "IF":
                raise InputError(f"{name} has more than 8 bits of grey; save it as 8-bit colour")
            return ImageOps.exif_transpose(picture)
    except InputError:
        raise
    except UnidentifiedImageError as error:
        raise InputError(f"{name} is not a readable picture; save it as PNG or TIFF") from error
    except Exception as error:  # whatever a decoder throws at damaged data
        raise InputError(f"{name} is damaged or cut off; save it again") from error


def _plain_png(body: bytes, budget_mp: float) -> U8 | None:
    """Return (H, W, 4) of an eight-bit RGBA PNG without profile or turn; None of anything else.

    OpenCV unpacks these to the same pixels in half the time.
    """
    head = body[: max(body.find(b"IDAT"), 0)]
    if len(head) < _PNG_HEAD or head[12:16] != b"IHDR" or head[24:26] != b"\x08\x06":
        return None
    width, height = int.from_bytes(head[16:20], "big"), int.from_bytes(head[20:24], "big")
    if width * height > budget_mp * 1e6 or any(chunk in head for chunk in _OWN_LIGHT):
        return None
    pixels = cv2.imdecode(np.frombuffer(body, np.uint8), cv2.IMREAD_UNCHANGED)
    if pixels is None or pixels.shape != (height, width, 4) or not body.endswith(_PNG_END):
        return None
    return np.asarray(cv2.cvtColor(pixels, cv2.COLOR_BGRA2RGBA), np.uint8)


def _rgba(picture: Image.Image) -> U8:
    """Return (H, W, 4) sRGB with straight alpha, from the picture's own profile if it has one."""
    embedded = picture.info.get("icc_profile")
    rgba = picture.convert("RGBA")
    if embedded and picture.mode in ("RGB", "RGBA"):
        alpha = rgba.getchannel("A")
        try:
            own = ImageCms.ImageCmsProfile(BytesIO(embedded))
            rgb = ImageCms.profileToProfile(
                rgba.convert("RGB"), own, ImageCms.createProfile("sRGB"), renderingIntent=_RELATIVE
            )
        except (ImageCms.PyCMSError, OSError) as error:
            raise InputError(f"the picture's colour profile is broken ({error})") from error
        if rgb is not None:
            rgb.putalpha(alpha)
            rgba = rgb
    return np.array(rgba)


def _natural(path: Path) -> list[tuple[bool, int, str]]:
    parts = re.findall(r"\d+|\D+", path.name.lower())
    return [(part.isdigit(), int(part) if part.isdigit() else 0, part) for part in parts]


def _read_folder(folder: Path, budget_mp: float) -> UnderColour:
    """Flatten pictures of one size; an ``order.csv`` beside them states order and modes."""
    order = folder / ORDER_LIST
    rows = _ordered(order) if order.exists() else _by_name(folder)
    kept = [row for row in rows if row["layer"].strip().lower() not in LINE_LAYERS]
    if not kept:
        raise InputError(f"{folder} has no layers; put PNG files in it, lowest first by name")
    groups: dict[str, list[ReadLayer]] = {}
    for number, row in enumerate(kept):
        path = folder / Path(row["file"]).name
        with _opened(path, str(path), budget_mp) as picture:
            layer = ReadLayer(row["layer"], _rgba(picture), operator=_operator(row["mode"]))
        # a layer of no group stands by itself
        groups.setdefault(row["group"] or f"\0{number}", []).append(layer)
        first = next(iter(groups.values()))[0]
        if layer.pixels.shape != first.pixels.shape:
            raise InputError(f"{path} is not as large as {kept[0]['file']}; save all at one size")
    stacks = tuple(
        ReadStack(tuple(layers), name, isolated=True) if name[0] != "\0" else layers[0]
        for name, layers in groups.items()
    )
    flat = flattened(ReadStack(stacks), *first.pixels.shape[:2])
    text = f"{len(kept)} layers flattened, '{kept[-1]['file']}' lowest"
    return UnderColour(flat, (text + _left_out(len(rows) - len(kept)),))


def _by_name(folder: Path) -> list[dict[str, str]]:
    """Return the folder's pictures, uppermost (last by name) first."""
    found = [path for path in folder.iterdir() if path.suffix.lower() in _PICTURES]
    files = sorted(found, key=_natural, reverse=True)
    return [{"file": p.name, "layer": p.stem, "group": "", "mode": "normal"} for p in files]


def _ordered(order: Path) -> list[dict[str, str]]:
    with order.open(encoding="utf-8", newline="") as handle:
        rows = list(csv.DictReader(handle))
    if any(row.get(key) is None for row in rows for key in ("file", "layer", "group", "mode")):
        raise InputError(f"{order} does not list file, layer, group and mode; delete it")
    return rows


def _operator(mode: str) -> str:
    """Return the operator that a mode of ``order.csv`` stands for."""
    if "clipped" in mode:
        return "svg:src-atop"
    operator = f"svg:{mode.strip().lower()}"
    return operator if operator in OPERATORS else "svg:src-over"


def _left_out(count: int) -> str:
    if not count:
        return ""
    what, whose = ("layer", "its") if count == 1 else ("layers", "their")
    return f"; {count} {what} of lines left out, the curves take {whose} place"


def _read_openraster(path: Path, budget_mp: float) -> UnderColour:
    try:
        with zipfile.ZipFile(path) as archive:
            return _flatten_openraster(path, archive, budget_mp)
    except (zipfile.BadZipFile, KeyError, NotImplementedError, RuntimeError) as error:
        raise InputError(
            f"{path} is not a valid OpenRaster file ({error}); export it again"
        ) from error


def _flatten_openraster(path: Path, archive: zipfile.ZipFile, budget_mp: float) -> UnderColour:
    if archive.read("mimetype").strip() != b"image/openraster":
        raise InputError(f"{path} is a zip but not an OpenRaster file; export it again")
    if archive.getinfo("stack.xml").file_size > _LONGEST_XML:
        raise InputError(f"{path}: its stack.xml is too long; export it again")
    xml = archive.read("stack.xml")
    if b"<!DOCTYPE" in xml or b"<!ENTITY" in xml:
        raise InputError(f"{path}: its stack.xml declares entities, which OpenRaster does not use")
    try:
        # no document type, so no entities to expand
        image = ElementTree.fromstring(xml)  # noqa: S314
        width, height = int(image.attrib["w"]), int(image.attrib["h"])
        root = image.find("stack")
        if image.tag != "image" or root is None or min(width, height) < 1:
            raise ValueError("no stack")
    except (ElementTree.ParseError, KeyError, ValueError) as error:
        raise InputError(f"{path}: its stack.xml cannot be understood ({error})") from error
    if width * height > budget_mp * 1e6:
        raise InputError(f"{path} is larger than {budget_mp:g} megapixels; make it smaller")
    used = {node.get("composite-op", "svg:src-over") for node in root.iter()}
    if used - OPERATORS:
        with _opened(BytesIO(archive.read("mergedimage.png")), path.name, budget_mp) as picture:
            flat = flattened(ReadStack((ReadLayer("", _rgba(picture)),)), height, width)
        unknown = ", ".join(sorted(used - OPERATORS))
        text = f"the file's own merged picture is used, lines included (unknown mode {unknown})"
        return UnderColour(flat, (text,))
    left: list[str] = []
    stack = _stack(root, archive, path, budget_mp, left)
    text = "the layers of the OpenRaster flattened" + _left_out(len(left))
    return UnderColour(flattened(stack, height, width), (text,))


def _stack(
    node: ElementTree.Element,
    archive: zipfile.ZipFile,
    path: Path,
    budget_mp: float,
    left: list[str],
) -> ReadStack:
    children: list[ReadLayer | ReadStack] = []
    for child in node:
        name = child.get("name", "")
        if child.get("visibility", "visible") != "visible":
            continue
        if name.strip().lower() in LINE_LAYERS:
            left.append(name)
            continue
        try:
            opacity = min(max(float(child.get("opacity", "1")), 0.0), 1.0)
            x, y = int(child.get("x", "0")), int(child.get("y", "0"))
        except ValueError as error:
            raise InputError(f"{path}: layer '{name}' is damaged ({error})") from error
        operator = child.get("composite-op", "svg:src-over")
        if child.tag == "stack":
            inner = _stack(child, archive, path, budget_mp, left)
            isolated = child.get("isolation") == "isolate"
            children.append(ReadStack(inner.children, name, opacity, operator, isolated))
        elif child.tag == "layer":
            body = archive.read(child.get("src", ""))
            pixels = _plain_png(body, budget_mp)
            if pixels is None:
                with _opened(BytesIO(body), f"{path}: layer '{name}'", budget_mp) as picture:
                    pixels = _rgba(picture)
            children.append(ReadLayer(name, pixels, x, y, opacity, operator))
    return ReadStack(tuple(children))
