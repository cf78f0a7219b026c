from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from inkclean.desk.log import EditLog


def test_undo_and_redo_hold_after_a_restart(tmp_path: Path) -> None:
    log = EditLog(tmp_path / "log")
    for k in range(4):
        log.do({"k": k})
    log.undo()
    log.undo()
    log.redo()
    again = EditLog(tmp_path / "log")
    assert again.done == [{"k": 0}, {"k": 1}, {"k": 2}]
    assert again.undone == [{"k": 3}]
    assert again.redo()
    assert not again.redo()
    assert EditLog(tmp_path / "log").done == [{"k": k} for k in range(4)]


def test_nothing_to_undo_writes_nothing(tmp_path: Path) -> None:
    log = EditLog(tmp_path / "log")
    assert not log.undo()
    assert not (tmp_path / "log").exists()


def test_a_torn_line_costs_itself_alone(tmp_path: Path) -> None:
    log = EditLog(tmp_path / "log")
    log.do({"k": 1})
    log.do({"k": 2})
    whole = (tmp_path / "log").read_bytes()
    for cut in range(len(whole) // 2 + 1, len(whole)):
        (tmp_path / "log").write_bytes(whole[:cut])
        torn = EditLog(tmp_path / "log")
        assert torn.done[0] == {"k": 1}
        torn.do({"k": 3})
        assert EditLog(tmp_path / "log").done[-1] == {"k": 3}


def test_the_file_only_ever_grows(tmp_path: Path) -> None:
    log = EditLog(tmp_path / "log")
    before = b""
    for step in (lambda: log.do({"a": 1}), log.undo, log.redo, log.undo, lambda: log.do({"b": 2})):
        step()
        now = (tmp_path / "log").read_bytes()
        assert now.startswith(before)
        assert len(now) > len(before)
        before = now
    assert log.done == [{"b": 2}]
    assert not log.undone


@settings(deadline=None)  # a disk that must hold every entry may be slow
@given(st.lists(st.sampled_from(["do", "undo", "redo"]), max_size=30))
def test_a_log_read_again_is_the_log(steps: list[str]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        log = EditLog(Path(folder) / "log")
        model: list[int] = []
        undone: list[int] = []
        for number, step in enumerate(steps):
            if step == "do":
                log.do({"n": number})
                model.append(number)
                undone.clear()
            elif step == "undo":
                assert log.undo() == bool(model)
                if model:
                    undone.append(model.pop())
            else:
                assert log.redo() == bool(undone)
                if undone:
                    model.append(undone.pop())
        for each in (log, EditLog(Path(folder) / "log")):
            assert [act["n"] for act in each.done] == model
            assert [act["n"] for act in each.undone] == undone


def test_what_was_kept_is_on_the_disk_when_the_process_is_killed(tmp_path: Path) -> None:
    code = (
        "import os, signal; from pathlib import Path; from inkclean.desk.log import EditLog\n"
        f"log = EditLog(Path({str(tmp_path / 'log')!r}))\n"
        "for k in range(50): log.do({'k': k})\n"
        "os.kill(os.getpid(), signal.SIGKILL)"
    )
    ran = subprocess.run([sys.executable, "-c", code], check=False, env=dict(os.environ))
    assert ran.returncode == -9
    assert [act["k"] for act in EditLog(tmp_path / "log").done] == list(range(50))
