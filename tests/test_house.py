"""The house rules: lint, format and types are clean."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]


@pytest.mark.parametrize(
    "words",
    [
        ["ruff", "check", "."],
        ["ruff", "format", "--check", "."],
        pytest.param(["mypy"], marks=pytest.mark.slow(70)),
    ],
    ids=["lint", "format", "types"],
)
def test_house_rule(words: list[str]) -> None:
    ran = subprocess.run(
        [sys.executable, "-m", *words], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert ran.returncode == 0, ran.stdout + ran.stderr
