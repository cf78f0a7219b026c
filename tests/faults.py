"""Batches killed at random moments: ``python -m tests.faults [ROUNDS] [PAGES]``.

Each round cleans a folder of small pages, kills the command with signal 9 (the whole of it,
the parent alone or one of its processes) again and again at random moments, lets it finish,
and holds every result against those of a run left in peace. Prints a line a round.
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests import small_pages

ENDINGS = (".ink.png", ".svg", ".ticket.json")


def _start(folder: Path, out: Path) -> subprocess.Popen[bytes]:
    words = [
        sys.executable,
        "-m",
        "inkclean.cli",
        "clean",
        str(folder),
        "-o",
        str(out),
        "--jobs",
        "2",
    ]
    return subprocess.Popen(
        [*words, "--quiet", "--dpi", "150"],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        start_new_session=True,
        env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
    )


def _children(parent: int) -> list[int]:
    listed = Path(f"/proc/{parent}/task/{parent}/children")
    return [int(word) for word in listed.read_text().split()] if listed.exists() else []


def _kill(process: subprocess.Popen[bytes], dice: random.Random) -> str:
    """Kill all, the parent alone (its workers must follow), or one worker; say which."""
    which = dice.choice(("all", "parent", "worker"))
    try:
        if which == "worker":
            children = _children(process.pid)
            os.kill(dice.choice(children) if children else process.pid, signal.SIGKILL)
        elif which == "parent":
            process.kill()
        else:
            os.killpg(process.pid, signal.SIGKILL)
    except ProcessLookupError:
        return "late"
    return which


def _done(out: Path) -> int:
    return sum(1 for _ in out.glob("*.ticket.json")) if out.exists() else 0


def _wait(process: subprocess.Popen[bytes], out: Path, pages: int, more: float) -> None:
    """Wait until ``pages`` are done, and ``more`` seconds, unless it ends before."""
    while process.poll() is None and _done(out) < pages:
        time.sleep(0.01)
    time.sleep(more)


def contents(folder: Path) -> dict[str, bytes]:
    """Return the bytes of every result in a folder; drafts and records are no results."""
    paths = sorted(folder.iterdir()) if folder.exists() else []
    return {path.name: path.read_bytes() for path in paths if not path.name.startswith(".")}


def run(rounds: int, pages: int, seed: int = 1) -> int:
    """Return how many kills were survived; any broken, missing or stray file is an error.

    Raises:
        AssertionError: says what was broken.
    """
    dice, kills = random.Random(seed), 0  # noqa: S311 - moments, no secrets
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "in"
        folder.mkdir()
        for number in range(pages):
            small_pages.write(folder / f"page{number:03}.png", seed=number)
        peace = _start(folder, Path(place) / "peace")
        told_wrong = peace.communicate()[1]
        assert peace.returncode == 0, told_wrong
        wanted = contents(Path(place) / "peace")
        assert len(wanted) == len(ENDINGS) * pages
        for number in range(rounds):
            out, told = Path(place) / f"out{number}", []
            for _ in range(dice.randint(1, 3)):
                process = _start(folder, out)
                _wait(
                    process,
                    out,
                    dice.randint(min(_done(out), pages - 1), pages - 1),
                    dice.uniform(0, 0.4),
                )
                told.append(_kill(process, dice))
                if told[-1] == "parent":
                    # a worker's last page may still be landing while the next run starts
                    time.sleep(dice.uniform(0, 1.5))
                process.communicate()
                kills += told[-1] != "late"
                half = contents(out)
                broken = [name for name in half if half[name] != wanted[name]]
                assert not broken, f"half-written: {broken}"
            before = len(contents(out)) // len(ENDINGS)
            last = _start(folder, out)
            told_wrong = last.communicate()[1]
            assert last.returncode == 0, told_wrong
            assert contents(out) == wanted
            stray = [path.name for path in out.iterdir() if path.name not in wanted]
            assert not stray, stray
            print(f"round {number + 1}: {', '.join(told)}; {before} of {pages} stood; all whole")
    return kills


if __name__ == "__main__":
    _given = dict(enumerate(int(word) for word in sys.argv[1:]))
    print(f"{run(_given.get(0, 20), _given.get(1, 50))} kills survived")
