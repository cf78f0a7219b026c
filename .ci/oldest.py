"""Prints the dependencies of pyproject.toml at the oldest versions that it allows."""

import tomllib
from pathlib import Path

project = tomllib.loads((Path(__file__).parents[1] / "pyproject.toml").read_text("utf-8"))
for line in project["project"]["dependencies"]:
    print(line.replace(">=", "=="))
