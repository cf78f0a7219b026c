"""All of C is compiled where there is a compiler: else its tests would be skipped, unseen."""

from __future__ import annotations

import shutil
import tomllib
from pathlib import Path

import pytest

from inkclean.base.compiled import compiled

PROJECT = Path(__file__).parents[2] / "pyproject.toml"
COMPILER = shutil.which("gcc") or shutil.which("clang")


@pytest.mark.skipif(not COMPILER, reason="no compiler is here")
def test_what_can_be_compiled_was() -> None:
    modules = tomllib.loads(PROJECT.read_text("utf-8"))["tool"]["setuptools"]["ext-modules"]
    sources = {PROJECT.parent / source for module in modules for source in module["sources"]}
    assert sources == set(PROJECT.parent.glob("inkclean/**/*.c"))
    missing = [module["name"] for module in modules if compiled(module["name"]) is None]
    assert not missing, "install the package again: pip install -e '.[dev]'"


def test_what_was_not_compiled_is_none() -> None:
    assert compiled("inkclean.base._none_such") is None
