"""What the fuzzer calls: reading a photo and reading a ticket, from bytes."""

from __future__ import annotations

import contextlib
import os
import tempfile
from pathlib import Path

from inkclean.base.errors import InkcleanError
from inkclean.jobs.ticket import Ticket, read_ticket, ticket_text
from inkclean.sheet.read import read_photos

# Pictures above this are refused: the fuzzer looks for faults, not for patience.
BUDGET_MP = 4.0
_file = Path(tempfile.gettempdir()) / f"inkclean-fuzz-{os.getpid()}"


def one_line(error: InkcleanError) -> None:
    """Hold an error to its promise."""
    text = str(error)
    assert text
    assert text.isprintable(), text
    assert error.exit_code in (2, 3)


def read(data: bytes) -> int:
    """Read a photo; return how many pictures came out."""
    _file.write_bytes(data)
    pictures = 0
    try:
        for photo in read_photos(_file, budget_mp=BUDGET_MP):
            height, width, channels = photo.pixels.shape
            assert channels == 3
            assert 0 < height * width <= BUDGET_MP * 1e6
            assert photo.pixels.dtype.name == "uint8"
            assert photo.ppi is None or 0 < photo.ppi < 1e6
            pictures += 1
            if pictures == 4:
                break
    except InkcleanError as error:
        one_line(error)
    return pictures


def ticket(data: bytes) -> Ticket | None:
    """Read a ticket; what is read survives being written and read again."""
    _file.write_bytes(data)
    try:
        found = read_ticket(_file)
    except InkcleanError as error:
        one_line(error)
        return None
    assert -1 <= found.settings_used.weight <= 1 or "ink" not in found.measured
    with contextlib.suppress(UnicodeEncodeError):
        _file.write_text(ticket_text(found), "utf-8")
        # not-a-number is no equal of itself
        assert repr(read_ticket(_file)) == repr(found)
    return found
