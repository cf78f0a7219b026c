"""Cases of a test that ask the same of the same calls: a few of them are enough elsewhere."""

from __future__ import annotations

from typing import Any

import pytest


def some_like(first: int, *cases: Any) -> list[Any]:
    """Return cases to parametrize with; all after the ``first`` few are marked as like these."""
    told = [case if isinstance(case, tuple) else (case,) for case in cases]
    return [*cases[:first], *(pytest.param(*case, marks=pytest.mark.like) for case in told[first:])]
