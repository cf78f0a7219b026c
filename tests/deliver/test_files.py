"""Results are moved into place whole, whatever happens on the way."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from inkclean.base.errors import OutputError
from inkclean.deliver.files import _machine, finish_moves, moves_record, placed

ENDINGS = (".a", ".b", ".ticket.json")

# A child that dies without clean-up at its n-th file operation.
CHILD = """
import os, sys
from pathlib import Path
from inkclean.deliver import files

folder, at = Path(sys.argv[1]), int(sys.argv[2])
count = 0

def dying(real):
    def call(*args, **kwargs):
        global count
        count += 1
        if count == at:
            os._exit(9)
        return real(*args, **kwargs)
    return call

Path.replace, Path.unlink = dying(Path.replace), dying(Path.unlink)
os.fsync = dying(os.fsync)
paths = {e: folder / ("quay" + e) for e in (".a", ".b", ".ticket.json")}
with files.placed_together(paths, True, files.moves_record(folder, "quay")) as drafts:
    for ending, draft in drafts.items():
        draft.write_text("new" + ending)
"""


def _names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_a_failure_leaves_what_was_there(tmp_path: Path) -> None:
    path = tmp_path / "quay.svg"
    path.write_text("old")
    with pytest.raises(ZeroDivisionError), placed(path, True) as draft:
        draft.write_text("half")
        raise ZeroDivisionError
    assert path.read_text() == "old"
    assert _names(tmp_path) == ["quay.svg"]


def test_a_taken_name_is_refused_even_late(tmp_path: Path) -> None:
    path = tmp_path / "quay.svg"
    with pytest.raises(OutputError, match="--replace"), placed(path, False) as draft:
        draft.write_text("mine")
        path.write_text("another's")
    assert path.read_text() == "another's"
    assert _names(tmp_path) == ["quay.svg"]


def test_a_folder_that_refuses_is_said_in_one_line(tmp_path: Path) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("")
    with pytest.raises(OutputError) as caught, placed(blocked / "x" / "quay.svg", False):
        pass
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("at", range(1, 14))
def test_death_at_every_step(tmp_path: Path, at: int) -> None:
    for ending in ENDINGS:
        (tmp_path / f"quay{ending}").write_text("old" + ending)
    ran = subprocess.run([sys.executable, "-c", CHILD, str(tmp_path), str(at)], check=False)
    assert ran.returncode in (0, 9)
    finish_moves(tmp_path, "quay", ENDINGS)
    texts = {(tmp_path / f"quay{ending}").read_text().removesuffix(ending) for ending in ENDINGS}
    assert texts in ({"old"}, {"new"})
    assert _names(tmp_path) == [f"quay{ending}" for ending in ENDINGS]


def test_a_record_edited_by_hand_moves_nothing_outside(tmp_path: Path) -> None:
    folder = tmp_path / "in"
    folder.mkdir()
    (folder / ".quay.a.1-x.part").write_text("x")
    for text in ('[["../in/.quay.a.1-x.part", "../out"]]', "[[", "[1]", "{}"):
        moves_record(folder, "quay").write_text(text)
        finish_moves(folder, "quay", ())
        assert not (tmp_path / "out").exists()
        assert not moves_record(folder, "quay").exists()


def test_drafts_of_the_living_stay(tmp_path: Path) -> None:
    living = tmp_path / f".quay.a.{os.getppid()}-{_machine()}-00.part"
    dead = tmp_path / f".quay.a.999999999-{_machine()}-00.part"
    other = tmp_path / f".quay2.a.999999999-{_machine()}-00.part"
    for path in (living, dead, other):
        path.write_text("x")
    finish_moves(tmp_path, "quay", (".a",))
    assert living.exists()
    assert other.exists()
    assert not dead.exists()


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="no /proc to see the dead in")
def test_the_dead_that_nobody_took_notice_of_are_dead(tmp_path: Path) -> None:
    child = subprocess.Popen([sys.executable, "-c", "import os; os._exit(9)"])
    state = Path(f"/proc/{child.pid}/stat")
    while state.read_bytes().rpartition(b")")[2].split()[0] != b"Z":
        time.sleep(0.01)
    here = next(iter(placed_names(tmp_path)))
    draft = tmp_path / here.replace(f".{os.getpid()}-", f".{child.pid}-")
    draft.write_text("x")
    finish_moves(tmp_path, "quay", (".a",))
    assert not draft.exists()
    child.wait()


def placed_names(folder: Path) -> list[str]:
    """The name that a draft of ``quay.a`` bears while it is written."""
    with placed(folder / "quay.a", False) as draft:
        draft.write_text("x")
        return [draft.name]
