"""What was compiled when the package was installed, where there was a compiler.

Whoever uses it has a slower way too, by numpy, which gives the same to the bit, or by OpenCV,
which gives the same but for rounding.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any


def compiled(name: str) -> Any:
    """Return the module compiled under this full name; None where it was not."""
    try:
        return import_module(name)
    except ImportError:
        return None
