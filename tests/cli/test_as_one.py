"""The command on several photos of one page: what it leaves, goes on from, and refuses."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest
from click.testing import CliRunner, Result
from PIL import Image

import inkclean
import inkclean.pipeline
from inkclean import kept
from inkclean.base.arrays import U8
from inkclean.base.errors import OutputError
from inkclean.cli.main import main
from inkclean.jobs.results import Target, edits_kept

DPI = 150


def _run(*words: object) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words])


def _page(seed: int) -> U8:
    """Return a page of strokes and rings, (H, W, 3): 102 × 136 mm at 150 dpi (invented)."""
    rng = np.random.default_rng(seed)
    paper = np.full((800 * 2, 600 * 2), 235, np.uint8)
    for _ in range(70):
        x, y = rng.integers(80, 1120), rng.integers(80, 1520)
        turn, long = rng.uniform(0, np.pi), rng.integers(40, 160)
        end = int(x + long * np.cos(turn)), int(y + long * np.sin(turn))
        cv2.line(paper, (int(x), int(y)), end, 25, int(rng.integers(5, 14)), cv2.LINE_AA)
    for _ in range(25):
        middle = int(rng.integers(120, 1080)), int(rng.integers(120, 1480))
        cv2.circle(paper, middle, int(rng.integers(14, 60)), 25, 6, cv2.LINE_AA)
    small = cv2.resize(paper, (600, 800), interpolation=cv2.INTER_AREA)
    grain = rng.normal(0, 1.5, small.shape)
    return np.repeat(np.clip(small + grain, 0, 255).astype(np.uint8)[..., None], 3, axis=2)


def _save(pixels: U8, path: Path) -> Path:
    Image.fromarray(np.ascontiguousarray(pixels)).save(path, dpi=(DPI, DPI))
    return path


@pytest.fixture
def parts(tmp_path: Path) -> tuple[Path, Path]:
    """Return the upper and the lower part of a page, the lower turned half round and darker."""
    page = _page(1)
    lower = (page[300:][::-1, ::-1] * 0.9).astype(np.uint8)
    return _save(page[:500], tmp_path / "upper.png"), _save(lower, tmp_path / "lower.png")


def test_parts_become_the_page(parts: tuple[Path, Path], tmp_path: Path) -> None:
    out = tmp_path / "out"
    asked = ("clean", *parts, "--as-one", "--frame", "whole", "-o", out)
    result = _run(*asked, "--json")
    assert result.exit_code == 0, result.output
    report = json.loads(result.stdout)
    assert Path(report["outputs"]["ink"]).name == "upper.ink.png"
    assert report["sheet"]["height_mm"] == pytest.approx(800 / DPI * 25.4, abs=0.5)
    whole = _save(_page(1), tmp_path / "whole.png")
    _run("clean", whole, "--frame", "whole", "-o", out)
    joined, alone = (np.asarray(Image.open(out / f"{n}.ink.png")) for n in ("upper", "whole"))
    high, wide = np.minimum(joined.shape, alone.shape)
    wrong = joined[:high, :wide] != alone[:high, :wide]
    # half a pixel of the scan along every edge would be a tenth of the ink
    assert wrong.mean() < 0.02 * (~alone).mean() / 0.1
    again = _run(*asked)
    assert "already done" in again.stdout


@pytest.mark.slow(6)
def test_a_ticket_names_all_its_photos(
    parts: tuple[Path, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "out"
    monkeypatch.setenv(kept.PLACE, str(tmp_path / "kept"))
    assert _run("clean", *parts, "--as-one", "--frame", "whole", "-o", out).exit_code == 0
    ticket = out / "upper.ticket.json"
    body = json.loads(ticket.read_text("utf-8"))
    assert [other["photo"] for other in body["others"]] == ["../lower.png"]
    with monkeypatch.context() as patch:  # what cleaning kept is enough for a poster
        patch.setattr(inkclean.pipeline, "cut", None)
        poster = _run("press", ticket, "--poster", "A4", "--on", "A5", "-o", out)
        assert poster.exit_code == 0, poster.output
    assert _run("flats", ticket, "-o", out).exit_code == 0
    assert _run("press", ticket, "--trim", "102x136mm", "-o", out).exit_code == 0
    _save(_page(2), parts[1])
    changed = _run("press", ticket, "--trim", "102x136mm", "-o", out, "--replace")
    assert changed.exit_code == 3
    assert "lower.png has changed" in changed.stderr


@pytest.mark.slow(6)
def test_what_was_corrected_by_hand_stays_on_the_joined_page(
    parts: tuple[Path, Path], tmp_path: Path
) -> None:
    out = tmp_path / "out"
    asked = ("clean", *parts, "--as-one", "--frame", "whole", "-o", out)
    assert _run(*asked).exit_code == 0
    ticket = out / "upper.ticket.json"
    body = json.loads(ticket.read_text("utf-8"))
    ring = [[0, 0], [100, 0], [100, 60], [0, 60]]
    body["edits"] = {
        "ink": {"strokes": [{"how": "white", "points_mm": [[0, 100, 8], [101, 100, 8]]}]},
        "lettering": {"moves": [{"to": "text", "points_mm": ring}]},
    }
    ticket.write_text(json.dumps(body), "utf-8")
    assert _run(*asked, "--also", "lettering", "--replace").exit_code == 0
    text, art = (np.asarray(Image.open(out / f"upper.{kind}.png").getchannel("A")) > 0
                 for kind in ("lettering", "art"))  # fmt: skip
    per_mm = 600 / 25.4
    upper, lower = slice(0, round(40 * per_mm)), slice(round(98 * per_mm), round(102 * per_mm))
    assert text[upper].any() and not art[upper].any()
    assert not text[lower].any() and not art[lower].any()
    # its first photo alone is another page: neither are they laid on it, nor lost
    before = ticket.read_bytes()
    for alone in ("clean", "flats"):
        refused = _run(alone, parts[0], "-o", out, "--replace")
        assert refused.exit_code == 3
        assert "joined from several photos" in refused.stderr
        assert len(refused.stderr.splitlines()) == 1
    with pytest.raises(OutputError, match="joined from several photos"):
        inkclean.Page(parts[0], frame="whole").write(out, replace=True)
    page = inkclean.Page(parts[0], others=(parts[1],), frame="whole")
    edits = edits_kept(page._photos(parts[0]), Target(out, "upper", True))
    assert edits["ink"]["strokes"]
    assert ticket.read_bytes() == before


@pytest.mark.parametrize("command", ["clean", "flats", "press"])
def test_other_pages_are_refused_and_nothing_is_written(command: str, tmp_path: Path) -> None:
    one, two = _save(_page(1), tmp_path / "one.png"), _save(_page(2), tmp_path / "two.png")
    out = tmp_path / "out"
    result = _run(command, one, two, "--as-one", "-o", out)
    assert result.exit_code == 3
    assert result.stderr.strip().count("\n") == 0
    assert "one and two do not show one page" in result.stderr
    assert not out.exists() or not list(out.iterdir())


def test_one_photo_or_a_ticket_is_no_set(parts: tuple[Path, Path], tmp_path: Path) -> None:
    assert _run("clean", parts[0], "--as-one").exit_code == 2
    assert _run("clean", *parts, "--as-one", "--even").exit_code == 2
    ticket = tmp_path / "x.ticket.json"
    assert _run("flats", parts[0], ticket, "--as-one").exit_code == 2
    assert _run("press", parts[0], ticket, "--as-one").exit_code == 2


def test_parts_go_to_print_as_one(tmp_path: Path) -> None:
    page = _page(1)
    _save(page[:500], tmp_path / "upper.png")
    _save(page[300:], tmp_path / "lower.png")
    result = _run("press", tmp_path / "upper.png", tmp_path / "lower.png", "--as-one", "--json")
    assert result.exit_code == 0, result.output
    report = json.loads(result.stdout)
    assert report["trim"]["height_mm"] == pytest.approx(800 / DPI * 25.4, abs=0.5)
    assert sorted(path.name for path in tmp_path.glob("*.pdf")) == ["upper.press.pdf"]


def test_a_python_program_joins_them_too(parts: tuple[Path, Path], tmp_path: Path) -> None:
    page = inkclean.Page(parts[0], others=[parts[1]], frame="whole")
    assert page.sheet.height_mm == pytest.approx(800 / DPI * 25.4, abs=0.5)
    report = page.write(tmp_path / "out")
    assert _run(
        "clean", *parts, "--as-one", "--frame", "whole", "-o", tmp_path / "out"
    ).stdout.count("already done")
    assert report.sheet.framed == "whole"
