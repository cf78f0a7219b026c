"""Fits the network and the judge of areas again, and puts both into the package.

Run: ``python -m tests.fitting.areas.again SVGS FOLDER MINUTES PROCESSES``, with the SVG files of
``svgs.mjs`` in SVGS: packs the drawings, fits the network for so many minutes from the one in the
package and takes the weights a quarter of the way to what comes of it, fits the judge on what that
sees, and prints the table of ``checks``. What is made stays in FOLDER.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

from inkclean.flats.lines import seams
from inkclean.flats.walls import judge
from tests.fitting.areas.net import between

SHARE = 0.25  # of the way from the network in the package to what is fitted
PAGES = 600  # that the judge is fitted on
NET = Path(seams.__file__).with_name(seams.NET)
JUDGE = Path(judge.__file__).with_name(judge.WEIGHTS)


def _run(module: str, *arguments: str) -> None:
    words = [sys.executable, "-m", f"tests.fitting.areas.{module}", *arguments]
    subprocess.run(words, check=True)


def main() -> None:
    """Pack, fit, fit the judge, measure."""
    svgs, folder, minutes, processes = sys.argv[1:]
    drawings = Path(folder) / "drawings.npz"
    drawings.parent.mkdir(parents=True, exist_ok=True)
    if not drawings.exists():
        _run("pack", svgs, str(drawings), processes)
    _run("fit", str(drawings), f"{folder}/network", minutes, processes, str(NET))
    between(NET, Path(folder) / "network" / seams.NET, SHARE, NET)
    _run("lessons", str(drawings), f"{folder}/lessons", "0", str(PAGES), processes)
    _run("judge", f"{folder}/{judge.WEIGHTS}", processes, f"{folder}/lessons")
    shutil.copy(Path(folder) / judge.WEIGHTS, JUDGE)
    _run("checks", str(drawings.with_name(drawings.stem + "-kept-out.npz")), processes)


if __name__ == "__main__":
    main()
