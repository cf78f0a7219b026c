"""What the artist asks for: one page's settings, checked before any work is done."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, fields, is_dataclass
from typing import Any

from inkclean.base.errors import UsageError
from inkclean.base.units import parse_paper

# the options that settings come from, where the names differ
OPTIONS = {"speck_mm": "speck", "within_mm": "within", "budget_mp": "budget"}


@dataclass(frozen=True)
class Settings:
    """What the artist asked for; the defaults are right for most pages.

    ``paper`` and ``frame`` as typed (``auto``, ``A4``, ``whole``, corners in photo px);
    ``dpi`` of the bitmaps; ``drop`` the pencils removed; ``weight`` −1..1, thinner to
    heavier; ``speck_mm`` the largest diameter that may be removed as dust; ``within_mm`` how far a
    curve may stray from the ink's edge; ``strokes`` for centrelines in place of outlines;
    ``budget_mp`` the most megapixels that are decoded; ``even`` to bring the page's ink to
    the weight of the pages it was cleaned with.
    """

    paper: str = "auto"
    frame: str = "auto"
    dpi: int = 600
    drop: tuple[str, ...] = ("auto",)
    weight: float = 0.0
    speck_mm: float = 0.2
    within_mm: float = 0.02
    strokes: bool = False
    budget_mp: float = 300.0
    even: bool = False


def check_settings(settings: Settings) -> None:
    """Refuse values that make no sense, before any work is done.

    Raises:
        UsageError: says which option, and what it may be.
    """
    parse_paper(settings.paper)
    if not 72 <= settings.dpi <= 2400:
        raise UsageError("--dpi must be between 72 and 2400")
    if not -1.0 <= settings.weight <= 1.0:
        raise UsageError("--weight must be between -1 and 1")
    if not 1.0 <= settings.budget_mp <= 5000.0:
        raise UsageError("--budget must be between 1 and 5000 megapixels")
    if not 0.0 <= settings.speck_mm <= 5.0:
        raise UsageError("--speck must be between 0 and 5 mm")
    if not 0.001 <= settings.within_mm <= 1.0:
        raise UsageError("--within must be between 0.001 and 1 mm")


class Texts:
    """The text of what is asked, by its names: one asking is told from another by it.

    A value may hold a long list of edits, and is asked about many times before the next one: what
    was told already is not gone through again.
    """

    def __init__(self) -> None:
        self._known: dict[str, tuple[Any, str]] = {}

    def of(self, name: str, value: Any) -> str:
        """Return the value, which is never changed in place, as JSON; arrays by their hash."""
        known = self._known.get(name)
        if known is None or known[0] is not value:
            text = json.dumps(_plain(value), sort_keys=True, default=str)
            known = self._known[name] = value, text
        return known[1]


def _plain(value: Any) -> Any:
    """Return a value as JSON takes it, arrays by their bytes."""
    if is_dataclass(value):
        return [_plain(getattr(value, item.name)) for item in fields(value)]
    if hasattr(value, "dtype"):
        return [str(value.dtype), value.shape, hashlib.sha256(value.tobytes()).hexdigest()]
    if isinstance(value, tuple | list):
        return [_plain(item) for item in value]
    return value
