"""Hashes of every result of the demo page, six simulated photos and real scans.

Run before and after a change that must change nothing: ``python -m tests.benchmarks.hashes
FOLDER > before.txt``, the same with another FOLDER after, then compare the two texts. Each line
is SHA-256, input and kind of result; seconds and version are left out of tickets. Open scans are
taken where ``INKCLEAN_DATA`` points to them.
"""

from __future__ import annotations

import hashlib
import json
import re
import subprocess
import sys
import zipfile
from collections.abc import Iterator
from pathlib import Path

from tests.data import folder
from tests.scoring.cases import CASES, shoot

PHOTOS = ("plain", "red_lamp", "green_hard", "soft_focus", "blue_ink", "grid")
SCANS = ("scan01", "scan02", "scan05", "scan07")
DATA = folder()
COMMAND = [sys.executable, "-m", "inkclean.cli"]
KINDS = "lines,pencil,tiff,pdf,proof"


def _inputs(folder: Path) -> Iterator[Path]:
    """Write the simulated photos into ``folder`` and give all inputs."""
    by_name = {case.name: case for case in CASES}
    for name in PHOTOS:
        path = folder / f"{name}.jpg"
        path.write_bytes(shoot(by_name[name])[1].jpeg)
        yield path
    for name in SCANS:
        yield from sorted((DATA / "ink_scans").glob(f"*{name[-2:]}*"))


def _hash(path: Path) -> str:
    """Return the SHA-256 of what the file says, apart from when and how fast it was made."""
    data = path.read_bytes()
    if path.name.endswith(".ticket.json"):
        ticket = json.loads(data)
        for key in ("version", "measured", "results"):
            ticket.pop(key, None)
        data = json.dumps(ticket, sort_keys=True).encode()
    elif path.suffix == ".ora":
        with zipfile.ZipFile(path) as archive:
            data = b"".join(archive.read(name) for name in sorted(archive.namelist()))
    elif path.suffix == ".pdf":
        data = re.sub(rb"/(ID|CreationDate|ModDate)[^\n]*", b"", data)
    return hashlib.sha256(data).hexdigest()


def _run(words: list[str]) -> None:
    ran = subprocess.run([*COMMAND, *words, "--quiet"], capture_output=True, text=True, check=False)
    if ran.returncode:
        sys.stderr.write(f"{words}: {ran.stderr}\n")


def main(folder: Path) -> None:
    """Make all results in ``folder`` and print their hashes."""
    folder.mkdir(parents=True, exist_ok=True)
    _run(["demo", str(folder / "demo")])
    for number, path in enumerate(_inputs(folder)):
        out = folder / f"{number:02d}-{path.stem}"
        _run(["clean", str(path), "--also", KINDS, "-o", str(out)])
        if number % 2 == 0:
            _run(["flats", str(path), "-o", str(out / "flats")])
        if number == 0:
            _run(["clean", str(path), "--strokes", "-o", str(out / "strokes")])
    for path in sorted(p for p in folder.rglob("*") if p.is_file() and p.parent != folder):
        sys.stdout.write(f"{_hash(path)}  {path.relative_to(folder)}\n")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
