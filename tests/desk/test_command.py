"""The command: the address it prints, who else may have the folder, what is missing."""

from __future__ import annotations

import importlib.util
import re
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from inkclean.cli.main import main
from inkclean.desk.web.serve import _lines

COMMAND = [sys.executable, "-m", "inkclean.cli", "desk", "--no-browser"]


def test_the_address_has_a_token_and_is_this_machine_alone(tmp_path: Path) -> None:
    with subprocess.Popen([*COMMAND, str(tmp_path)], stdout=subprocess.PIPE, text=True) as ran:
        assert ran.stdout is not None
        line = ran.stdout.readline()
        assert re.search(r"http://127\.0\.0\.1:\d+/[\w-]{24}/", line)
        second = subprocess.run(
            [*COMMAND, str(tmp_path)], capture_output=True, text=True, check=False, timeout=60
        )
        ran.send_signal(signal.SIGINT)
        assert ran.wait(20) in (0, -signal.SIGINT, 130)
    assert second.returncode == 3
    assert "another desk is open in" in second.stderr
    assert "Traceback" not in second.stderr


def test_on_the_network_the_address_is_shown_as_text_and_code_with_who_can_reach_it() -> None:
    said = "\n".join(_lines("http://192.0.2.7:8000/token/", True))
    assert "http://192.0.2.7:8000/token/" in said
    assert "█" in said or "▀" in said
    assert "Anyone on this network who has this address" in said
    assert "not encrypted" in said


def test_what_is_missing_is_named_in_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = importlib.util.find_spec
    monkeypatch.setattr(
        importlib.util, "find_spec", lambda name: None if name == "segno" else found(name)
    )
    ran = CliRunner().invoke(main, ["desk", str(tmp_path)])
    assert ran.exit_code == 2
    assert "pip install 'inkclean[desk]'" in ran.output
    assert len(ran.output.splitlines()) == 1


def test_a_port_that_is_taken_is_said(tmp_path: Path) -> None:
    import socket

    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = str(taken.getsockname()[1])
        ran = CliRunner().invoke(main, ["desk", str(tmp_path), "--port", port])
    assert ran.exit_code == 3
    assert f"port {port} is not available" in ran.output
