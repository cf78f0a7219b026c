"""The desk's stages give what the pipeline gives, and are done again only where they must."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

import inkclean
from inkclean.base.colour import to_srgb
from inkclean.desk import pictures
from inkclean.desk.accuracy import curves_near
from inkclean.desk.acts import apply_acts, check_act
from inkclean.desk.colouring import _add_unlike, _label_under
from inkclean.desk.edits import Dab, PageEdits
from inkclean.desk.work.stages import FIRST_MP, Bench
from inkclean.desk.work.take import edits_of, make_files
from inkclean.desk.work.task import PageTask, Purpose
from inkclean.flats.colour.hints import Hints, colour_by_hints
from inkclean.flats.colour.shade import shade_areas
from inkclean.jobs.ticket import file_hash, read_ticket
from inkclean.page import Page
from inkclean.settings import Settings
from inkclean.sheet.read import read_photos
from tests.desk import pages


def test_the_desk_gives_what_the_command_line_gives(tmp_path: Path) -> None:
    path = pages.write(tmp_path / "page.jpg")
    acts = [
        {"kind": "set", "weight": 0.3, "speck_mm": 0.25},
        {"kind": "stroke", "how": "white", "points": [[146, 120, 2], [154, 120, 3]]},
        {"kind": "speck", "at": list(pages.SPECK_MM)},
    ]
    work = apply_acts([check_act(act) for act in acts], PageEdits(Settings()))
    bench = Bench(path, 1, tmp_path / "pictures", 300.0)
    keys: list[dict[str, str]] = []

    def run(what: PageEdits) -> None:
        told: dict[str, str] = {}

        def tell(stage: str, said: dict[str, Any]) -> None:
            told[stage] = said["key"]

        bench.run(what, "ink", tell, lambda: None)
        keys.append(told)

    run(work)
    photo = next(read_photos(path))
    page = Page(photo, work.settings, ink_edits=work.ink)
    assert np.array_equal(bench.page.ink.coverage, page.ink.coverage)
    assert np.array_equal(bench.page.ink.removed, page.ink.removed)
    run(replace(work, settings=replace(work.settings, speck_mm=0.0)))
    changed = {stage for stage in keys[0] if keys[0][stage] != keys[1][stage]}
    assert changed == {"specks", "ink"}


def test_stages_give_a_first_look_marks_relief_and_quick_edits(tmp_path: Path) -> None:
    path = pages.write(tmp_path / "page.jpg")
    bench = Bench(path, 1, tmp_path / "pictures", 300.0)
    told: list[tuple[str, dict[str, Any]]] = []

    def run(goal: str, work: PageEdits) -> dict[str, dict[str, Any]]:
        told.clear()
        bench.run(work, goal, lambda stage, said: told.append((stage, said)), lambda: None)
        return dict(told)

    plain = PageEdits(Settings())
    inked = run("ink", plain)
    assert "first" not in inked  # a small photo is there as soon
    order = list(inked)
    assert order.index("ink") < order.index("lit")  # which no ink waits for
    lit = pictures.read_whole(tmp_path / "pictures" / inked["lit"]["picture"])
    assert np.array_equal(lit, to_srgb(bench.page.sheet.reflectance))
    flat = pictures.read_whole(tmp_path / "pictures" / inked["sheet"]["picture"])
    assert np.array_equal(flat, bench.page.squared.pixels)
    marks = run("marks", plain)["marks"]
    number = marks["steps"].index(0.2)
    at = {(x, y) for x, y, _, steps in marks["marks"] if steps >> number & 1}
    assert at == {(x, y) for x, y, _ in bench.page.ink.removed.astype(float).round(2).tolist()}
    assert not any(steps & 1 for *_, steps in marks["marks"])  # at 0 mm every mark stays
    before = run("shade", plain)
    parted = apply_acts([check_act({"kind": "split", "points": [[35, 140], [105, 140]]})], plain)
    after = run("shade", parted)
    assert len(after["flats"]["areas"]) == len(before["flats"]["areas"]) + 1
    assert after["lines"]["key"] == before["lines"]["key"]
    # what the edit did not touch keeps its colour, though nobody gave it; what came has its own
    had, have = ({tuple(a[:2]): c for a, c in _coloured(said)} for said in (before, after))
    assert all(have[place] == had[place] for place in had.keys() & have.keys())
    flats = bench.page.flats()
    of = dict(enumerate((c for _, c in _coloured(after)), 1))
    assert all(of[a] != of[b] for a, b in flats.neighbours[["a", "b"]].tolist())
    photo = next(read_photos(path))
    look = Page(photo).reduced(FIRST_MP).ink
    assert look.coverage.size <= FIRST_MP * 1e6
    size = look.coverage.shape[::-1]
    real = cv2.resize(bench.page.ink.coverage, size, interpolation=cv2.INTER_AREA)
    assert np.mean((look.coverage > 0.5) != (real > 0.5)) < 0.01


def test_an_area_whose_own_point_lies_in_another_splits_none(tmp_path: Path) -> None:
    bench = Bench(pages.write(tmp_path / "page.jpg"), 1, tmp_path / "pictures", 300.0)
    work = apply_acts(
        [check_act({"kind": "split", "points": [[35, 140], [105, 140]]})], PageEdits(Settings())
    )
    bench.run(PageEdits(Settings()), "flats", lambda stage, said: None, lambda: None)
    bench.run(work, "flats", lambda stage, said: None, lambda: None)
    flats = bench.page.flats()
    new, other = (_label_under(flats, 70.0, y) for y in (125.0, 150.0))
    assert new and other and new != other
    areas = flats.areas.copy()
    for name in ("x_mm", "y_mm"):
        areas[name][new - 1] = areas[name][other - 1]
    chosen: dict[int, Dab] = {}
    _add_unlike(chosen, replace(flats, areas=areas), [(1.0, 1.0, "#204080", "")])
    assert other in chosen and new not in chosen
    given = Hints(
        np.array([dab[:2] for dab in chosen.values()]),
        np.arange(len(chosen), dtype=np.int32),
        np.array([list(bytes.fromhex(dab[2][1:])) for dab in chosen.values()], np.uint8),
        tuple(dab[3] for dab in chosen.values()),
    )
    coloured, _ = colour_by_hints(flats, bench.page.ink, given)
    assert len(coloured.areas) == len(flats.areas)


def _coloured(said: dict[str, dict[str, Any]]) -> list[tuple[list[float], str]]:
    """Return each area as it is told, and its colour."""
    rows = said["colours"]["of_area"][1:]
    return [
        (area, said["colours"]["palette"][row])
        for area, row in zip(said["flats"]["areas"], rows, strict=True)
    ]


def test_what_an_edit_joins_to_the_paper_around_is_paper_too(tmp_path: Path) -> None:
    bench = Bench(pages.write(tmp_path / "page.jpg"), 1, tmp_path / "pictures", 300.0)
    plain = PageEdits(Settings())
    join = check_act({"kind": "join", "points": [[70, 80], [20, 80]]})
    under = []
    for work in (plain, apply_acts([join], plain)):
        told: dict[str, dict[str, Any]] = {}
        bench.run(work, "flats", told.__setitem__, lambda: None)
        of_area, flats = told["colours"]["of_area"], bench.page.flats()
        under.append([of_area[_label_under(flats, x, 80.0)] for x in (70.0, 20.0)])
    assert under[0][0] > 0 == under[0][1]
    assert under[1] == [0, 0]


def test_the_relief_is_what_the_files_are_shaded_with(tmp_path: Path) -> None:
    """Shade computed from the two bytes a pixel, as the page does, beside ``shade_areas``."""
    bench = Bench(pages.write(tmp_path / "page.jpg"), 1, tmp_path / "pictures", 300.0)
    told: dict[str, dict[str, Any]] = {}

    def tell(stage: str, said: dict[str, Any]) -> None:
        told[stage] = said

    turn = np.linspace(0, 2 * np.pi, 60)
    ring = [[70 + 15 * np.cos(t), 85 + 15 * np.sin(t), 0.8] for t in turn]  # a figure
    work = apply_acts(
        [check_act({"kind": "stroke", "how": "ink", "points": ring})], PageEdits(Settings())
    )
    bench.run(work, "shade", tell, lambda: None)
    packed = pictures.read_whole(tmp_path / "pictures" / told["relief"]["picture"]).astype(int)
    x, y = ((packed & 255) - 128) / 127, ((packed >> 8) - 128) / 127
    z = np.sqrt(np.clip(1 - x * x - y * y, 0, None))
    angle, height = np.radians(315), np.radians(42)
    bright = (x * np.sin(angle) - y * np.cos(angle)) * np.cos(height) + (z - 1) * np.sin(height)
    t = np.clip((-bright - 0.10) / 0.85, 0, 1)
    shade = np.where(packed > 0, 150 * t * t * (3 - 2 * t), 0)
    real = shade_areas(bench.page.flats(), bench.page.ink, 315.0).shade
    small = cv2.resize(real, shade.shape[::-1], interpolation=cv2.INTER_AREA)
    assert real.max() > 20
    assert np.abs(shade - small).mean() < 1.5


def test_names_of_colours_reach_the_ticket_though_nobody_dabbed(tmp_path: Path) -> None:
    bench = Bench(pages.write(tmp_path / "page.jpg"), 1, tmp_path / "pictures", 300.0)
    told: dict[str, dict[str, Any]] = {}
    bench.run(PageEdits(Settings()), "flats", lambda s, said: told.update({s: said}), lambda: None)
    colour = told["colours"]["palette"][1]
    work = apply_acts(
        [check_act({"kind": "name", "colour": colour, "name": " Coat  "})], PageEdits(Settings())
    )
    bench.run(work, "flats", lambda s, said: told.update({s: said}), lambda: None)
    assert "Coat" in told["colours"]["names"]
    dabs = edits_of(work, bench)["flats"]["dabs"]
    assert {dab["name"] for dab in dabs if dab["colour"] == colour} == {"Coat"}


@pytest.mark.parametrize("within", [0.01, 0.1])
def test_a_piece_of_the_ink_as_curves_is_what_the_whole_page_would_be(within: float) -> None:
    """Points of the piece's curves lie on the edge of a disc known in closed form."""
    y, x = np.mgrid[:600, :800] + 0.5
    inside = np.clip(100 - np.hypot(x - 300, y - 300) + 0.5, 0, 1)
    piece = curves_near((inside * 255).astype(np.uint8), 10.0, 39.5, 30.0, within)
    a, b, c, d = np.array(piece.cubics).reshape(-1, 4, 1, 2).transpose(1, 0, 2, 3)
    t = np.linspace(0, 1, 17)[:, None]
    curve = (1 - t) ** 3 * a + 3 * (1 - t) ** 2 * t * b + 3 * (1 - t) * t**2 * c + t**3 * d
    points = curve.reshape(-1, 2)
    low = np.array([piece.x, piece.y])
    on_edge = ((points > low + 0.1) & (points < low + piece.side - 0.1)).all(axis=1)
    away = np.hypot(*(points[on_edge] - 30.0).T) - 10.0
    assert on_edge.any()
    assert np.abs(away).max() < within + 0.01


def test_files_to_fetch_hold_centrelines_where_the_ticket_says_so(tmp_path: Path) -> None:
    path = pages.write(tmp_path / "page.jpg")
    bench = Bench(path, 1, tmp_path / "pictures", 300.0)
    work = PageEdits(Settings(strokes=True))
    into = tmp_path / "take"
    purpose = Purpose("enlarge", into, "page", file_hash(path))
    task = PageTask("p", path, 1, tmp_path / "pictures", work, "take", 300.0, purpose=purpose)
    at: list[str] = []
    taken = make_files(bench, task, at.append, lambda: None)
    assert at[-2:] == ["curves", "files"]
    assert {file.name for file in taken.files} == {"page.svg", "page.pdf", "page.ticket.json"}
    ticket = read_ticket(into / "page.ticket.json")
    assert ticket.settings.strokes
    assert ticket.folder == ""
    fetched = (into / "page.svg").read_text("utf-8")
    assert "stroke-width" in fetched
    inkclean.Page(path, strokes=True).write(tmp_path / "python")
    assert fetched == (tmp_path / "python" / "page.svg").read_text("utf-8")
