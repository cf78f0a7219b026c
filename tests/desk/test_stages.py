"""The desk's stages give what the pipeline gives, and are done again only where they must."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from inkclean.desk.acts import Work, check_act, fold
from inkclean.desk.stages import Bench
from inkclean.pipeline import clean_photo
from inkclean.sheet.read import read_photos
from inkclean.ticket import Settings
from tests.desk import pages


def test_the_desk_gives_what_the_command_line_gives(tmp_path: Path) -> None:
    path = pages.write(tmp_path / "page.jpg")
    acts = [
        {"kind": "set", "weight": 0.3, "speck_mm": 0.25},
        {"kind": "stroke", "how": "white", "points": [[146, 120, 2], [154, 120, 3]]},
        {"kind": "speck", "at": list(pages.SPECK_MM)},
    ]
    work = fold([check_act(act) for act in acts], Work(Settings()))
    bench = Bench(path, 1, tmp_path / "pictures", 300.0)
    keys: list[dict[str, str]] = []

    def run(what: Work) -> None:
        told: dict[str, str] = {}

        def tell(stage: str, said: dict[str, Any]) -> None:
            told[stage] = said["key"]

        bench.run(what, "ink", tell, lambda: None)
        keys.append(told)

    run(work)
    photo = next(read_photos(path))
    page = clean_photo(photo, work.settings, edits=work.ink)
    assert bench.ink is not None
    assert np.array_equal(bench.ink.coverage, page.ink.coverage)
    assert np.array_equal(bench.ink.removed, page.ink.removed)
    run(replace(work, settings=replace(work.settings, speck_mm=0.0)))
    changed = {stage for stage in keys[0] if keys[0][stage] != keys[1][stage]}
    assert changed == {"specks", "ink"}
