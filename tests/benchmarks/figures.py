"""Every figure that is asked of cost, today beside the one kept: part of ``tests.benchmarks.cost``.

A part gives figures, each with what is wanted of it. The ones kept are read from the table of
costs in RESULTS.md (``HEAD``), by the names of its rows; to keep today's, put them there. Times
are seconds of the whole, unless "processor" is said; on a busy machine only ratios, processor
seconds and megabytes say much.
"""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from tests.benchmarks.cost import cost_of, measure, picture
from tests.benchmarks.waits import waits
from tests.data import folder

RESULTS = Path(__file__).parent / "RESULTS.md"
HEAD = "| cost | wanted | kept |"
CLEAN = "scan01"
# Large steps of dots: the time of four times as many may be four times as long.
DOTS = (25_000, 100_000)


@dataclass(frozen=True)
class Figure:
    """A figure of today; ``wanted`` is the most that it may be, or the least."""

    name: str
    value: float
    wanted: float
    least: bool = False

    @property
    def bound(self) -> str:
        """What is wanted, as it is printed."""
        return f"{'≥' if self.least else '≤'} {self.wanted:g}"

    @property
    def met(self) -> bool:
        """Whether it is as wanted."""
        return self.value >= self.wanted if self.least else self.value <= self.wanted


def photo(pictures: Path, _: Path) -> Iterator[Figure]:
    """The whole command beside the bare chains."""
    for kind, name, times, peak in (("12", "photo 12 MP", 4.5, 400), ("scan", "70 MP", 6, 1600)):
        found = cost_of(picture(kind, pictures), 1, flats=False)
        yield Figure(f"{name}: times the bare chain", found["times_opencv"], times)
        yield Figure(f"{name}: the same, processor", found["times_opencv_cpu"], times)
        faster = found["faster_than_skimage_cpu"]
        yield Figure(f"{name}: scikit-image's chain over it, processor", faster, 4, least=True)
        yield Figure(f"{name}: peak, MB", found["clean"]["peak_mb"], peak)


def sketchy(_: Path, __: Path) -> Iterator[Figure]:
    """Sketchy pages beside a clean one; areas after the ink; many dots."""
    scans = sorted((folder("ink_scans")).glob("*.jpg"))
    found = {scan.stem: _stages(scan) for scan in scans}
    if found:
        clean = found[CLEAN]
        for stage in ("ink", "curves", "areas", "whole"):
            times = max(stages[stage] for stages in found.values()) / clean[stage]
            yield Figure(f"scans, {stage}: the worst over a clean one, processor", times, 2)
        each = {name: stages["curves"] / stages["edge"] for name, stages in found.items()}
        times = max(each.values()) / each[CLEAN]
        yield Figure("scans, curves by length of edge: the worst over a clean one", times, 2)
        yield Figure("areas of a clean A4 page, processor s", clean["areas"], 2)
        slowest = max(stages["areas"] for stages in found.values())
        yield Figure("areas of the worst scan, processor s", slowest, 6)
    few, many = (_stages(number)["curves"] for number in DOTS)
    yield Figure("curves of four times as many dots, times, processor", many / few, 4)


def _stages(what: Path | int) -> dict[str, float]:
    words = [sys.executable, "-m", "tests.benchmarks.stages", str(what)]
    rows = measure([*words])[1].splitlines()
    return {name: float(spent) for name, spent in (row.split() for row in rows)}


def desk(_: Path, __: Path) -> Iterator[Figure]:
    """The desk in a browser: the 95th percentile of each wait in ms, edits, megabytes."""
    rows = _printed("desk")
    for cells in rows:
        if len(cells) == 6 and re.fullmatch(r"[\d.]+", cells[5]):
            yield Figure(f"desk, {cells[0]}: ms", float(cells[3]), float(cells[5]))
    held = [re.findall(r"(\w+) (\d+) MB", " ".join(cells)) for cells in rows]
    rounds = [{name: float(mb) for name, mb in found} for found in held if found]
    for name in ("server", "page"):
        if len(rounds) > 2:
            more = rounds[-1][name] - rounds[-2][name]
            yield Figure(f"desk, {name}: MB more in the latter half of the rounds", more, 10)
    for cells in _printed("desk_edits"):
        if cells[0] == "all":
            for cell, name, most in zip(
                cells[2:5],
                ("ms", "desk's processor ms", "page's processor ms"),
                (300, 300, 300),
                strict=True,
            ):
                value = float(cell.split(",")[1])
                yield Figure(f"desk, an edit on the screen, 95 %: {name}", value, most)


def looks(_: Path, __: Path) -> Iterator[Figure]:
    """The first look and the whole ink without a browser."""
    rows = measure([sys.executable, "-m", "tests.benchmarks.looks", "ink"])[1].splitlines()
    told = {row.split()[0]: row.split()[1:] for row in rows}
    for stage, name, most in (("first", "first look", 1.5), ("ink", "whole ink", 4)):
        for value, kind in zip(told[stage], ("s", "processor s"), strict=True):
            yield Figure(f"{name} of 12 MP, without a browser: {kind}", float(value), most)


def _printed(module: str) -> list[list[str]]:
    """Run a module that prints a table; print it, and return its cells."""
    words = [sys.executable, "-m", f"tests.benchmarks.{module}"]
    told = subprocess.run(words, capture_output=True, text=True, check=False)
    if told.returncode:
        raise SystemExit(told.stderr)
    sys.stdout.write(told.stdout)
    rows = [row.strip().strip("|").split("|") for row in told.stdout.splitlines()]
    return [[cell.strip() for cell in cells] for cells in rows]


def edits(_: Path, __: Path) -> Iterator[Figure]:
    """Areas after edits at random, and whether a full run gives the same."""
    words = [sys.executable, "-m", "tests.benchmarks.edits", "--edits", "36"]
    rows = measure([*words])[1].splitlines()
    every = [[cell.strip() for cell in row.split("|")] for row in rows if "| all |" in row]
    for name, chosen in (("", every[:1]), (" of pages half of which is background", every[1:])):
        seconds = max(float(cells[7]) for cells in chosen)
        busy = max(float(cells[5]) for cells in chosen)
        yield Figure(f"areas after an edit{name}, 95 %: s", seconds, 0.3)
        yield Figure(f"areas after an edit{name}, 95 %: processor s", busy, 0.3)
    yield Figure("edits that a full run sees otherwise", float(rows[-1].split()[0]), 0)


def start(pictures: Path, place: Path) -> Iterator[Figure]:
    """Start-up, and a page made ready for print."""
    found = waits(picture("12", pictures), place)
    for name, most in (("help", 0.15), ("desk", 1.2), ("coloured", 8)):
        yield Figure(f"{name}: s", found[name]["seconds"], most)
        yield Figure(f"{name}: processor s", found[name]["cpu"], most)
    extra = found["import"]["cpu"] - found["python"]["cpu"]
    yield Figure("import inkclean: processor s", extra, 0.1)
    tiles = measure([sys.executable, "-m", "tests.benchmarks.press", "--one", "tiles"])[1].split()
    yield Figure("A1 poster in tiles: processor s", float(tiles[3]), 5)
    yield Figure("A1 poster in tiles: peak, MB", float(tiles[6]), 250)


def books(pictures: Path, _: Path) -> Iterator[Figure]:
    """Fifty pages on two cores."""
    words = [sys.executable, "-m", "tests.benchmarks.books", "--jobs", "2"]
    told = measure([*words, "--photo", picture("12", pictures)])[1]
    busy = float(told.partition("busy")[2].split()[0])
    yield Figure("fifty pages on two cores: over perfectly shared", 1 / busy, 1.15)
    after = re.search(r"after 10%: ([\d.]+) s told, ([\d.]+) s", told)
    if after:
        off = abs(float(after[1]) / float(after[2]) - 1)
        yield Figure("time left, told after a tenth: off by", off, 0.2)
    # as if two free cores had done it: what a busy machine tells of both
    told = measure([*words[:3], "--replay", "--photo", picture("12", pictures)])[1]
    packed = float(told.partition("packed:")[2].split()[0])
    yield Figure("fifty pages, processor seconds packed: over perfectly shared", packed, 1.15)
    first = re.search(r"after 5: ([\d.]+) s foreseen, ([\d.]+) s", told)
    if first:
        off = abs(float(first[1]) / float(first[2]) - 1)
        yield Figure("time left of these, foreseen after a tenth: off by", off, 0.2)


PARTS: dict[str, Callable[[Path, Path], Iterator[Figure]]] = {
    "start": start,
    "photo": photo,
    "sketchy": sketchy,
    "edits": edits,
    "looks": looks,
    "books": books,
    "desk": desk,
}


def kept(text: str) -> dict[str, str]:
    """Return the figures of the table of costs in RESULTS.md, by their names."""
    found: dict[str, str] = {}
    rows = iter(text.splitlines())
    for row in rows:
        if row.startswith(HEAD):
            break
    for row in rows:
        cells = [cell.strip() for cell in row.strip().strip("|").split("|")]
        if len(cells) < 3:
            break
        found[cells[0]] = cells[2]
    return found


def show(parts: list[str], pictures: Path, place: Path) -> None:
    """Measure parts and print each figure as soon as it is there, beside the one kept."""
    before = kept(RESULTS.read_text("utf-8"))
    bare = measure([sys.executable, "-m", "tests.benchmarks.chains", "opencv",
                    picture("12", pictures), place / "bare.png"])[0]  # fmt: skip
    print(f"bare chain of OpenCV, 12 MP: {bare.seconds:.2f} s, {bare.cpu:.2f} processor s\n")
    print(f"{HEAD} today |  |\n| --- | --- | ---: | ---: | --- |", flush=True)
    for part in parts:
        for figure in PARTS[part](pictures, place):
            old = before.get(figure.name, "–")
            cells = (figure.name, figure.bound, old, f"{figure.value:.3g}")
            print("|", " | ".join(cells), "|", "" if figure.met else "short", "|", flush=True)
