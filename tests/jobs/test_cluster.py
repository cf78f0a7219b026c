"""The pages of a batch on a real cluster, and at addresses."""

from __future__ import annotations

import gc
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from inkclean.cli.main import main
from tests import small_pages

pytest.importorskip("distributed", reason="the extra inkclean[cluster] is not installed")
PATIENCE = 60.0


def _clean(*words: str | Path) -> Result:
    return CliRunner().invoke(main, ["clean", *(str(word) for word in words)])


def _pages(folder: Path, count: int) -> Path:
    folder.mkdir()
    for number in range(count):
        small_pages.write(folder / f"page{number}.png", seed=number)
    return folder


def _bytes(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir())}


@pytest.fixture
def cluster(tmp_path: Path) -> Iterator[tuple[str, list[subprocess.Popen[bytes]]]]:
    """A scheduler and two workers, each a process of its own."""
    noted, log = tmp_path / "scheduler.json", (tmp_path / "cluster.log").open("wb")
    shared = ["--scheduler-file", str(noted), "--no-dashboard"]
    scheduler = ["distributed.cli.dask_scheduler", *shared, "--port", "0", "--host", "127.0.0.1"]
    worker = ["distributed.cli.dask_worker", *shared, "--no-nanny", "--nthreads", "1"]
    env = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "PYTHONWARNINGS": "ignore"}
    processes: list[subprocess.Popen[bytes]] = []
    try:
        for words in (scheduler, worker, worker):
            processes.append(
                subprocess.Popen(
                    [sys.executable, "-m", *words], stdout=log, stderr=log, cwd=tmp_path, env=env
                )
            )
            start = time.monotonic()
            while not noted.exists() and time.monotonic() - start < PATIENCE:
                time.sleep(0.05)
        yield json.loads(noted.read_text())["address"], processes[1:]
    finally:
        for process in reversed(processes):
            process.kill()
            process.wait()
        log.close()


def test_a_worker_killed_loses_nothing(
    tmp_path: Path, cluster: tuple[str, list[subprocess.Popen[bytes]]]
) -> None:
    address, workers = cluster
    folder = _pages(tmp_path / "in", 10)
    assert _clean(folder, "-o", tmp_path / "plain", "--quiet").exit_code == 0
    out, trace = tmp_path / "out", tmp_path / "trace.json"
    words = ["clean", folder, "-o", out, "--cluster", address, "--timings", trace, "--json"]
    ran = subprocess.Popen(
        [sys.executable, "-m", "inkclean.cli", *(str(word) for word in words)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    start = time.monotonic()
    while time.monotonic() - start < PATIENCE:
        if out.exists() and any(out.glob("*.ticket.json")):
            break
        time.sleep(0.01)
    workers[0].send_signal(signal.SIGKILL)
    said, errors = ran.communicate(timeout=PATIENCE)
    assert ran.returncode == 0, errors
    assert "Traceback" not in errors
    reports: list[dict[str, Any]] = [json.loads(line) for line in said.splitlines()]
    names = [f"page{number}.png" for number in range(10)]
    assert [Path(report["input"]).name for report in reports] == names
    # nothing lost: every result is there, and the same as without a cluster
    assert _bytes(out) == _bytes(tmp_path / "plain")
    # nothing done twice: each page was worked on once at most among those that came to an end
    events = json.loads(trace.read_text("utf-8"))["traceEvents"]
    worked = [event["name"] for event in events if event.get("cat") == "page"]
    assert len(worked) == len(set(worked)) == sum(not report["done_before"] for report in reports)
    # and a second run finds them all
    again = _clean(folder, "-o", out, "--cluster", address, "--json")
    assert all(json.loads(line)["done_before"] for line in again.stdout.splitlines())


def test_no_cluster_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    page = small_pages.write(tmp_path / "page.png")
    monkeypatch.setattr("inkclean.jobs.cluster._PATIENCE_S", 1)
    for address in ("127.0.0.1:1", "nonsense://here"):
        result = _clean(page, "-o", tmp_path / "out", "--cluster", address)
        assert result.exit_code == 3
        assert len(result.stderr.strip().splitlines()) == 1
        assert address in result.stderr


@pytest.mark.parametrize(
    ("module", "words"),
    [("distributed", ["--cluster", "127.0.0.1:1"]), ("fsspec", ["-o", "memory://out"])],
)
def test_the_extra_is_missing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, module: str, words: list[str]
) -> None:
    page = small_pages.write(tmp_path / "page.png")
    gc.collect()  # a client that never reached its cluster needs its module to go
    for name in [name for name in sys.modules if name.partition(".")[0] == module]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, module, None)
    result = _clean(page, *words)
    assert result.exit_code == 2
    assert "inkclean[cluster]" in result.stderr
    assert len(result.stderr.strip().splitlines()) == 1


def test_addresses_give_the_same(tmp_path: Path) -> None:
    import fsspec

    folder = _pages(tmp_path / "in", 2)
    assert _clean(folder, "-o", tmp_path / "plain", "--quiet").exit_code == 0
    files = fsspec.filesystem("memory")
    files.put(str(folder) + "/", "/book/", recursive=True)
    # what lies in memory is in this process alone
    words = ("memory://book/", "-o", "memory://out", "--jobs", "1")
    first = _clean(*words, "--json", "--contact", tmp_path / "sheet.png")
    assert first.exit_code == 0, first.output
    reports = [json.loads(line) for line in first.stdout.splitlines()]
    assert [report["input"] for report in reports] == [
        "memory://book/page0.png",
        "memory://book/page1.png",
    ]
    assert reports[0]["outputs"]["svg"] == "memory://out/page0.svg"
    left = {Path(name).name: files.cat_file(name) for name in files.ls("/out", detail=False)}
    # a ticket at an address names no folder of this machine
    plain = _bytes(tmp_path / "plain")
    folder_line = b' "folder": "../in",\n'
    assert all(folder_line in data for name, data in plain.items() if name.endswith(".json"))
    plain = {name: data.replace(folder_line, b"") for name, data in plain.items()}
    assert left == plain
    # done before, refused, replaced: as with files
    again = [json.loads(line) for line in _clean(*words, "--json").stdout.splitlines()]
    assert all(report["done_before"] for report in again)
    refused = _clean(*words, "--weight", "0.5")
    assert refused.exit_code == 3
    assert "memory://out/page0.ink.png already exists" in refused.stderr
    # a run cut short while sending: its marker tells that what stands is its own
    files.rm_file("/out/page0.ticket.json")
    files.pipe_file("/out/.page0.sending", b"")
    assert _clean(*words).exit_code == 0
    left = {Path(name).name: files.cat_file(name) for name in files.ls("/out", detail=False)}
    assert left == plain
    gone = _clean("memory://book/none.png", "-o", "memory://out")
    assert gone.exit_code == 3
    assert "memory://book/none.png" in gone.stderr
    files.rm("/book", recursive=True)
    files.rm("/out", recursive=True)


def test_results_at_addresses_survive_wrong_ones(tmp_path: Path) -> None:
    page = small_pages.write(tmp_path / "page.png")
    for words in ((page, "-o", "nosuch://out"), ("nosuch://in/page.png",)):
        result = _clean(*words)
        assert result.exit_code == 3
        assert len(result.stderr.strip().splitlines()) == 1
