"""Output into a pipe that nobody reads on, as in ``inkclean … | head``."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests import small_pages


@pytest.mark.parametrize("words", [["--json"], []])
def test_a_closed_pipe_ends_the_program_quietly(tmp_path: Path, words: list[str]) -> None:
    pages = [str(small_pages.write(tmp_path / f"page{k}.png", seed=k)) for k in range(2)]
    command = [sys.executable, "-m", "inkclean.cli", "clean", *pages, *words]
    ran = subprocess.Popen(
        [*command, "-o", str(tmp_path / "out")], stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )
    assert ran.stdout is not None
    assert ran.stderr is not None
    ran.stdout.close()
    said = ran.stderr.read().decode()
    ran.stderr.close()
    # how a shell tells of a program that a closed pipe ended: 128 + 13 (POSIX)
    assert ran.wait(timeout=60) == 141
    told = ("page ", "1 page at a time: ")
    assert all(line.startswith(told) for line in said.splitlines()), said
    # what was being told of stands, whole
    assert (tmp_path / "out" / "page0.ticket.json").exists()


def test_a_closed_pipe_for_errors_is_no_fault_either(tmp_path: Path) -> None:
    page = small_pages.write(tmp_path / "page.png")
    command = [sys.executable, "-m", "inkclean.cli", "clean", str(page), str(tmp_path / "none.png")]
    ran = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    assert ran.stdout is not None
    assert ran.stderr is not None
    ran.stderr.close()
    said = ran.stdout.read()
    ran.stdout.close()
    assert ran.wait(timeout=60) == 141
    assert b"Traceback" not in said
