"""What the desk is told when it starts, and the limits that it keeps."""

from __future__ import annotations

import secrets
import threading
from dataclasses import dataclass, field
from pathlib import Path

# What a browser may send at most: a photo, and anything else.
PHOTO_BYTES = 400_000_000
WORDS_BYTES = 4_000_000
# Megapixels that are decoded at most, as on the command line.
BUDGET_MP = 300.0
# Random bytes in the address: nobody guesses 144 bits.
TOKEN_BYTES = 18


@dataclass(frozen=True)
class Config:
    """The desk's folder, the secret part of its address, and the names it answers to.

    ``folder`` holds photos, tickets and the desk's own ``.desk``; nothing outside it is read
    or written. ``hosts`` are the values of the Host header that are answered, port included.
    ``ending`` is set when the server goes, so that nobody keeps it waiting.
    """

    folder: Path
    hosts: frozenset[str]
    token: str = field(default_factory=lambda: secrets.token_urlsafe(TOKEN_BYTES))
    photo_bytes: int = PHOTO_BYTES
    words_bytes: int = WORDS_BYTES
    budget_mp: float = BUDGET_MP
    ending: threading.Event = field(default_factory=threading.Event, compare=False)

    @property
    def own(self) -> Path:
        """Return the folder of logs and pictures that the desk keeps for itself."""
        return self.folder / ".desk"
