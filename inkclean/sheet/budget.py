"""How many pixels a picture may have before it is decoded."""

from __future__ import annotations

from pathlib import Path

from inkclean.base.errors import InputError


def check_budget(path: Path, width: int, height: int, budget_mp: float) -> None:
    """Refuse a picture of more than ``budget_mp`` megapixels, or without any.

    Raises:
        InputError: too large or empty.
    """
    if width < 1 or height < 1:
        raise InputError(f"{path} has no pixels; save it again or use another one")
    if width * height > budget_mp * 1e6:
        raise InputError(
            f"{path}: {width} × {height} px is more than the {budget_mp:g} megapixels allowed; "
            "scale it down first"
        )
