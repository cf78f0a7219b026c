"""Open data outside the project, where ``INKCLEAN_DATA`` points; none of it is committed."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

VARIABLE = "INKCLEAN_DATA"


def folder(name: str = "") -> Path:
    """Return where data of that name would lie; it may not be there."""
    # without the variable a place that cannot hold anything
    return Path(os.environ.get(VARIABLE) or os.devnull, name)


def missing(name: str) -> pytest.MarkDecorator:
    """Return the mark that skips a test where the data of that name is absent."""
    return pytest.mark.skipif(
        not folder(name).exists(), reason=f"no {name} where {VARIABLE} points"
    )


def data(name: str) -> Path:
    """Return where the data of that name lies; skips the test where it is absent."""
    found = folder(name)
    if not found.exists():
        pytest.skip(f"no {name} where {VARIABLE} points")
    return found
