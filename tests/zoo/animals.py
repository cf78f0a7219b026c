"""The zoo: files that nobody should give a program, each made by a function of its folder."""

from __future__ import annotations

import base64
import io
import struct
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image, ImageCms, TiffImagePlugin

from inkclean.base.arrays import U8
from tests import small_pages

Maker = Callable[[Path], Path]


def _saved(pixels: U8 | Image.Image, name: str, **how: Any) -> Maker:
    def make(folder: Path) -> Path:
        image = pixels if isinstance(pixels, Image.Image) else Image.fromarray(pixels)
        image.save(folder / name, **how)
        return folder / name

    return make


def _bytes(data: bytes, name: str) -> Maker:
    def make(folder: Path) -> Path:
        (folder / name).write_bytes(data)
        return folder / name

    return make


def page() -> Image.Image:
    """Return a good page, the zoo's only one."""
    return Image.fromarray(small_pages.pixels(5))


def encoded(kind: str) -> bytes:
    """Return a good page as bytes of a format."""
    buffer = io.BytesIO()
    if kind == "HEIF":
        import pillow_heif

        pillow_heif.register_heif_opener()
    page().save(buffer, kind)
    return buffer.getvalue()


def _chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def png_claiming(width: int, height: int, rows: int = 8) -> bytes:
    """Return a PNG whose header claims a size that its data does not hold."""
    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    data = zlib.compress(b"\0" * rows * 1000)
    parts = (_chunk(b"IHDR", header), _chunk(b"IDAT", data), _chunk(b"IEND", b""))
    return b"\x89PNG\r\n\x1a\n" + b"".join(parts)


def png_full(side: int) -> bytes:
    """Return a black one-bit PNG of side², every row there, packed to next to nothing."""
    header = struct.pack(">IIBBBBB", side, side, 1, 0, 0, 0, 0)
    packer = zlib.compressobj(9)
    row = b"\0" * (1 + (side + 7) // 8)
    data = b"".join(packer.compress(row) for _ in range(side)) + packer.flush()
    parts = (_chunk(b"IHDR", header), _chunk(b"IDAT", data), _chunk(b"IEND", b""))
    return b"\x89PNG\r\n\x1a\n" + b"".join(parts)


def tiff_claiming(width: int, height: int) -> bytes:
    """Return a TIFF of one short strip whose tags claim a huge picture."""
    entries = [(256, width), (257, height), (258, 8), (259, 1), (262, 1), (273, 8), (277, 1)]
    entries += [(278, height), (279, 4)]
    table = b"".join(struct.pack("<HHII", tag, 4, 1, value) for tag, value in entries)
    return b"II*\0" + struct.pack("<I", 12) + b"\0\0\0\0" + struct.pack("<H", 9) + table + b"\0" * 4


def pdf_claiming(width: int, height: int, box: float) -> bytes:
    """Return a PDF with a page of ``box`` points and an image that claims to be huge."""
    stream = zlib.compress(b"\0" * 1000)
    objects = [
        b"<< /Type /Catalog /Pages 2 0 R >>",
        b"<< /Type /Pages /Kids [3 0 R] /Count 1 >>",
        f"<< /Type /Page /Parent 2 0 R /MediaBox [0 0 {box} {box}] /Contents 5 0 R "
        "/Resources << /XObject << /I 4 0 R >> >> >>".encode(),
        f"<< /Type /XObject /Subtype /Image /Width {width} /Height {height} /BitsPerComponent 8 "
        f"/ColorSpace /DeviceRGB /Filter /FlateDecode /Length {len(stream)} >>\nstream\n".encode()
        + stream
        + b"\nendstream",
        b"<< /Length 30 >>\nstream\nq 500 0 0 500 0 0 cm /I Do Q  \nendstream",
    ]
    body, places = b"%PDF-1.5\n", []
    for number, text in enumerate(objects, 1):
        places.append(len(body))
        body += b"%d 0 obj\n" % number + text + b"\nendobj\n"
    table = b"".join(b"%010d 00000 n \n" % place for place in places)
    return (
        body
        + b"xref\n0 6\n0000000000 65535 f \n"
        + table
        + b"trailer << /Size 6 /Root 1 0 R >>\nstartxref\n%d\n%%%%EOF\n" % len(body)
    )


def _found(text: str) -> bytes:
    """Return an input that the fuzzer found, from base 64."""
    return base64.b64decode(text)


def _noise(folder: Path) -> Path:
    pixels = np.random.default_rng(1).integers(0, 256, (600, 420, 3), np.uint8)
    Image.fromarray(pixels).save(folder / "noise.png")
    return folder / "noise.png"


def _no_page(folder: Path) -> Path:
    """A view of hills at dusk: gradients, soft shapes, nothing like paper."""
    y, x = np.mgrid[0:600, 0:800].astype(np.float32)
    hill = 300 + 60 * np.sin(x / 90) + 30 * np.sin(x / 31)
    sky = np.stack([200 - y / 4, 120 + y / 8, 90 + y / 4], -1)
    land = np.stack([40 + x / 30, 60 + y / 20, 30 + x / 40], -1)
    pixels = np.where((y > hill)[..., None], land, sky)
    Image.fromarray(pixels.clip(0, 255).astype(np.uint8)).save(folder / "dusk.jpg", quality=90)
    return folder / "dusk.jpg"


def _float_tiff(kind: str) -> Maker:
    def make(folder: Path) -> Path:
        import tifffile

        grey = np.asarray(page().convert("L")).astype(np.float32) / 255
        tifffile.imwrite(folder / f"{kind}.tif", grey.astype(kind))
        return folder / f"{kind}.tif"

    return make


def _strange_floats(folder: Path) -> Path:
    grey = np.asarray(page().convert("L")).astype(np.float32)
    grey[::7, ::5] = np.nan
    grey[3, :] = np.inf
    Image.fromarray(grey).save(folder / "nan.tif")
    return folder / "nan.tif"


def _animated(folder: Path) -> Path:
    frames = [page(), Image.new("RGB", page().size, "red")]
    frames[0].save(folder / "moving.webp", save_all=True, append_images=frames[1:], lossless=True)
    return folder / "moving.webp"


def _dpi_tags(folder: Path) -> Path:
    tags = TiffImagePlugin.ImageFileDirectory_v2()
    tags[282] = TiffImagePlugin.IFDRational(4_000_000_000, 1)
    tags[283] = TiffImagePlugin.IFDRational(77_777, 1)
    path = folder / "tags.tif"
    page().save(path, tiffinfo=tags)
    # nothing by nothing: no writer would write it
    data, stated = path.read_bytes(), struct.pack("<II", 77_777, 1)
    assert stated in data
    path.write_bytes(data.replace(stated, bytes(8)))
    return path


def _profile(kind: str) -> bytes:
    if kind == "junk":
        return b"this is no profile at all" * 20
    good = bytearray(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    good[128:400] = bytes(range(256)) + bytes(16)
    return bytes(good)


_EXIF = b"Exif\0\0" + b"MM\0*\0\0\0\x08\xff\xff" + b"\x12" * 60
_BLACK = np.zeros((600, 420, 3), np.uint8)

# Those that must end in one clear line and code 3.
REFUSED: dict[str, Maker] = {
    "empty": _bytes(b"", "empty.jpg"),
    "text named png": _bytes(b"only words\n" * 50, "words.png"),
    "svg named jpg": _bytes(b"<svg xmlns='http://www.w3.org/2000/svg'/>", "page.jpg"),
    "zeros": _bytes(b"\0" * 5000, "zeros.tif"),
    "png that claims 10 Gpx": _bytes(png_claiming(100_000, 100_000), "bomb.png"),
    "png that claims 2^31": _bytes(png_claiming(2**31 - 1, 2**31 - 1), "bomb.png"),
    "png within the budget, without data": _bytes(png_claiming(15_000, 15_000), "hollow.png"),
    "png of 400 Mpx": _bytes(png_full(20_000), "full.png"),
    "tiff that claims 10 Gpx": _bytes(tiff_claiming(100_000, 100_000), "bomb.tif"),
    "tiff within the budget, without data": _bytes(tiff_claiming(15_000, 15_000), "hollow.tif"),
    "tiff whose second page has no size": _bytes(
        _found("""
        SUkqAAwAAAAAAAAACQAAAQQAAQAAAKCGAQEBAQQAAQAAAKCGAQACAQQAAQAAAAgAAAADAQQAAQAAAAEAAAAGAQQA
        AQAAAAEAAAARAQQAAQAAADsAAAAVAUlEQVQEAAEAAAABAAAAFgEEAAEAAACghgEAFwEEAAEAAAAEAAAAAAAAAA==
    """),
        "second.tif",
    ),
    "pdf whose picture claims 10 Gpx": _bytes(pdf_claiming(100_000, 100_000, 500), "bomb.pdf"),
    "half float tiff": _float_tiff("float16"),
    "pdf of a page as large as a town": _bytes(pdf_claiming(100, 100, 14_000_000), "town.pdf"),
}
# Those that hold a page, strange as they are: its ink comes out.
USED: dict[str, Maker] = {
    "png named jpg": _bytes(encoded("PNG"), "really_png.jpg"),
    "pdf named jpg": _bytes(encoded("PDF"), "really_pdf.jpg"),
    "jpeg named pdf": _bytes(encoded("JPEG"), "really_jpeg.pdf"),
    "junk behind the end": _bytes(encoded("PNG") + b"junk" * 1000, "tail.png"),
    "corrupt exif": _saved(page(), "exif.jpg", exif=_EXIF),
    "corrupt exif in png": _saved(page(), "exif.png", exif=_EXIF),
    "profile of junk": _saved(page(), "junk.jpg", icc_profile=_profile("junk")),
    "profile with holes": _saved(page(), "holes.png", icc_profile=_profile("holes")),
    "cmyk jpeg": _saved(page().convert("CMYK"), "cmyk.jpg", quality=95),
    "float tiff": _float_tiff("float32"),
    "float tiff with gaps": _strange_floats,
    "animated webp": _animated,
    "huge dpi in jpeg": _saved(page(), "dpi.jpg", dpi=(65535, 65535), quality=95),
    "huge dpi in png": _saved(page(), "dpi.png", dpi=(5e7, 5e7)),
    "odd dpi in tiff": _dpi_tags,
}
# Those where either is fair.
EITHER: dict[str, Maker] = {
    "16 by 16": _saved(np.full((16, 16, 3), 90, np.uint8), "sixteen.png"),
    "16 by 800": _saved(np.full((800, 16, 3), 90, np.uint8), "ruler.png"),
    "400 by 20000": _saved(np.full((20_000, 400, 3), 200, np.uint8), "roll.png"),
    "one pixel": _saved(np.zeros((1, 1, 3), np.uint8), "one.png"),
    "one pixel, white": _saved(np.full((1, 1, 3), 255, np.uint8), "one_white.png"),
    "1 by 20000": _saved(np.full((20_000, 1, 3), 200, np.uint8), "tall.png"),
    "20000 by 1": _saved(np.full((1, 20_000, 3), 200, np.uint8), "wide.png"),
    "3 by 3": _saved(np.full((3, 3, 3), 90, np.uint8), "three.png"),
    "all black": _saved(_BLACK, "black.png"),
    "all white": _saved(_BLACK + 255, "white.png"),
    "all grey": _saved(_BLACK + 128, "grey.jpg"),
    "all clear": _saved(Image.new("RGBA", (420, 600), (0, 0, 0, 0)), "clear.png"),
    "all red": _saved(Image.new("RGB", (420, 600), (255, 0, 0)), "red.png"),
    "noise": _noise,
    "no page": _no_page,
}
FORMATS = {
    **{"JPEG": ".jpg", "PNG": ".png", "TIFF": ".tif", "WEBP": ".webp", "PDF": ".pdf"},
    **{"HEIF": ".heic", "GIF": ".gif", "BMP": ".bmp", "PPM": ".ppm"},
}
NAMES = [
    "a page with spaces.png",
    'it\'s "quoted".png',
    "new\nline.png",
    "-leading.png",
    "--paper.png",
    "ünïcödé 漢字 🖋.png",
    "<b>&amp;.png",
    "50%s{0}.png",
    "tab\tand\x1b[31mred.png",
    "[a-z]*.png",
    ".hidden.png",
    "two..dots.png",
    "$(touch x).png",
    "n" * 235 + ".png",
]
