"""Results moved into place whole: written under temporary names beside their targets first.

A set of results that belong together (a page's) is moved by way of a short record of the
moves: whoever comes next finishes them if the process died in between.
"""

from __future__ import annotations

import json
import os
import secrets
import socket
import time
import zlib
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

from inkclean.base.errors import OutputError

# Stands near the start of every contact sheet.
CONTACT = "inkclean contact sheet"
_DRAFT = ".part"
_RECORD = ".moves"
# Age in s from which drafts of other machines are removed: no page takes a day.
_STALE_S = 86_400.0


def check_free(path: Path, replace: bool) -> None:
    """Refuse a path that holds a result already.

    Raises:
        OutputError: something stands at ``path`` and ``replace`` is False.
    """
    if not replace and path.exists():
        raise OutputError(f"{path} already exists; add --replace to overwrite it, or use -o DIR")


@contextmanager
def placed(path: Path, replace: bool) -> Iterator[Path]:
    """Give a temporary path beside ``path``; move it into place when the block ends well.

    Whatever stood at ``path`` stays whole until the new file is complete on the disk.

    Raises:
        OutputError: the target is taken, or the disk or folder refuses.
    """
    check_free(path, replace)
    draft = _draft(path)
    try:
        with _explain_failure(path):
            path.parent.mkdir(parents=True, exist_ok=True)
            yield draft
            _sync(draft)
            _move(draft, path, replace)
    finally:
        _discard(draft)


@contextmanager
def placed_together(
    paths: Mapping[str, Path], replace: bool, record: Path
) -> Iterator[dict[str, Path]]:
    """Give a temporary path for each of ``paths``; move all into place when the block ends well.

    The last of ``paths`` is moved last. ``record`` is a hidden file in the same folder that
    holds the moves while they are made; see ``finish_moves``.

    Raises:
        OutputError: a target is taken, or the disk or folder refuses.
    """
    for path in paths.values():
        check_free(path, replace)
    drafts = {kind: _draft(path) for kind, path in paths.items()}
    folder = record.parent
    try:
        with _explain_failure(folder):
            folder.mkdir(parents=True, exist_ok=True)
            yield drafts
            for kind, path in paths.items():
                _sync(drafts[kind])
                check_free(path, replace)
            moves = [[drafts[kind].name, path.name] for kind, path in paths.items()]
            written = _draft(record)
            written.write_text(json.dumps(moves), "utf-8")
            _sync(written)
            written.replace(record)
            _make_moves(folder, moves)
            record.unlink(missing_ok=True)
    finally:
        if not record.exists():
            for draft in drafts.values():
                _discard(draft)


def moves_record(folder: Path, name: str) -> Path:
    """Return where the moves of the results named ``name`` are recorded."""
    return folder / f".{name}{_RECORD}"


def finish_moves(folder: Path, name: str, endings: Sequence[str]) -> None:
    """Finish what a process that died left behind for the results named ``name``.

    Recorded moves are made; drafts that no record names, of a process that lives no more, are
    taken away.

    Raises:
        OutputError: the folder refuses.
    """
    record = moves_record(folder, name)
    with _explain_failure(folder):
        if record.exists():
            try:
                moves = json.loads(record.read_text("utf-8"))
                sound = all(
                    Path(part).name == part and part.startswith((name, f".{name}"))
                    for move in moves
                    for part in move
                )
                if sound:
                    _make_moves(folder, moves)
            except (ValueError, TypeError):
                pass  # a record that is not whole was never acted on
            record.unlink(missing_ok=True)
        for ending in (*endings, _RECORD):
            for draft in folder.glob(f"{_escaped(_hidden(name + ending))}.*{_DRAFT}"):
                if not _alive(draft):
                    draft.unlink(missing_ok=True)


def _make_moves(folder: Path, moves: Sequence[Sequence[str]]) -> None:
    for draft, final in moves:
        # whoever else finishes the same moves may have been first
        with suppress(FileNotFoundError):
            (folder / draft).replace(folder / final)


def _hidden(name: str) -> str:
    return name if name.startswith(".") else f".{name}"


def _escaped(name: str) -> str:
    return "".join(f"[{letter}]" if letter in "[]*?" else letter for letter in name)


def _draft(path: Path) -> Path:
    token = f"{os.getpid()}-{_machine()}-{secrets.token_hex(4)}"
    return path.with_name(f"{_hidden(path.name)}.{token}{_DRAFT}")


def _machine() -> str:
    """Return a short name of this machine that a file's name may hold."""
    return f"{zlib.crc32(socket.gethostname().encode()):08x}"


def _alive(draft: Path) -> bool:
    """Tell whether the process that wrote ``draft`` may still run."""
    number, _, rest = draft.name.removesuffix(_DRAFT).rpartition(".")[2].partition("-")
    if not number.isdecimal():
        return True
    if rest.partition("-")[0] != _machine():
        with suppress(OSError):
            return time.time() - draft.stat().st_mtime < _STALE_S
        return True
    if int(number) == os.getpid() or _died(number):
        return False
    try:
        os.kill(int(number), 0)
    except OSError as error:
        return not isinstance(error, ProcessLookupError)
    except OverflowError:
        pass
    return True


def _died(number: str) -> bool:
    """Tell whether the process has died and only waits for its parent to take notice (Linux)."""
    with suppress(OSError, IndexError):
        return Path(f"/proc/{number}/stat").read_bytes().rpartition(b")")[2].split()[0] == b"Z"
    return False


def _discard(draft: Path) -> None:
    # where the folder itself refuses, the refusal has been told already
    with suppress(OSError):
        draft.unlink(missing_ok=True)


def _sync(path: Path) -> None:
    with path.open("rb") as handle:
        os.fsync(handle.fileno())


def _move(draft: Path, path: Path, replace: bool) -> None:
    if replace:
        draft.replace(path)
        return
    # a link fails where the name was taken meanwhile; a rename would write over it
    try:
        os.link(draft, path)
    except FileExistsError:
        check_free(path, replace)
    except OSError:
        draft.replace(path)


@contextmanager
def _explain_failure(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        reason = error.strerror or str(error)
        text = f"{path} could not be written ({reason}): make room, or choose another -o DIR"
        raise OutputError(text) from error


def is_contact(path: Path) -> bool:
    """Tell whether a file is a contact sheet that this program wrote."""
    return begins_with(path, CONTACT)


def begins_with(path: Path, mark: str) -> bool:
    """Tell whether a file can be read and has ``mark`` near its start."""
    try:
        with path.open("rb") as file:
            return mark.encode() in file.read(256)
    except OSError:
        return False
