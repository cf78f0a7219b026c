"""The job ticket: settings, measurements and edits of one page; what makes a run repeatable."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields, replace
from pathlib import Path
from typing import Any

from inkclean import __version__
from inkclean.base.errors import InputError, UsageError
from inkclean.settings import Settings, check_settings

KIND = "inkclean ticket"
_CHUNK = 1 << 20
# what keys were called in older tickets
_OLD_KEYS = {
    "doubt": "to_check",
    "doubts": "to_check",
    "doubtful": "to_check",
    "finest_mm": "thinnest_mm",
    "parts": "splits",
    "tone": "grey",
}


@dataclass(frozen=True)
class Other:
    """One more photo of the page: the way to it from the ticket's folder, and its SHA-256.

    A ``newer`` one is taken in place of those before it.
    """

    photo: str
    sha256: str
    newer: bool = False


@dataclass(frozen=True)
class Ticket:
    """One page's ticket.

    ``photo`` names the picture the page came from and carries its SHA-256; ``folder`` is the way
    to it from the ticket's folder, empty if it lies there; ``page`` counts
    the pictures within that file from 1; ``measured`` holds what the run reported;
    ``edits`` what was corrected by hand, lengths in mm of paper; ``results`` the SHA-256 of
    each file that was left, by kind; ``others`` are more photos that show the same page.
    """

    photo: str
    sha256: str
    page: int
    settings: Settings
    measured: Mapping[str, Any]
    edits: Mapping[str, Any] = field(default_factory=dict)
    results: Mapping[str, str] = field(default_factory=dict)
    version: str = __version__
    folder: str = ""
    others: tuple[Other, ...] = ()

    @property
    def settings_used(self) -> Settings:
        """The settings with the weight that the ink was cut with, evened over a book or not."""
        ink = self.measured.get("ink")
        weight = ink.get("weight") if isinstance(ink, Mapping) else None
        if isinstance(weight, bool) or not isinstance(weight, int | float):
            return self.settings
        return replace(self.settings, weight=min(1.0, max(-1.0, float(weight))))


def file_hash(path: Path) -> str:
    """Return the SHA-256 of the file in hex.

    Raises:
        InputError: the file cannot be read.
    """
    digest = hashlib.sha256()
    try:
        with path.open("rb") as handle:
            while chunk := handle.read(_CHUNK):
                digest.update(chunk)
    except FileNotFoundError as error:
        raise InputError(f"{path}: no such file; check the name") from error
    except OSError as error:
        raise InputError(f"{path} could not be read ({error.strerror})") from error
    return digest.hexdigest()


def ticket_text(ticket: Ticket) -> str:
    """Return the ticket as JSON text, keys in a fixed order."""
    body = {
        "kind": KIND,
        "version": ticket.version,
        "photo": ticket.photo,
        **({"folder": ticket.folder} if ticket.folder else {}),
        "sha256": ticket.sha256,
        "page": ticket.page,
        **({"others": [_other(other) for other in ticket.others]} if ticket.others else {}),
        "settings": asdict(ticket.settings),
        "measured": ticket.measured,
        "edits": ticket.edits,
        "results": ticket.results,
    }
    return json_text(body, indent=1) + "\n"


def _other(other: Other) -> dict[str, Any]:
    newer = {"newer": True} if other.newer else {}
    return {"photo": other.photo, "sha256": other.sha256, **newer}


def json_text(body: Any, indent: int | None = None) -> str:
    """Return JSON text; names with bytes that are not text are escaped."""
    text = json.dumps(body, indent=indent, ensure_ascii=False)
    try:
        text.encode("utf-8")
    except UnicodeEncodeError:
        text = json.dumps(body, indent=indent)
    return text


def read_ticket(path: Path) -> Ticket:
    """Read a ticket.

    Raises:
        InputError: it is no ticket, comes from a newer version, or was edited wrongly.
    """
    try:
        body = json.loads(path.read_text("utf-8"))
    except OSError as error:
        raise InputError(f"{path} could not be read ({error.strerror})") from error
    except (ValueError, RecursionError) as error:
        raise InputError(f"{path} is not a ticket (not JSON); clean the photo again") from error
    if not isinstance(body, dict) or body.get("kind") != KIND:
        raise InputError(f"{path} is not a ticket; clean the photo to get one")
    version = _text(path, body, "version")
    if _number(version) > _number(__version__):
        raise InputError(
            f"{path} was written by version {version}, this is {__version__}; update inkclean"
        )
    page = body.get("page")
    if not isinstance(page, int) or isinstance(page, bool) or page < 1:
        raise _wrong(path, "page")
    for key in ("measured", "edits", "results"):
        if not isinstance(body.get(key), dict):
            raise _wrong(path, key)
    return Ticket(
        photo=_text(path, body, "photo"),
        sha256=_text(path, body, "sha256"),
        page=page,
        settings=_settings(path, body.get("settings")),
        measured=_renamed(body["measured"]),
        edits=_renamed(body["edits"]),
        results=_renamed(body["results"]),
        version=version,
        folder=_text(path, body, "folder") if body.get("folder") else "",
        others=_others(path, body.get("others", [])),
    )


def _others(path: Path, body: object) -> tuple[Other, ...]:
    if not isinstance(body, list) or not all(isinstance(other, dict) for other in body):
        raise _wrong(path, "others")
    return tuple(
        Other(_text(path, o, "photo"), _text(path, o, "sha256"), o.get("newer") is True)
        for o in body
    )


def _renamed(value: Any) -> Any:
    """Return a part of a ticket with the keys of older tickets under the names of today."""
    if isinstance(value, dict):
        return {_OLD_KEYS.get(key, key): _renamed(inner) for key, inner in value.items()}
    return [_renamed(inner) for inner in value] if isinstance(value, list) else value


def _wrong(path: Path, key: str) -> InputError:
    return InputError(f"{path} has an invalid '{key}'; correct it, or clean the photo again")


def _text(path: Path, body: Mapping[str, Any], key: str) -> str:
    value = body.get(key)
    if not isinstance(value, str) or not value:
        raise _wrong(path, key)
    return value


def _number(version: str) -> tuple[int, ...]:
    return tuple(int(part) for part in re.findall(r"\d+", version)[:3])


def _settings(path: Path, body: object) -> Settings:
    if not isinstance(body, dict):
        raise _wrong(path, "settings")
    known = {item.name: item for item in fields(Settings)}
    for key in body:
        if key not in known:
            raise _wrong(path, f"settings.{key}")
    values: dict[str, Any] = {}
    plain = Settings()
    for key, value in body.items():
        default = getattr(plain, key)
        if isinstance(default, bool) or isinstance(value, bool):
            sound = isinstance(default, bool) and isinstance(value, bool)
        elif isinstance(default, int):
            sound = isinstance(value, int)
        elif isinstance(default, float):
            sound = isinstance(value, int | float) and abs(value) < 1e9
        elif isinstance(default, tuple):
            sound = isinstance(value, list) and all(isinstance(item, str) for item in value)
        else:
            sound = isinstance(value, str)
        if not sound:
            raise _wrong(path, f"settings.{key}")
        values[key] = tuple(value) if isinstance(default, tuple) else value
    settings = Settings(**values)
    try:
        check_settings(settings)
    except UsageError as error:
        raise InputError(f"{path} has invalid 'settings': {error}; correct them") from error
    return settings
