"""Reading: every kind of picture, upright, in sRGB; whatever is no picture in one line."""

from __future__ import annotations

import struct
import zlib
from pathlib import Path
from typing import Any

import numpy as np
import pillow_heif
import pytest
from numpy.typing import NDArray
from PIL import Image, ImageCms, ImageOps

from inkclean.base.errors import InputError
from inkclean.sheet.read import believable_ppi, read_photos
from inkclean.sheet.values import Photo
from tests.sheet import icc

U8 = NDArray[np.uint8]
FIXTURES = Path(__file__).parents[2] / "fixtures"
ORIENTATION = 0x0112


def one(path: Path, **options: Any) -> Photo:
    photos = list(read_photos(path, **options))
    assert len(photos) == 1
    return photos[0]


def scene(height: int = 40, width: int = 64) -> U8:
    """A picture that no turn or mirror leaves as it is."""
    y, x = np.mgrid[:height, :width]
    out = np.stack([x * 255 / width, y * 255 / height, 128 + 0 * x], axis=-1)
    out[: height // 4, : width // 8] = (250, 20, 20)
    return out.astype(np.uint8)


def save(path: Path, pixels: U8 | Image.Image, **options: Any) -> Path:
    image = pixels if isinstance(pixels, Image.Image) else Image.fromarray(pixels)
    image.save(path, **options)
    return path


def refused(path: Path, **options: Any) -> str:
    """The one line that refuses the file."""
    with pytest.raises(InputError) as caught:
        list(read_photos(path, **options))
    message = str(caught.value)
    assert caught.value.exit_code == 3
    assert str(path) in message
    assert "\n" not in message
    return message


# --- depths and kinds


@pytest.mark.parametrize("ending", ["png", "tif", "bmp", "ppm", "webp"])
def test_lossless_colour_comes_through_exactly(tmp_path: Path, ending: str) -> None:
    options = {"lossless": True} if ending == "webp" else {}
    photo = one(save(tmp_path / f"drawing.{ending}", scene(), **options))
    assert photo.pixels.dtype == np.uint8
    np.testing.assert_array_equal(photo.pixels, scene())
    assert photo.name == "drawing"
    assert photo.ppi is None


@pytest.mark.parametrize("ending", ["png", "tif"])
def test_one_bit(tmp_path: Path, ending: str) -> None:
    bits = scene()[..., 0] > 100
    photo = one(save(tmp_path / f"a.{ending}", Image.fromarray(bits)))
    np.testing.assert_array_equal(photo.pixels, np.repeat(bits[..., None] * 255, 3, axis=2))


def test_one_bit_tiff_by_fax_compression(tmp_path: Path) -> None:
    bits = scene()[..., 0] > 100
    path = save(tmp_path / "a.tif", Image.fromarray(bits), compression="group4", dpi=(600, 600))
    photo = one(path)
    np.testing.assert_array_equal(photo.pixels[..., 1], bits * 255)
    assert photo.ppi == pytest.approx(600) or photo.ppi is None  # 64 px at 600 are 3 mm


@pytest.mark.parametrize("ending", ["png", "tif"])
def test_sixteen_bits_grey_round_to_the_nearest_step(tmp_path: Path, ending: str) -> None:
    values = np.linspace(0, 65535, 64 * 40).reshape(40, 64).astype(np.uint16)
    photo = one(save(tmp_path / f"a.{ending}", Image.fromarray(values)))
    assert np.abs(photo.pixels[..., 0] - values / 257.0).max() <= 0.51


def test_sixteen_bits_colour(tmp_path: Path) -> None:
    """Written by hand: 16-bit RGB samples, filter 0 (PNG specification, 2nd edition)."""
    values = (scene().astype(np.uint16) * 257).astype(">u2")
    rows = b"".join(b"\0" + row.tobytes() for row in values)
    (tmp_path / "a.png").write_bytes(_png(64, 40, 16, 2, zlib.compress(rows)))
    np.testing.assert_array_equal(one(tmp_path / "a.png").pixels, scene())


@pytest.mark.parametrize("white", [1.0, 255.0, 65535.0])
def test_float_tiff_whatever_its_white(tmp_path: Path, white: float) -> None:
    grey = np.linspace(0, 1, 64 * 40).reshape(40, 64).astype(np.float32)
    photo = one(save(tmp_path / "a.tif", Image.fromarray(grey * np.float32(white))))
    assert np.abs(photo.pixels[..., 2] - grey * 255.0).max() <= 0.51


def test_palette_grey_and_alpha(tmp_path: Path) -> None:
    flat = np.zeros((8, 8, 3), np.uint8)
    flat[:, 4:] = (10, 200, 90)
    palette = Image.fromarray(flat).convert("P", palette=Image.Palette.ADAPTIVE)
    np.testing.assert_array_equal(one(save(tmp_path / "p.png", palette)).pixels, flat)
    grey = one(save(tmp_path / "g.png", scene()[..., 0]))
    np.testing.assert_array_equal(grey.pixels[..., 2], scene()[..., 0])


def test_alpha_is_coverage_over_white(tmp_path: Path) -> None:
    """Half black over white gives half the light: code 188 in sRGB (IEC 61966-2-1)."""
    rgba = np.zeros((8, 8, 4), np.uint8)
    rgba[:, 2:4, 3] = 128
    rgba[:, 4:, 3] = 255
    rgba[:, 6:, :3] = (200, 30, 60)
    pixels = one(save(tmp_path / "a.png", rgba)).pixels
    np.testing.assert_array_equal(pixels[0, 0], (255, 255, 255))
    half = round(float(icc.encode_srgb(np.array(1 - 128 / 255))) * 255)
    assert np.abs(pixels[0, 3].astype(int) - half).max() <= 1
    np.testing.assert_array_equal(pixels[0, 5], (0, 0, 0))
    np.testing.assert_array_equal(pixels[0, 7], (200, 30, 60))


def test_palette_with_a_transparent_entry(tmp_path: Path) -> None:
    flat = Image.fromarray(np.zeros((4, 4), np.uint8)).convert("P")
    flat.putpixel((0, 0), 1)
    path = save(tmp_path / "a.png", flat, transparency=0)
    assert (one(path).pixels[2, 2] == 255).all()


# --- orientation


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("ending", ["jpg", "png", "webp", "tif"])
def test_all_eight_orientations(tmp_path: Path, ending: str, orientation: int) -> None:
    """Against Pillow's own turning of the same file."""
    exif = Image.Exif()
    exif[ORIENTATION] = orientation
    options: dict[str, Any] = {"exif": exif}
    if ending == "webp":
        options["lossless"] = True
    if ending == "jpg":
        options |= {"quality": 100, "subsampling": 0}
    path = save(tmp_path / f"a.{ending}", scene(), **options)
    with Image.open(path) as image:
        upright = np.asarray(ImageOps.exif_transpose(image).convert("RGB"))
    shown = one(path).pixels
    assert shown.shape == upright.shape
    assert shown.shape[:2] == ((64, 40) if orientation > 4 else (40, 64))
    assert np.abs(shown.astype(int) - upright).max() <= 2


@pytest.mark.parametrize("orientation", [1, 6])
def test_a_small_picture_of_a_jpeg_is_the_same_picture(tmp_path: Path, orientation: int) -> None:
    exif = Image.Exif()
    exif[ORIENTATION] = orientation
    path = save(tmp_path / "page.jpg", scene(800, 1200), quality=95, exif=exif, dpi=(300, 300))
    whole, small = one(path), one(path, least_px=150)
    assert min(small.pixels.shape[:2]) == 200  # a quarter; an eighth would be too small
    assert small.ppi is None
    size = small.pixels.shape[1::-1]
    less = np.asarray(Image.fromarray(whole.pixels).resize(size, Image.Resampling.BOX), float)
    assert np.abs(less - small.pixels).mean() < 2
    plain = save(tmp_path / "page.png", scene())
    assert np.array_equal(one(plain, least_px=10).pixels, one(plain).pixels)


def test_a_phone_held_upright(tmp_path: Path) -> None:
    """Orientation 6: row 0 of the file is the right side of the scene, column 0 its top."""
    exif = Image.Exif()
    exif[ORIENTATION] = 6
    stored = np.rot90(scene(), 1)
    path = save(tmp_path / "a.png", np.ascontiguousarray(stored), exif=exif)
    np.testing.assert_array_equal(one(path).pixels, scene())


# --- colour

WIDE = {
    "Display P3": (icc.DISPLAY_P3, None),
    "Adobe RGB": (icc.ADOBE_RGB, icc.ADOBE_GAMMA),
}


@pytest.mark.parametrize("space", WIDE)
@pytest.mark.parametrize("ending", ["png", "jpg", "tif"])
def test_wide_gamut_becomes_srgb(tmp_path: Path, space: str, ending: str) -> None:
    primaries, gamma = WIDE[space]
    steps = np.array([40, 90, 140, 190, 240], np.uint8)
    cube = np.stack(np.meshgrid(steps, steps, steps, indexing="ij"), -1).reshape(5, 25, 3)
    pixels = np.ascontiguousarray(np.kron(cube, np.ones((8, 8, 1), np.uint8)))
    options: dict[str, Any] = {"icc_profile": icc.profile(primaries, gamma)}
    if ending == "jpg":
        options |= {"quality": 100, "subsampling": 0}
    shown = one(save(tmp_path / f"a.{ending}", pixels, **options)).pixels
    away = np.abs(shown[4::8, 4::8] - icc.expected(cube, primaries, gamma))
    # JPEG itself moves a code by one or two, and dark codes amplify it.
    assert away.max() <= (2.0 if ending != "jpg" else 8.0)
    assert np.abs(pixels.astype(int) - shown).max() > 20


def test_a_published_pair_of_colours(tmp_path: Path) -> None:
    """sRGB red is color(display-p3 0.9175 0.2003 0.1386): CSS Color Module Level 4 (from
    memory)."""
    pixels = np.full((8, 8, 3), np.rint(np.array([0.9175, 0.2003, 0.1386]) * 255), np.uint8)
    path = save(tmp_path / "a.png", pixels, icc_profile=icc.profile(icc.DISPLAY_P3, None))
    assert np.abs(one(path).pixels[4, 4].astype(int) - (255, 0, 0)).max() <= 6


def test_grey_profile(tmp_path: Path) -> None:
    ramp = np.tile(np.arange(0, 256, 5, dtype=np.uint8), (4, 1))
    path = save(tmp_path / "a.png", ramp, icc_profile=icc.grey_profile(1.8))
    wanted = icc.encode_srgb((ramp / 255.0) ** 1.8) * 255
    assert np.abs(one(path).pixels[..., 1] - wanted).max() <= 2


def test_an_srgb_profile_changes_nothing(tmp_path: Path) -> None:
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    path = save(tmp_path / "a.png", scene(), icc_profile=profile)
    np.testing.assert_array_equal(one(path).pixels, scene())


@pytest.mark.parametrize("profile", [b"nonsense", b"", icc.profile(icc.DISPLAY_P3, None)[:300]])
def test_a_broken_profile_is_ignored(tmp_path: Path, profile: bytes) -> None:
    path = save(tmp_path / "a.png", scene(), icc_profile=profile)
    np.testing.assert_array_equal(one(path).pixels, scene())


def test_a_profile_for_another_kind_of_picture_is_ignored(tmp_path: Path) -> None:
    path = save(tmp_path / "a.png", scene(), icc_profile=icc.grey_profile(1.8))
    np.testing.assert_array_equal(one(path).pixels, scene())


def test_cmyk_jpeg(tmp_path: Path) -> None:
    white_black_red = np.zeros((8, 24, 4), np.uint8)
    white_black_red[:, 8:16, 3] = 255
    white_black_red[:, 16:, 1:3] = 255
    image = Image.fromarray(white_black_red, "CMYK")
    pixels = one(save(tmp_path / "a.jpg", image, quality=100, subsampling=0)).pixels
    assert pixels[4, 3].min() > 245
    assert pixels[4, 12].max() < 12
    assert pixels[4, 21, 0] > 200 and pixels[4, 21, 1:].max() < 60


# --- resolution


@pytest.mark.parametrize(("ppi", "believed"), [(300, True), (72, False), (96, False), (1, False)])
def test_stated_resolution(tmp_path: Path, ppi: int, believed: bool) -> None:
    page = np.full((1000, 800, 3), 255, np.uint8)
    photo = one(save(tmp_path / "a.png", page, dpi=(ppi, ppi)))
    assert photo.ppi == (pytest.approx(ppi, abs=0.1) if believed else None)


@pytest.mark.parametrize(
    ("stated", "size", "camera"),
    [
        ((300, 150), (2480, 3508), False),
        ((300, 300), (2480, 3508), True),
        ((300, 300), (200, 100), False),
        ((300, 300), (30000, 100), False),
        ((float("nan"), 300), (2480, 3508), False),
        ((1e9, 1e9), (2480, 3508), False),
        (None, (2480, 3508), False),
        (("x", "y"), (2480, 3508), False),
    ],
)
def test_resolutions_not_believed(stated: object, size: tuple[int, int], camera: bool) -> None:
    assert believable_ppi(stated, *size, camera) is None
    assert believable_ppi((300, 300), 2480, 3508) == 300


# --- several pages, animations, PDF, HEIC


def test_every_page_of_a_tiff(tmp_path: Path) -> None:
    pages = [Image.fromarray(np.full((20, 30 + k, 3), 60 * k, np.uint8)) for k in range(3)]
    pages[0].save(tmp_path / "book.tif", save_all=True, append_images=pages[1:])
    photos = list(read_photos(tmp_path / "book.tif"))
    assert [p.name for p in photos] == ["book-1", "book-2", "book-3"]
    assert [p.pixels.shape[1] for p in photos] == [30, 31, 32]
    assert [int(p.pixels[0, 0, 0]) for p in photos] == [0, 60, 120]


@pytest.mark.parametrize("ending", ["gif", "png", "webp"])
def test_the_first_frame_of_an_animation(tmp_path: Path, ending: str) -> None:
    frames = [Image.fromarray(np.full((20, 30, 3), v, np.uint8)) for v in (255, 0)]
    options: dict[str, Any] = {"lossless": True} if ending == "webp" else {}
    path = tmp_path / f"a.{ending}"
    frames[0].save(path, save_all=True, append_images=frames[1:], duration=100, **options)
    assert (one(path).pixels == 255).all()


def test_heic_round_trip(tmp_path: Path) -> None:
    path = tmp_path / "a.HEIC"
    pillow_heif.from_pillow(Image.fromarray(scene(80, 128))).save(path, quality=100, chroma=444)
    away = np.abs(one(path).pixels.astype(int) - scene(80, 128))
    assert away.mean() < 2.0


def test_heic_fixture_is_upright() -> None:
    photo = one(FIXTURES / "upright.heic")
    assert photo.pixels.shape == (96, 64, 3)
    assert photo.pixels[8, 8, 0] > 200 and photo.pixels[8, 8, 1] < 80
    assert photo.pixels[90, 60].min() > 200


def test_scanned_pdf_gives_its_pictures_at_their_own_resolution(tmp_path: Path) -> None:
    pages = [_page(620, 877), _page(877, 620)]
    pages[0].save(tmp_path / "book.pdf", save_all=True, append_images=pages[1:], resolution=75.5)
    photos = list(read_photos(tmp_path / "book.pdf"))
    assert [p.name for p in photos] == ["book-1", "book-2"]
    assert photos[0].pixels.shape == (877, 620, 3)
    assert photos[1].pixels.shape == (620, 877, 3)
    assert photos[0].ppi == pytest.approx(75.5, rel=0.01)
    assert np.abs(photos[0].pixels.astype(int) - np.asarray(pages[0])).mean() < 3


def test_pdf_fixture_drawn_by_curves_and_turned_picture() -> None:
    """Page 1 holds curves alone and is drawn at 300 ppi; page 2 a picture on its side."""
    drawn, turned = read_photos(FIXTURES / "two_pages.pdf")
    assert drawn.ppi == 300
    assert drawn.pixels.shape[:2] == pytest.approx((1240, 874), abs=1)
    # A black disc of radius 20 mm about the middle, 300 ppi: 236 px.
    dark = drawn.pixels[..., 1] < 128
    assert dark.sum() == pytest.approx(np.pi * (20 / 25.4 * 300) ** 2, rel=0.01)
    assert turned.pixels.shape[0] > turned.pixels.shape[1]


def _page(width: int, height: int) -> Image.Image:
    y, x = np.mgrid[:height, :width]
    grey = 200 + 50 * np.sin(x / 31.0) * np.cos(y / 47.0)
    return Image.fromarray(np.repeat(grey[..., None], 3, axis=2).astype(np.uint8))


def _png(width: int, height: int, depth: int, colour: int, data: bytes) -> bytes:
    """A PNG of one IDAT (PNG specification, 2nd edition)."""

    def chunk(name: bytes, body: bytes) -> bytes:
        return (
            struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))
        )

    head = struct.pack(">IIBBBBB", width, height, depth, colour, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", data) + chunk(b"IEND", b"")
