"""Results moved into place whole: written under a temporary name beside the target first."""

from __future__ import annotations

import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from inkclean.errors import OutputError


def check_free(path: Path, replace: bool) -> None:
    """Refuse a path that holds a result already.

    Raises:
        OutputError: something stands at ``path`` and ``replace`` is False.
    """
    if not replace and path.exists():
        raise OutputError(f"{path} is there already: add --replace to write over it, or -o DIR")


@contextmanager
def placed(path: Path, replace: bool) -> Iterator[Path]:
    """Give a temporary path beside ``path``; move it into place when the block ends well.

    Whatever stood at ``path`` stays whole until the new file is complete on the disk.

    Raises:
        OutputError: the target is taken, or the disk or folder refuses.
    """
    check_free(path, replace)
    draft = path.with_name(f".{path.name}.{secrets.token_hex(4)}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        yield draft
        with draft.open("rb") as handle:
            os.fsync(handle.fileno())
        if replace:
            draft.replace(path)
        else:
            # a link fails where the name was taken meanwhile; a rename would write over it
            try:
                os.link(draft, path)
            except FileExistsError:
                check_free(path, replace)
            except OSError:
                draft.replace(path)
    except OSError as error:
        reason = error.strerror or str(error)
        raise OutputError(f"{path} could not be written ({reason}): choose another -o DIR") from (
            error
        )
    finally:
        draft.unlink(missing_ok=True)
