"""Bad input: a result that makes sense, or one clear line and its exit code; nothing else."""

from __future__ import annotations

import json
import os
import resource
import signal
import subprocess
import sys
import zipfile
from collections.abc import Iterator, Sequence
from pathlib import Path
from types import FrameType
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from click.testing import CliRunner, Result
from PIL import Image

from inkclean.base.errors import InputError
from inkclean.cli.main import main
from inkclean.jobs import inputs
from inkclean.sheet.read import read_photos
from tests import small_pages
from tests.zoo import animals

# Seconds after which a test counts as hanging; the slowest takes three.
PATIENCE = 60
# Address space of a child in MB: what imports reserve, and twice what a small page takes.
CHILD_MB = 3000


@pytest.fixture(autouse=True)
def _no_hang() -> Iterator[None]:
    def late(number: int, frame: FrameType | None) -> None:
        raise TimeoutError("this input makes it hang")

    before = signal.signal(signal.SIGALRM, late)
    signal.alarm(PATIENCE)
    yield
    signal.alarm(0)
    signal.signal(signal.SIGALRM, before)


def _clean(*words: str | Path) -> Result:
    return CliRunner().invoke(main, ["clean", *(str(word) for word in words)])


def _sound_end(result: Result) -> None:
    """No traceback; an error is one line of its own."""
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    assert "Traceback" not in result.output
    assert "fault of the program" not in result.output
    if result.exit_code:
        lines = result.stderr.removesuffix("\n").split("\n")
        assert len(lines) == 1
        assert lines[0].startswith("inkclean: ")
        assert lines[0].isprintable()


def _sound_folder(folder: Path, names: Sequence[str]) -> None:
    """Every page named is whole, and nothing else is there."""
    endings = (".ink.png", ".svg", ".ticket.json")
    there = sorted(path.name for path in folder.iterdir()) if folder.exists() else []
    assert there == sorted(name + ending for name in names for ending in endings)
    for name in names:
        with Image.open(folder / f"{name}.ink.png") as ink:
            ink.load()
            assert ink.mode == "1"
        ET.fromstring((folder / f"{name}.svg").read_bytes())
        json.loads((folder / f"{name}.ticket.json").read_bytes())


@pytest.mark.slow(20)
@pytest.mark.parametrize("command", ["flats", "press"])
@pytest.mark.parametrize("kind", [*animals.REFUSED, *animals.EITHER])
def test_what_clean_copes_with_the_other_commands_do(
    tmp_path: Path, kind: str, command: str
) -> None:
    path = {**animals.REFUSED, **animals.EITHER}[kind](tmp_path)
    out = tmp_path / "out"
    result = CliRunner().invoke(main, [command, str(path), "-o", str(out), "--quiet"])
    _sound_end(result)
    left = [item.name for item in out.iterdir()] if out.exists() else []
    assert not [name for name in left if name.startswith(".")]
    assert bool(left) == (result.exit_code == 0)


@pytest.mark.parametrize("kind", animals.REFUSED)
def test_refused(tmp_path: Path, kind: str) -> None:
    path = animals.REFUSED[kind](tmp_path)
    with pytest.raises(InputError) as caught:
        list(read_photos(path))
    assert "\n" not in str(caught.value)
    result = _clean(path, "-o", tmp_path / "out")
    _sound_end(result)
    assert result.exit_code == 3
    assert path.name in result.stderr
    _sound_folder(tmp_path / "out", [])


@pytest.mark.parametrize("kind", animals.USED)
def test_used(tmp_path: Path, kind: str) -> None:
    path = animals.USED[kind](tmp_path)
    photo = next(iter(read_photos(path)))
    assert photo.pixels.shape[2] == 3
    result = _clean(path, "-o", tmp_path / "out", "--quiet", "--dpi", "150", "--frame", "whole")
    _sound_end(result)
    assert result.exit_code == 0, result.output
    _sound_folder(tmp_path / "out", [path.stem])
    with Image.open(tmp_path / "out" / f"{path.stem}.ink.png") as ink:
        # the page of small_pages holds about 14 % ink
        assert 0.08 < 1 - np.asarray(ink).mean() < 0.22


@pytest.mark.parametrize(
    "kind",
    [pytest.param(kind, marks=[pytest.mark.slow] * (kind == "noise")) for kind in animals.EITHER],
)
def test_either(tmp_path: Path, kind: str) -> None:
    path = animals.EITHER[kind](tmp_path)
    result = _clean(path, "-o", tmp_path / "out", "--quiet", "--dpi", "150")
    _sound_end(result)
    assert result.exit_code in (0, 3)
    _sound_folder(tmp_path / "out", [path.stem] if result.exit_code == 0 else [])


@pytest.mark.parametrize("kind", ["all white", "all grey", "all clear"])
def test_blank_paper_stays_blank(tmp_path: Path, kind: str) -> None:
    path = animals.EITHER[kind](tmp_path)
    assert _clean(path, "-o", tmp_path / "out", "--quiet", "--dpi", "150").exit_code == 0
    with Image.open(tmp_path / "out" / f"{path.stem}.ink.png") as ink:
        assert np.asarray(ink).all()


@pytest.mark.parametrize("kind", animals.FORMATS)
def test_truncated_at_every_tenth(tmp_path: Path, kind: str) -> None:
    data = animals.encoded(kind)
    whole = tmp_path / f"whole{animals.FORMATS[kind]}"
    whole.write_bytes(data)
    good = next(iter(read_photos(whole))).pixels
    for tenth in range(1, 10):
        path = tmp_path / f"cut{tenth}{animals.FORMATS[kind]}"
        path.write_bytes(data[: len(data) * tenth // 10])
        try:
            photos = list(read_photos(path))
        except InputError as error:
            assert "\n" not in str(error)
            result = _clean(path, "-o", tmp_path / "out")
            _sound_end(result)
            assert result.exit_code == 3
            continue
        # never half a page taken for a whole one
        assert all(np.array_equal(photo.pixels, good) for photo in photos)
    _sound_folder(tmp_path / "out", [])


@pytest.mark.parametrize("name", animals.NAMES, ids=range(len(animals.NAMES)))
def test_odd_names(tmp_path: Path, name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = tmp_path / "in"
    folder.mkdir()
    small_pages.write(tmp_path / "page.png").rename(folder / name)
    monkeypatch.chdir(folder)
    result = _clean("-o", "../out", "--dpi", "150", "--json", "--", name)
    _sound_end(result)
    if len(name) > 200:
        assert result.exit_code in (0, 3)
    else:
        assert result.exit_code == 0, result.output
        assert json.loads(result.stdout)["input"] == name
    stem = Path(name).stem
    _sound_folder(tmp_path / "out", [stem] if result.exit_code == 0 else [])
    assert [path.name for path in folder.iterdir()] == [name]
    if result.exit_code == 0:
        again = _clean("-o", "../out", "--dpi", "150", "--", name)
        assert "already done" in again.stdout
        # in lines for people, a name cannot break the line or colour the screen
        assert all(line.isprintable() for line in again.stdout.splitlines())
        # and one that is bad is told in one line
        (folder / name).write_bytes(b"")
        _sound_end(_clean("-o", "../out", "--dpi", "150", "--", name))


def test_a_name_that_is_no_text(tmp_path: Path) -> None:
    name = os.fsdecode(b"caf\xe9.png")
    try:
        small_pages.write(tmp_path / "page.png").rename(tmp_path / name)
    except OSError:
        pytest.skip("this file system takes no names but Unicode")
    result = _clean(tmp_path, "-o", tmp_path / "out", "--dpi", "150", "--json")
    _sound_end(result)
    assert result.exit_code == 0, result.output
    _sound_folder(tmp_path / "out", [name.removesuffix(".png")])


def test_names_in_svg_are_escaped(tmp_path: Path) -> None:
    name = '<script>alert(1)</script>&"\x1b]]>'.replace("/", "∕")
    small_pages.write(tmp_path / "page.png").rename(tmp_path / f"{name}.png")
    result = _clean(tmp_path / f"{name}.png", "-o", tmp_path / "out", "--also", "pdf", "--quiet")
    assert result.exit_code == 0, result.output
    _harmless_svg((tmp_path / "out" / f"{name}.svg").read_bytes())


def test_flats_of_hostile_names_are_harmless(tmp_path: Path) -> None:
    name = '<script>&"x.png'
    small_pages.write(tmp_path / "page.png").rename(tmp_path / name)
    hints = tmp_path / "hints.json"
    bad = "../../<script>alert(1)</script>&\x1b' onload='x"
    points = [{"x_mm": 25, "y_mm": 65, "colour": "#ff8800", "name": bad}]
    hints.write_text(json.dumps(points))
    words = ["flats", str(tmp_path / name), "-o", str(tmp_path / "out"), "--colours", str(hints)]
    result = CliRunner().invoke(main, [*words, "--quiet"])
    assert result.exit_code == 0, result.output
    stem = Path(name).stem
    for ending in (".svg", ".flats.svg"):
        _harmless_svg((tmp_path / "out" / (stem + ending)).read_bytes())
    # APPNOTE 4.4.17: names relative, with forward slashes
    with zipfile.ZipFile(tmp_path / "out" / f"{stem}.ora") as archive:
        assert archive.testzip() is None
        for entry in archive.infolist():
            parts = entry.filename.split("/")
            assert entry.filename.isprintable()
            assert not {"", "..", "."} & set(parts)
            assert "\\" not in entry.filename
            assert entry.external_attr >> 28 in (0, 8)  # plain files, no links
        ET.fromstring(archive.read("stack.xml"))


def _harmless_svg(data: bytes) -> None:
    """No script, no handler, nothing fetched: SVG 2, chapters 15 and 16."""
    assert b"<!ENTITY" not in data
    for node in ET.fromstring(data).iter():
        tag = str(node.tag).rpartition("}")[2].lower()
        assert tag not in {
            "script", "foreignobject", "image", "use", "a", "iframe", "animate", "set", "style",
        }  # fmt: skip
        for key, value in node.attrib.items():
            bare = key.rpartition("}")[2].lower()
            assert not bare.startswith("on")
            assert bare not in {"href", "src"}
            assert "url(" not in value.lower()
            assert "javascript:" not in value.lower()


def test_a_folder_that_cannot_be_written(tmp_path: Path) -> None:
    path = small_pages.write(tmp_path / "page.png")
    (tmp_path / "file").write_text("no folder")
    places = [tmp_path / "file" / "out", Path("/proc/inkclean-out")]
    if os.geteuid() != 0:
        locked = tmp_path / "locked"
        locked.mkdir(mode=0o500)
        places.append(locked)
    for place in places:
        result = _clean(path, "-o", place, "--dpi", "150")
        _sound_end(result)
        assert result.exit_code == 3
        assert not place.exists() or not any(place.iterdir())


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 40 KiB."""
    place = tmp_path / "disk"
    place.mkdir()
    words = ["mount", "-t", "tmpfs", "-o", "size=40k", "tmpfs", str(place)]
    if os.geteuid() != 0 or subprocess.run(words, capture_output=True, check=False).returncode:
        pytest.skip("mounting a small tmpfs needs to be allowed")
    yield place
    subprocess.run(["umount", str(place)], check=True)


def test_a_full_disk(tmp_path: Path, small_disk: Path) -> None:
    path = small_pages.write(tmp_path / "page.png")
    for also in ("", "grey", "tiff,pdf,proof"):
        # room for some of the results (36 KiB of bitmap, 12 of curves and ticket), never for all
        result = _clean(path, "-o", small_disk, "--dpi", "2400", "--also", also)
        _sound_end(result)
        assert result.exit_code == 3
        assert "No space left" in result.stderr
        assert not any(small_disk.iterdir())
    assert _clean(path, "-o", tmp_path / "out", "--dpi", "150").exit_code == 0


def test_a_file_that_vanishes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("a.png", "b.png", "c.png"):
        small_pages.write(tmp_path / name)
    real = inputs.gather

    def gather(given: Sequence[Path]) -> list[Path]:
        found = real(given)
        (tmp_path / "b.png").unlink()
        return found

    monkeypatch.setattr(inputs, "gather", gather)
    result = _clean(tmp_path, "-o", tmp_path / "out", "--dpi", "150", "--quiet")
    assert result.exit_code == 4
    assert "b.png" in result.stderr
    assert "Traceback" not in result.output
    _sound_folder(tmp_path / "out", ["a", "c"])


def _limited() -> None:
    resource.setrlimit(resource.RLIMIT_AS, (CHILD_MB << 20, CHILD_MB << 20))


@pytest.mark.parametrize(
    "name",
    [
        "png that claims 10 Gpx",
        "png of 400 Mpx",
        "tiff that claims 10 Gpx",
        "pdf whose picture claims 10 Gpx",
        "pdf of a page as large as a town",
        pytest.param("within the budget, more than memory", marks=pytest.mark.slow),
    ],
)
def test_bombs_take_no_memory(tmp_path: Path, name: str) -> None:
    if name in animals.REFUSED:
        path = animals.REFUSED[name](tmp_path)
    else:
        path = tmp_path / "large.png"
        path.write_bytes(animals.png_full(17_000))
    ran = subprocess.run(
        [sys.executable, "-m", "inkclean.cli", "clean", path, "-o", tmp_path / "out"],
        capture_output=True,
        text=True,
        check=False,
        timeout=PATIENCE,
        preexec_fn=_limited,
        env={**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"},
    )
    assert ran.returncode == 3, ran.stderr
    assert len(ran.stderr.strip().splitlines()) == 1, ran.stderr
    assert path.name in ran.stderr
    _sound_folder(tmp_path / "out", [])
