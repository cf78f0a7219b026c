"""The flow of the package: imports point one way, without circles, and the command starts light."""

from __future__ import annotations

import ast
import subprocess
import sys
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1] / "inkclean"
ORDER = ["base", "sheet", "ink", "curves", "flats", "deliver", "demo", "settings", "pipeline"]
ORDER += ["page", "kept", "jobs", "api", "cli", "desk"]
HEAVY = ["cv2", "scipy", "skimage", "reportlab", "pikepdf", "PIL", "numba", "starlette"]
MOST_IN_A_FOLDER = 13
MODULES = {
    ".".join(("inkclean", *path.relative_to(ROOT).with_suffix("").parts)): path
    for path in sorted(ROOT.rglob("*.py"))
    if path.name != "__init__.py"
}


def _imported(path: Path) -> set[str]:
    """Return the package's modules that this one imports, inside functions too."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module:
            names.add(node.module)
            names.update(f"{node.module}.{alias.name}" for alias in node.names)
        elif isinstance(node, ast.Import):
            names.update(alias.name for alias in node.names)
    return names & set(MODULES)


@pytest.mark.parametrize("module", MODULES)
def test_imports_point_one_way(module: str) -> None:
    own = module.split(".")[1]
    # the command starts the desk: the one arrow that points on, followed when it is asked for
    allowed = ORDER[: ORDER.index(own) + 1] + (["desk"] if module == "inkclean.cli.desk" else [])
    for other in _imported(MODULES[module]):
        assert other.split(".")[1] in allowed, f"{module} imports back up: {other}"


def test_no_circles() -> None:
    """Raises ``CycleError``, which names the circle, where modules import each other."""
    order = list(
        TopologicalSorter({m: _imported(path) for m, path in MODULES.items()}).static_order()
    )
    assert set(order) == set(MODULES)


def test_no_two_folders_of_a_room_import_from_each_other() -> None:
    folder = {module: module.rpartition(".")[0] for module in MODULES}
    arrows = {(folder[m], folder[o]) for m, path in MODULES.items() for o in _imported(path)}
    inner = {(a, b) for a, b in arrows if a != b and min(a.count("."), b.count(".")) > 1}
    assert not {(a, b) for a, b in inner if (b, a) in inner and a < b}


def test_one_name_is_one_class() -> None:
    where: dict[str, list[str]] = {}
    for module, path in MODULES.items():
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.ClassDef):
                where.setdefault(node.name, []).append(module)
    twice = {name: modules for name, modules in where.items() if len(modules) > 1}
    assert not twice


@pytest.mark.parametrize("path", sorted(ROOT.rglob("*.py")), ids=str)
def test_modules_stay_under_400_lines(path: Path) -> None:
    assert len(path.read_text("utf-8").splitlines()) < 400


@pytest.mark.parametrize("folder", sorted({path.parent for path in MODULES.values()}), ids=str)
def test_folders_stay_small(folder: Path) -> None:
    held = [path.name for path in folder.glob("*.py") if path.name != "__init__.py"]
    assert len(held) <= MOST_IN_A_FOLDER


def test_package_import_is_light() -> None:
    code = f"import sys, inkclean; print([m for m in {HEAVY!r} if m in sys.modules])"
    shown = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert shown.stdout.strip() == "[]"


def test_a_page_is_cleaned_without_what_takes_long_to_load() -> None:
    modules = (
        "jobs.batch",
        "jobs.crew.choose",
        "page",
        "jobs.results",
        "sheet.read",
        "curves.trace",
    )
    lines = "; ".join(f"import inkclean.{module}" for module in modules)
    slow = ["scipy", "skimage", "reportlab", "pikepdf", "xml.etree", "http", "concurrent.futures"]
    code = f"import sys; {lines}; import inkclean.deliver.vector.svg; "
    code += f"print([m for m in {slow!r} if m in sys.modules])"
    shown = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert shown.stdout.strip() == "[]"
