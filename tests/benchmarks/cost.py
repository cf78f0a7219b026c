"""What an artist waits for: ``python -m tests.benchmarks.cost [--only start,photo,sketchy,…]``.

Without options every figure that is asked (``figures.PARTS``), beside the one kept in RESULTS.md.

``--sizes 3,12,48,scan [--rounds 1]`` looks closer at photos of the demo page at 3, 12 and 48 MP
and a scan of A3 at 600 dpi (70 MP): seconds and peak memory of whole processes (start included),
of the command, of its flats, of a bare chain of OpenCV calls and of the obvious chain of
scikit-image calls, in the same run on the same picture; seconds a stage; the slope of log time
over log pixels. ``--keep FILE`` writes the figures as JSON, ``--against FILE`` prints how they
changed. ``--pictures DIR`` keeps the pictures, which take longer to make than to clean.
``--waits`` measures start and print alone.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import platform
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

# Photos with the 3 : 4 sides of most phones, by megapixels.
PHOTOS = {"3": (1500, 2000), "12": (3000, 4000), "48": (6000, 8000)}
SCAN_DPI = 600


@dataclass(frozen=True)
class Cost:
    """One process: wall seconds, processor seconds, peak resident memory in MB (2^20 bytes)."""

    seconds: float
    cpu: float
    peak_mb: float


def picture(kind: str, folder: Path) -> Path:
    """Return the picture of a kind, made if it is not there; A3 for the scan, else A4."""
    path = folder / f"cost-{kind}.jpg"
    if not path.exists():
        folder.mkdir(parents=True, exist_ok=True)
        # by a process of its own: a child's peak counts from what its parent holds
        measure([sys.executable, "-m", "tests.benchmarks.cost", "--draw", kind, path])
    return path


def draw_picture(kind: str, path: Path) -> None:
    """Draw and photograph, or scan, the demo page."""
    from inkclean.base.units import PAPERS
    from inkclean.demo.camera.conditions import Conditions
    from inkclean.demo.camera.shot import photograph, scan
    from inkclean.demo.drawing.page import draw

    if kind == "scan":
        path.write_bytes(_tagged(scan(draw(PAPERS["A3"]), SCAN_DPI).jpeg))
        return
    width, height = PHOTOS[kind]
    # the blur of a lens is an angle: as many px wider as there are more of them
    blur = 0.7 * max(1.0, width / 3000)
    path.write_bytes(photograph(draw(), Conditions(width, height, blur_px=blur)).jpeg)


def _tagged(jpeg: bytes) -> bytes:
    """State 600 dpi in the JFIF header, as a scanner does."""
    place = jpeg.find(b"JFIF\0")
    if place < 0:
        return jpeg
    density = b"\x01" + SCAN_DPI.to_bytes(2, "big") * 2
    return jpeg[: place + 7] + density + jpeg[place + 12 :]


def measure(words: list[str | Path]) -> tuple[Cost, str]:
    """Run a process to its end; return its cost and what it printed.

    Raises:
        SystemExit: it failed; says how.
    """
    # what is installed keeps its modules compiled, whatever this shell says
    around = {name: set_ for name, set_ in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    with tempfile.TemporaryFile() as said:
        start = time.perf_counter()
        process = subprocess.Popen([str(word) for word in words], stdout=said, env=around)
        _, status, used = os.wait4(process.pid, 0)
        seconds = time.perf_counter() - start
        process.returncode = os.waitstatus_to_exitcode(status)
        said.seek(0)
        text = said.read().decode("utf-8")
    if process.returncode:
        raise SystemExit(f"{' '.join(map(str, words))} ended with {process.returncode}")
    return Cost(seconds, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024.0), text


def _median(costs: list[Cost]) -> dict[str, float]:
    return {
        key: round(statistics.median(getattr(cost, key) for cost in costs), 3)
        for key in ("seconds", "cpu", "peak_mb")
    }


def pixels_of(jpeg: Path) -> int:
    """Return the pixels of a JPEG by its frame header (ITU-T T.81, B.2.2)."""
    data, place = jpeg.read_bytes(), 2
    while data[place + 1] not in (0xC0, 0xC1, 0xC2):
        place += 2 + int.from_bytes(data[place + 2 : place + 4])
    height, width = (int.from_bytes(data[place + at : place + at + 2]) for at in (5, 7))
    return height * width


def cost_of(path: Path, rounds: int, *, flats: bool) -> dict[str, Any]:
    """Return the figures of one picture."""
    pixels = pixels_of(path)
    program = [sys.executable, "-m", "inkclean.cli"]
    chains = [sys.executable, "-m", "tests.benchmarks.chains"]
    costs: dict[str, list[Cost]] = {}
    stages: dict[str, list[float]] = {}
    with tempfile.TemporaryDirectory() as place:
        for number in range(rounds):
            out = Path(place) / str(number)
            runs: dict[str, list[str | Path]] = {
                "opencv": [*chains, "opencv", path, Path(place) / "o.png"],
                "clean": [*program, "clean", path, "-o", out / "clean", "--json"],
                "skimage": [*chains, "skimage", path, Path(place) / "s.png"],
            }
            if flats:
                runs["flats"] = [*program, "flats", path, "-o", out / "flats", "--json"]
            for kind, words in runs.items():
                cost, text = measure(words)
                costs.setdefault(kind, []).append(cost)
                if kind in ("clean", "flats"):
                    for stage, spent in json.loads(text)["seconds"].items():
                        stages.setdefault(f"{kind} {stage}", []).append(spent)
    found: dict[str, Any] = {kind: _median(runs) for kind, runs in costs.items()}
    found["stages"] = {stage: round(statistics.median(all_), 3) for stage, all_ in stages.items()}
    found["pixels"] = pixels
    for key, name in (("seconds", ""), ("cpu", "_cpu")):
        clean, bare, obvious = (found[kind][key] for kind in ("clean", "opencv", "skimage"))
        found[f"times_opencv{name}"] = round(clean / bare, 2)
        found[f"faster_than_skimage{name}"] = round(obvious / clean, 2)
    return found


def slope(pixels: list[int], seconds: list[float]) -> float | None:
    """Return the slope of log seconds over log pixels: 1 if twice the pixels take twice as long."""
    if len(pixels) < 2:
        return None
    x, y = [math.log(value) for value in pixels], [math.log(value) for value in seconds]
    return statistics.linear_regression(x, y).slope


def machine() -> dict[str, Any]:
    """Return what the figures were taken on, without any name."""
    model = "unknown"
    if (info := Path("/proc/cpuinfo")).exists():
        lines = [line for line in info.read_text().splitlines() if line.startswith("model name")]
        model = lines[0].partition(":")[2].strip() if lines else model
    return {
        "cores": os.cpu_count(),
        "processor": model,
        "python": platform.python_version(),
        "load_before": round(os.getloadavg()[0], 2),
    }


def table(report: dict[str, Any]) -> str:
    """Return the figures as a table."""
    sizes = report["sizes"]
    lines = [f"{report['machine']}", ""]
    lines.append("| picture | MP | " + " | ".join(
        f"{kind} s | {kind} MB" for kind in ("opencv", "skimage", "clean", "flats")
    ) + " | × opencv (of processor) | skimage ÷ clean (of processor) |")  # fmt: skip
    lines.append("| --- |" + " ---: |" * 11)
    for name, found in sizes.items():
        cells = [name, f"{found['pixels'] / 1e6:.1f}"]
        for kind in ("opencv", "skimage", "clean", "flats"):
            cost = found.get(kind)
            cells += [f"{cost['seconds']:.2f}", f"{cost['peak_mb']:.0f}"] if cost else ["–", "–"]
        cells += [
            f"{found[ratio]:.1f} ({found[ratio + '_cpu']:.1f})"
            for ratio in ("times_opencv", "faster_than_skimage")
        ]
        lines.append("| " + " | ".join(cells) + " |")
    lines += ["", "| stage, s | " + " | ".join(sizes) + " |", "| --- |" + " ---: |" * len(sizes)]
    for stage in next(iter(sizes.values()))["stages"]:
        row = [f"{found['stages'].get(stage, 0):.2f}" for found in sizes.values()]
        lines.append(f"| {stage} | " + " | ".join(row) + " |")
    lines.append("")
    for kind, value in report["slopes"].items():
        lines.append(f"slope of log time over log pixels, {kind}: {value:.2f}")
    lines.append(f"inkclean --help: {report['help_s']:.2f} s")
    return "\n".join(lines)


def changes(before: dict[str, Any], after: dict[str, Any]) -> str:
    """Return how the seconds and peaks of two reports differ."""
    lines = []
    for name, found in after["sizes"].items():
        old = before["sizes"].get(name, {})
        for kind in ("opencv", "skimage", "clean", "flats"):
            if kind in old and kind in found:
                ratios = [found[kind][key] / old[kind][key] for key in ("seconds", "peak_mb")]
                lines.append(f"{name} {kind}: time × {ratios[0]:.2f}, peak × {ratios[1]:.2f}")
    return "\n".join(lines)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--only", help="parts, by the names in figures.PARTS")
    parser.add_argument("--sizes")
    parser.add_argument("--rounds", type=int, default=1)
    parser.add_argument("--no-flats", action="store_true")
    parser.add_argument("--waits", action="store_true")
    parser.add_argument("--keep", type=Path)
    parser.add_argument("--against", type=Path)
    parser.add_argument("--pictures", type=Path)
    parser.add_argument("--draw", nargs=2, metavar=("KIND", "FILE"), help=argparse.SUPPRESS)
    words = parser.parse_args()
    if words.draw:
        draw_picture(words.draw[0], Path(words.draw[1]))
        return
    if words.waits:
        from tests.benchmarks.waits import waits, waits_table

        with tempfile.TemporaryDirectory() as place:
            folder = words.pictures or Path(place)
            print(waits_table(waits(picture("12", folder), Path(place))))
        return
    if not words.sizes:
        from tests.benchmarks.figures import PARTS, show

        print(f"{machine()}\n")
        with tempfile.TemporaryDirectory() as place:
            parts = words.only.split(",") if words.only else list(PARTS)
            show(parts, words.pictures or Path(place), Path(place))
        return
    report: dict[str, Any] = {"machine": machine(), "sizes": {}}
    with tempfile.TemporaryDirectory() as place:
        folder = words.pictures or Path(place)
        for kind in words.sizes.split(","):
            path = picture(kind, folder)
            report["sizes"][kind] = cost_of(path, words.rounds, flats=not words.no_flats)
    starts = [measure([sys.executable, "-m", "inkclean.cli", "--help"])[0] for _ in range(5)]
    report["help_s"] = round(statistics.median(cost.seconds for cost in starts), 3)
    photos = [found for name, found in report["sizes"].items() if name != "scan"]
    report["slopes"] = {
        kind: round(value, 3)
        for kind in ("clean", "flats", "opencv", "skimage")
        if (value := slope([found["pixels"] for found in photos],
                           [found[kind]["seconds"] for found in photos if kind in found])
            if all(kind in found for found in photos) else None) is not None
    }  # fmt: skip
    print(table(report))
    if words.keep:
        words.keep.write_text(json.dumps(report, indent=1), "utf-8")
    if words.against:
        print("\n" + changes(json.loads(words.against.read_text("utf-8")), report))


if __name__ == "__main__":
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    main()
