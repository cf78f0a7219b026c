"""What users install: the wheel, without extras, in an empty environment, from an empty folder."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest
from PIL import Image

ROOT = Path(__file__).parents[1]
# Made of the sources where there is a compiler
COMPILED = (".c", ".so", ".pyd")


def _run(*words: str | Path, cwd: Path) -> subprocess.CompletedProcess[str]:
    env = {key: value for key, value in os.environ.items() if not key.startswith("PYTHON")}
    return subprocess.run(
        [str(word) for word in words], cwd=cwd, env=env, capture_output=True, text=True, check=False
    )


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel, built from a copy, since building leaves its traces in the folder."""
    folder = tmp_path_factory.mktemp("wheel")
    source = folder / "source"
    skip = shutil.ignore_patterns("__pycache__", "*.pyc")
    shutil.copytree(ROOT / "inkclean", source / "inkclean", ignore=skip)
    for name in ("pyproject.toml", "README.md", "LICENSE"):
        shutil.copy(ROOT / name, source)
    pip = [sys.executable, "-m", "pip", "--disable-pip-version-check", "wheel", "-q", "--no-deps"]
    built = _run(*pip, "-w", folder, source, cwd=folder)
    if built.returncode and "No matching distribution" in built.stderr:
        pytest.skip("no package index can be reached to build with")
    assert built.returncode == 0, built.stderr
    (found,) = folder.glob("*.whl")
    return found


@pytest.mark.slow
def test_wheel_holds_the_package_and_nothing_else(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        names = set(archive.namelist())
        about = archive.read(next(name for name in names if name.endswith("/METADATA"))).decode()
    here = {
        path.relative_to(ROOT).as_posix()
        for path in (ROOT / "inkclean").rglob("*")
        if path.is_file()
        and "__pycache__" not in path.parts
        and path.name != "README.md"  # for whoever reads the code
        and path.suffix not in COMPILED
    }
    held = {name for name in names if ".dist-info/" not in name}
    assert {name for name in held if Path(name).suffix not in COMPILED} == here
    assert any(name.endswith("/LICENSE") for name in names)
    for line in about.splitlines():
        if line.startswith("Requires-Dist:") and "extra ==" not in line:
            assert not any(word in line for word in ("distributed", "starlette", "pytest"))


@pytest.mark.slow(80)
def test_the_demo_runs_from_an_empty_environment(wheel: Path, tmp_path: Path) -> None:
    place = tmp_path / "empty"
    place.mkdir()
    made = _run(sys.executable, "-m", "venv", "--without-pip", place / "env", cwd=place)
    assert made.returncode == 0, made.stderr
    python = place / "env" / "bin" / "python"
    pip = [sys.executable, "-m", "pip", "--disable-pip-version-check", "--python", str(python)]
    installed = _run(*pip, "install", "-q", "--no-compile", wheel, cwd=place)
    if installed.returncode and "No matching distribution" in installed.stderr:
        pytest.skip("no package index can be reached to install from")
    assert installed.returncode == 0, installed.stderr
    command = python.parent / "inkclean"
    ran = _run(command, "demo", "page", "--quiet", cwd=place)
    assert (ran.returncode, ran.stdout, ran.stderr) == (0, "", "")
    with Image.open(place / "page" / "lamp-heron.ink.png") as ink:
        # the demo page is A4; at 600 dpi that is 4961 × 7016 px
        assert ink.mode == "1"
        assert abs(ink.width - 4961) < 40
        assert abs(ink.height - 7016) < 40
    assert (place / "page" / "lamp-heron.svg").stat().st_size > 50_000
    # what needs an extra says which
    photo = place / "page" / "lamp-heron.jpg"
    asked = _run(command, "clean", photo, "-o", "x", "--cluster", "127.0.0.1:1", cwd=place)
    assert asked.returncode == 2
    assert "inkclean[cluster]" in asked.stderr
    assert len(asked.stderr.strip().splitlines()) == 1
