"""A photo of an inked page becomes clean ink, curves, flats and print files.

From Python: ``inkclean.Page("photo.jpg")`` is a page whose results are made when they are asked
for; ``help(inkclean.Page)`` shows how. What goes wrong is an ``inkclean.InkcleanError``, which
says so in one line.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

__version__ = "0.1.0"
__all__ = [
    "InkcleanError",
    "InputError",
    "OutputError",
    "Page",
    "Settings",
    "UsageError",
    "__version__",
    "recolour",
]

if TYPE_CHECKING:
    from inkclean.api import FilePage as Page
    from inkclean.api import recolour
    from inkclean.base.errors import InkcleanError, InputError, OutputError, UsageError
    from inkclean.settings import Settings

# Where the names are, for those who ask: the package itself is imported in no time.
_PLACES = {
    "Page": ("inkclean.api", "FilePage"),
    "recolour": ("inkclean.api", "recolour"),
    "Settings": ("inkclean.settings", "Settings"),
    "InkcleanError": ("inkclean.base.errors", "InkcleanError"),
    "InputError": ("inkclean.base.errors", "InputError"),
    "OutputError": ("inkclean.base.errors", "OutputError"),
    "UsageError": ("inkclean.base.errors", "UsageError"),
}


def __getattr__(name: str) -> object:
    """Return a public name, imported when it is first asked for."""
    if name not in _PLACES:
        raise AttributeError(f"module 'inkclean' has no attribute '{name}'")
    from importlib import import_module

    module, there = _PLACES[name]
    found = globals()[name] = getattr(import_module(module), there)
    return found


def __dir__() -> list[str]:
    return __all__
