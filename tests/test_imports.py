"""The flow of the package: imports point one way, and the command starts light."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1] / "inkclean"
ORDER = ["sheet", "ink", "curves", "flats", "deliver", "demo", "pipeline", "results"]
ORDER += ["pages", "batch", "book", "timings", "remote", "cluster", "overview"]
ORDER += ["press_pages", "flat_pages", "cli_options", "cli_clean", "cli_flats", "cli_press"]
ORDER += ["cli_demo", "cli", "desk"]
BASE = {"arrays", "bands", "errors", "inputs", "pool", "units"}
FREE = {"ticket": set(ORDER[4:])}
HEAVY = ["cv2", "scipy", "skimage", "reportlab", "pikepdf", "PIL", "numba", "starlette"]


def _imported(path: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module:
            names.add(node.module)
            names.update(f"{node.module}.{alias.name}" for alias in node.names)
        elif isinstance(node, ast.Import):
            names.update(alias.name for alias in node.names)
    parts = (name.split(".") for name in names)
    return {part[1] for part in parts if part[0] == "inkclean" and len(part) > 1}


@pytest.mark.parametrize("path", sorted(ROOT.rglob("*.py")), ids=str)
def test_imports_point_one_way(path: Path) -> None:
    own = path.relative_to(ROOT).parts[0].removesuffix(".py")
    for other in _imported(path) - BASE - {own, "__version__"}:
        if own in BASE:
            pytest.fail(f"{path} is a base module and imports {other}")
        if own in ORDER and other in ORDER:
            assert ORDER.index(other) < ORDER.index(own), f"{path} imports back up: {other}"
        if other in FREE:
            assert own in FREE[other], f"{path} imports {other}"


@pytest.mark.parametrize("path", sorted(ROOT.rglob("*.py")), ids=str)
def test_modules_stay_under_400_lines(path: Path) -> None:
    assert len(path.read_text("utf-8").splitlines()) < 400


def test_package_import_is_light() -> None:
    code = f"import sys, inkclean; print([m for m in {HEAVY!r} if m in sys.modules])"
    shown = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert shown.stdout.strip() == "[]"


def test_a_page_is_cleaned_without_what_takes_long_to_load() -> None:
    modules = ("batch", "pipeline", "results", "sheet.read", "curves.trace", "deliver.svg")
    lines = "; ".join(f"import inkclean.{module}" for module in modules)
    slow = ["scipy", "skimage", "reportlab", "pikepdf"]
    code = f"import sys; {lines}; print([m for m in {slow!r} if m in sys.modules])"
    shown = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert shown.stdout.strip() == "[]"
