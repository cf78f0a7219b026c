"""One version, in both places that state it."""

from __future__ import annotations

import tomllib
from pathlib import Path

from inkclean import __version__


def test_versions_agree() -> None:
    text = (Path(__file__).parents[1] / "pyproject.toml").read_text("utf-8")
    assert tomllib.loads(text)["project"]["version"] == __version__
