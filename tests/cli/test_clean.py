"""The command: results, refusals, exit codes, one line an error."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import click
import cv2
import numpy as np
import pytest
from click.testing import CliRunner, Result
from PIL import Image

from inkclean.base.colour import to_srgb
from inkclean.cli.clean import summary
from inkclean.cli.main import main
from inkclean.jobs.reports import report_from

HEAVY = ["numpy", "cv2", "scipy", "skimage", "reportlab", "pikepdf", "PIL", "numba"]


def _scan(path: Path, dpi: int = 150) -> Path:
    """A small scan: a ruled panel, lines 2 px wide and a black on grey paper (invented)."""
    fine = 8
    paper = np.full((620 * fine, 440 * fine), 0.66, np.float32)
    cv2.rectangle(paper, (40 * fine, 40 * fine), (400 * fine, 300 * fine), 0.015, 3 * fine)
    cv2.circle(paper, (200 * fine, 430 * fine), 70 * fine, 0.015, -1)
    for x in range(60, 380, 24):
        cv2.line(paper, (x * fine, 60 * fine), ((x + 30) * fine, 280 * fine), 0.03, 2 * fine)
    light = cv2.GaussianBlur(paper, (0, 0), 0.7 * fine)
    light = cv2.resize(light, (440, 620), interpolation=cv2.INTER_AREA)
    grain = np.random.default_rng(3).normal(0, 0.008, light.shape)
    shown = (light + grain).astype(np.float32)
    Image.fromarray(to_srgb(np.repeat(shown[..., None], 3, axis=2))).save(
        path, quality=95, dpi=(dpi, dpi)
    )
    return path


def _run(*words: str | Path) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words])


def _one_line(result: Result, code: int) -> str:
    assert result.exit_code == code, result.output
    assert result.exception is None or isinstance(result.exception, SystemExit)
    text = result.stderr.strip()
    assert "\n" not in text
    assert "Traceback" not in text
    assert text.startswith("inkclean: ")
    return text


def test_clean_leaves_what_the_design_says(tmp_path: Path) -> None:
    photo = _scan(tmp_path / "quay.jpg")
    before = photo.read_bytes()
    result = _run("clean", photo, "--json", "--also", "lines,pencil,grey,tiff,pdf,proof")
    assert result.exit_code == 0, result.output
    report: dict[str, Any] = json.loads(result.stdout)
    assert set(report) == {
        "input", "outputs", "sheet", "capture", "pencil", "ink", "curves", "seconds", "version",
        "done_before",
    }  # fmt: skip
    assert {"width_mm", "height_mm", "px_per_mm", "corners_px", "framed"} <= set(report["sheet"])
    assert {"sharpness", "light_ratio", "clipped_share", "verdict", "advice"} <= set(
        report["capture"]
    )
    assert {"found", "colour", "share"} <= set(report["pencil"])
    assert {"share", "thinnest_mm"} <= set(report["ink"])
    assert {"shapes", "segments", "nodes"} <= set(report["curves"])
    assert set(report["outputs"]) == {
        "ink", "svg", "ticket", "lines", "pencil", "grey", "tiff", "pdf", "proof",
    }  # fmt: skip
    assert all(Path(path).exists() for path in report["outputs"].values())
    assert not list(tmp_path.glob(".*.part"))
    assert photo.read_bytes() == before
    with Image.open(tmp_path / "quay.ink.png") as ink:
        assert ink.mode == "1"
        assert ink.info["dpi"] == pytest.approx((600, 600), abs=0.02)
        assert abs(ink.size[0] - 440 * 4) <= 1
        share = 1.0 - np.asarray(ink).mean()
    assert report["ink"]["share"] == pytest.approx(share, abs=0.002)
    # 2 px lines at 150 dpi
    assert report["ink"]["thinnest_mm"] == pytest.approx(0.34, abs=0.08)
    ticket = json.loads((tmp_path / "quay.ticket.json").read_text("utf-8"))
    assert ticket["measured"]["ink"] == report["ink"]
    # what the summary says of places to check, with a proof to see them in and without
    place = {"x_mm": 1.0, "y_mm": 2.0, "size_mm": 0.3, "why": "a faint mark kept as ink"}
    ticket["measured"]["ink"]["to_check"] = [place]
    shown = report_from(ticket["measured"], str(photo), {"proof": "quay.proof.png"})
    assert "  1 place to check, numbered in quay.proof.png" in summary(shown)
    ticket["measured"]["ink"]["to_check"] = [place, place]
    alone = report_from(ticket["measured"], str(photo), {})
    assert "  2 places to check; add --also proof to see them" in summary(alone)


def test_nothing_is_written_over(tmp_path: Path) -> None:
    photo = _scan(tmp_path / "quay.png")
    assert _run("clean", photo, "--quiet").exit_code == 0
    first = (tmp_path / "quay.svg").read_bytes()
    text = _one_line(_run("clean", photo, "--weight", "0.5"), 3)
    assert "--replace" in text
    assert (tmp_path / "quay.svg").read_bytes() == first
    again = _run("clean", photo, "--replace", "--weight", "0.5", "--quiet")
    assert again.exit_code == 0
    assert again.output == ""
    assert (tmp_path / "quay.svg").read_bytes() != first


@pytest.mark.slow
def test_a_finished_page_is_not_done_again(tmp_path: Path) -> None:
    photo = _scan(tmp_path / "quay.png")
    first = json.loads(_run("clean", photo, "--json").stdout)
    stamp = (tmp_path / "quay.svg").stat().st_mtime_ns
    second = json.loads(_run("clean", photo, "--json").stdout)
    assert not first["done_before"]
    assert second["done_before"]
    assert second["ink"] == first["ink"]
    assert (tmp_path / "quay.svg").stat().st_mtime_ns == stamp
    # a result that was touched, or one that is missing, is made anew
    (tmp_path / "quay.svg").write_text("<svg/>")
    assert not json.loads(_run("clean", photo, "--json", "--replace").stdout)["done_before"]
    assert not json.loads(_run("clean", photo, "--json", "--replace", "--also", "tiff").stdout)[
        "done_before"
    ]


@pytest.mark.slow
def test_same_in_same_out(tmp_path: Path) -> None:
    photo = _scan(tmp_path / "quay.png")
    for folder in ("a", "b"):
        assert _run("clean", photo, "-o", tmp_path / folder, "--also", "lines").exit_code == 0
    for name in ("quay.ink.png", "quay.svg", "quay.lines.png", "quay.ticket.json"):
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()


@pytest.mark.slow
def test_folder_with_a_bad_page(tmp_path: Path) -> None:
    _scan(tmp_path / "one.png")
    (tmp_path / "two.jpg").write_bytes(b"")
    _scan(tmp_path / "three.png")
    (tmp_path / "notes.txt").write_text("not a page")
    result = _run("clean", tmp_path, "-o", tmp_path / "out", "--json")
    assert result.exit_code == 4
    assert [Path(json.loads(line)["input"]).name for line in result.stdout.splitlines()] == [
        "one.png",
        "three.png",
    ]
    assert "two.jpg" in result.stderr
    # results beside the photos are not taken for photos the next time
    _run("clean", tmp_path / "one.png")
    again = _run("clean", tmp_path, "-o", tmp_path / "again", "--json")
    assert len(again.stdout.splitlines()) == 2


@pytest.mark.parametrize(
    ("words", "code"),
    [
        (["clean", "none.jpg"], 3),
        (["clean", "text.jpg"], 3),
        (["clean", "page.png", "--paper", "A9"], 2),
        (["clean", "page.png", "--frame", "1,2;3"], 2),
        (["clean", "page.png", "--frame", "0,0;0,0;0,0;0,0"], 2),
        (["clean", "page.png", "--drop", "tartan"], 2),
        (["clean", "page.png", "--speck", "big"], 2),
        (["clean", "page.png", "--within", "0"], 2),
        (["clean", "page.png", "--also", "cake"], 2),
        (["clean", "empty"], 3),
    ],
)
def test_one_line_and_a_code(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: list[str], code: int
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "empty").mkdir()
    (tmp_path / "text.jpg").write_text("this is no picture")
    _scan(tmp_path / "page.png")
    _one_line(_run(*words), code)
    assert not list(tmp_path.glob("page.*.json"))


def test_two_inputs_of_one_name(tmp_path: Path) -> None:
    text = _one_line(_run("clean", _scan(tmp_path / "a.png"), _scan(tmp_path / "a.jpg")), 2)
    assert "same name" in text


@pytest.mark.slow
def test_jobs_change_nothing(tmp_path: Path) -> None:
    photos = [_scan(tmp_path / f"{name}.png") for name in ("a", "b")]
    for jobs in ("1", "2"):
        ran = subprocess.run(
            [sys.executable, "-m", "inkclean.cli", "clean", *photos, "-o", tmp_path / jobs,
             "--jobs", jobs, "--quiet"],
            capture_output=True, text=True, check=False,
        )  # fmt: skip
        assert ran.returncode == 0, ran.stderr
    for path in (tmp_path / "1").iterdir():
        assert path.read_bytes() == (tmp_path / "2" / path.name).read_bytes()


def test_help_is_light() -> None:
    code = (
        "import sys; from click.testing import CliRunner; from inkclean.cli.main import main\n"
        "assert CliRunner().invoke(main, ['--help']).exit_code == 0\n"
        f"print([m for m in {HEAVY!r} if m in sys.modules])"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ran.stdout.strip() == "[]"


def test_every_option_is_in_the_readme() -> None:
    readme = (Path(__file__).parents[2] / "README.md").read_text("utf-8")
    for name, command in main.commands.items():
        assert f"inkclean {name}" in readme
        for option in command.params:
            if isinstance(option, click.Option):
                assert any(f"`{word}" in readme for word in option.opts), (name, option.opts)
