"""What the desk may show speaks of no option of the command line, and of nothing by two words."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

import inkclean
from inkclean.cli.main import main

PACKAGE = Path(inkclean.__file__).parent
# rooms whose messages the desk shows as they are
SHOWN = (
    *("sheet", "ink", "curves", "flats", "desk", "page.py", "pipeline.py"),
    *("deliver/press/check.py", "deliver/press/art.py", "deliver/press/colour.py"),
    *("deliver/press/screened.py", "deliver/press/plated.py"),
)
# starts the desk, and speaks on the command line
SPEAKS_THERE = PACKAGE / "desk" / "web" / "serve.py"
# words that were given up, each for one that says the same
OLD = (
    *("doubtful", "in doubt", "taken off", "taken away", "take away", "worth a look"),
    *("done before", "no say", "goes before", "closeness", "smallest mark", "a fault of"),
)
# the name of a column, and of a value kept for Python programs
KEPT = {"doubtful", "done_before"}


def _modules() -> list[Path]:
    found = [PACKAGE / name for name in SHOWN]
    inside = (p for path in found for p in (path.rglob("*.py") if path.is_dir() else [path]))
    return sorted(path for path in inside if path != SPEAKS_THERE)


def _texts(path: Path) -> Iterator[str]:
    """Yield the module's strings, but for what describes it."""
    tree = ast.parse(path.read_text("utf-8"))
    described = {
        id(node.value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and id(node) not in described:
            yield from [node.value] if isinstance(node.value, str) else []


def _options() -> set[str]:
    return {
        word
        for command in main.commands.values()
        for option in command.params
        for word in option.opts
        if word.startswith("--")
    }


@pytest.mark.parametrize("path", _modules(), ids=lambda p: p.relative_to(PACKAGE).as_posix())
def test_no_option_shows_on_the_desk(path: Path) -> None:
    spoken = {word for text in _texts(path) for word in re.findall(r"--[a-z][a-z-]+", text)}
    assert not spoken & _options()


def test_no_option_stands_in_the_browsers_code() -> None:
    for path in sorted((PACKAGE / "desk").rglob("static/*")):
        if path.suffix != ".css":  # its properties look like options
            spoken = set(re.findall(r"--[a-z][a-z-]+", path.read_text("utf-8")))
            assert not spoken & _options(), path.name


def test_words_that_were_given_up_stay_away() -> None:
    found = []
    for path in sorted(PACKAGE.rglob("*.py")):
        for text in _texts(path):
            low = text.lower()
            found += [(path.name, text) for word in OLD if word in low and text not in KEPT]
    for path in sorted((PACKAGE / "desk").rglob("static/*.js")):
        for text in re.findall(r"[\"`]([^\"`\n]+)[\"`]", path.read_text("utf-8")):
            found += [(path.name, text) for word in OLD if word in text.lower()]
    assert found == []
