"""What a person waits for at the start and at print: part of ``tests.benchmarks.cost --waits``.

Help, import, the desk's first answer; and a coloured page of the demo made ready for the press
(its OpenRaster under the lines, a CMYK profile, the ink's limit), an A1 poster in sheets.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
import urllib.request
from dataclasses import asdict
from pathlib import Path
from typing import Any

from tests.benchmarks.cost import Cost, measure
from tests.deliver.press_profile import cmyk_profile

_TIMES = 3


def waits(photo: Path, folder: Path) -> dict[str, dict[str, Any]]:
    """Return the cost of each, the least of three runs of what is short."""
    program: list[str | Path] = [sys.executable, "-m", "inkclean.cli"]
    out, profile = folder / "waits", folder / "press.icc"
    profile.write_bytes(cmyk_profile())
    short: dict[str, list[str | Path]] = {
        "python": [sys.executable, "-c", ""],
        "import": [sys.executable, "-c", "import inkclean"],
        "help": [*program, "--help"],
    }
    found = {
        name: min((measure(words)[0] for _ in range(_TIMES)), key=lambda cost: cost.cpu)
        for name, words in short.items()
    }
    answers = (_desk(folder / f"desk{number}") for number in range(_TIMES))
    found["desk"] = min(answers, key=lambda cost: cost.cpu)
    found["flats"] = measure([*program, "flats", photo, "--shade", "315", "-o", out, "--quiet"])[0]
    ticket, layers = next(out.glob("*.ticket.json")), next(out.glob("*.ora"))
    under: list[str | Path] = ["--under", layers, "--profile", profile, "--bleed", "0"]
    found["coloured"] = measure([*program, "press", ticket, *under, "--quiet"])[0]
    poster = ["--poster", "A1", "--on", "A4", "--quiet"]
    found["poster"] = measure([*program, "press", ticket, *poster])[0]
    return {name: {k: round(v, 3) for k, v in asdict(cost).items()} for name, cost in found.items()}


def _desk(folder: Path) -> Cost:
    """Return what the desk takes from its start to its first answer; the peak is not asked."""
    folder.mkdir()
    words = [sys.executable, "-m", "inkclean.cli", "desk", "--no-browser", str(folder)]
    start = time.perf_counter()
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        address = process.stdout.readline().split()[-1]
        with urllib.request.urlopen(address) as answer:  # noqa: S310 - our own address
            answer.read()
        seconds = time.perf_counter() - start
        try:
            used = Path(f"/proc/{process.pid}/stat").read_text().rpartition(")")[2].split()
            cpu = (int(used[11]) + int(used[12])) / os.sysconf("SC_CLK_TCK")
        except OSError:  # a system without it
            cpu = seconds
        process.terminate()
    return Cost(seconds, cpu, 0.0)


def waits_table(found: dict[str, dict[str, Any]]) -> str:
    """Return the figures, a line each."""
    lines = [f"{'':>10}  {'seconds':>8}  {'cpu':>7}  {'MB':>5}"]
    for name, cost in found.items():
        seconds, cpu, peak = (cost[key] for key in ("seconds", "cpu", "peak_mb"))
        lines.append(f"{name:>10}  {seconds:8.3f}  {cpu:7.3f}  {peak:5.0f}")
    return "\n".join(lines)
