"""The chain: its table holds together, nothing goes past it, and a page runs what it must."""

from __future__ import annotations

import ast
import inspect
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from inkclean import pipeline
from inkclean.base.errors import UsageError
from inkclean.base.units import parse_paper
from inkclean.ink.edits import InkEdits, InkStroke
from inkclean.page import Page
from inkclean.pipeline import EVERYTHING, MAKERS, STEPS, Asked, Step
from inkclean.sheet.framing.frame import whole_frame
from inkclean.sheet.values import Photo
from tests import small_pages

PACKAGE = Path(pipeline.__file__).parent
STAGES = ("sheet", "ink", "curves", "flats")


def _imported(path: Path) -> Iterator[tuple[str, str]]:
    """Yield (module, name) of all that a module imports from the package, in functions too."""
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("inkclean."):
            yield from ((str(node.module), alias.name) for alias in node.names)


def _called(path: Path) -> Iterator[tuple[str, str]]:
    """Yield (module, name) of all that is called as ``module.name()`` or ``a.module.name()``."""
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
            yield ast.unparse(node.func.value).rpartition(".")[2], node.func.attr


def _steps_functions() -> set[tuple[str, str]]:
    """Return (module, name) of the functions that the table takes from the stages."""
    found = set()
    for module, name in _imported(PACKAGE / "pipeline.py"):
        if module.split(".")[1] in STAGES and name.islower():
            found.add((module, name))
    return found


@pytest.mark.slow(4)
def test_the_functions_of_the_steps_are_called_from_the_table_alone() -> None:
    ours = {name: module.split(".")[1] for module, name in _steps_functions()}
    assert {"separate", "trace", "find_flats", "shade_areas", "read_photo"} <= ours.keys()
    for path in PACKAGE.rglob("*.py"):
        room = path.relative_to(PACKAGE).parts[0]
        for module, name in _imported(path):
            stage = ours.get(name)
            # a stage may be built of its own functions; a name of another room is another thing
            if stage is None or module.split(".")[1] != stage or room in (stage, "pipeline.py"):
                continue
            raise AssertionError(f"{path.relative_to(PACKAGE)} calls {name} past the table")
        if room != "pipeline.py":
            called = {call for call in _called(path) if call[1] in ours and ours[call[1]] != room}
            assert not called & {(m.rpartition(".")[2], n) for m, n in _steps_functions()}


@pytest.mark.parametrize("step", STEPS, ids=lambda step: step.name)
def test_a_step_is_given_what_the_table_says(step: Step) -> None:
    given = inspect.signature(step.run).parameters.values()
    assert tuple(p.name for p in given if p.kind is p.POSITIONAL_OR_KEYWORD) == step.needs
    assert tuple(p.name for p in given if p.kind is p.KEYWORD_ONLY) == step.asks
    earlier = {value for before in STEPS[: STEPS.index(step)] for value in before.makes}
    assert set(step.needs) <= earlier
    assert set(step.spends) <= set(step.needs)
    for ask in step.asks:
        Asked().value(ask)


def test_each_value_is_made_once() -> None:
    assert len(MAKERS) == sum(len(step.makes) for step in STEPS)


@pytest.fixture
def ran() -> list[str]:
    return []


def _page(ran: list[str], **more: object) -> Page:
    pixels = small_pages.pixels(dpi=150)
    photo = Photo(pixels, 150.0, "page")
    return Page(photo, before=lambda step: ran.append(step.name), **more)  # type: ignore[arg-type]


def test_steps_run_when_asked_for_and_again_only_where_something_changed(ran: list[str]) -> None:
    page = _page(ran, keep=EVERYTHING)
    assert ran == []
    coverage = page.ink.coverage
    to_ink = ["frame", "differ", "square", "light", "separate", "blur", "cut", "inks", "specks"]
    to_ink += ["weigh", "mend"]
    assert ran == to_ink
    assert page.ink.coverage is coverage
    assert ran == to_ink
    ran.clear()
    page.change(speck_mm=0.0)
    before = page.key("raw"), page.key("ink")
    assert page.has("raw")
    assert not page.has("ink")
    assert page.curves.cubics.shape[1:] == (4, 2)
    assert ran == ["specks", "weigh", "mend", "trace"]
    page.change(speck_mm=0.2)
    assert page.key("raw") == before[0]
    assert page.key("ink") != before[1]
    assert np.array_equal(page.ink.coverage, coverage)


def test_a_page_that_lets_go_gives_the_same_and_holds_its_results_alone(ran: list[str]) -> None:
    page, kept = _page(ran), _page([], keep=EVERYTHING)
    stroke = InkStroke("white", np.array([[20.0, 20.0, 3.0], [30.0, 30.0, 3.0]]))
    for which in (page, kept):
        which.change(ink_edits=InkEdits(kept=((1.0, 1.0),), strokes=(stroke,)))
    assert np.array_equal(page.ink.coverage, kept.ink.coverage)
    assert kept.has("raw")
    assert not any(page.has(name) for name in ("squared", "grey", "raw", "cleaned"))
    ran.clear()
    page.change(weight=0.4)
    # the sheet stands, what was let go on the way is made again
    assert page.ink.coverage.sum() > kept.ink.coverage.sum()
    assert ran == ["separate", "blur", "cut", "specks", "weigh", "mend"]


@pytest.mark.parametrize("threads", [1, 2])
def test_what_goes_wrong_aside_is_told_and_nothing_runs_on(
    threads: int, monkeypatch: pytest.MonkeyPatch, request: pytest.FixtureRequest
) -> None:
    before = cv2.getNumThreads()
    request.addfinalizer(lambda: cv2.setNumThreads(before))
    cv2.setNumThreads(threads)
    page = _page([])

    def fail(*_: object) -> None:
        raise UsageError("no inks")

    step = MAKERS["inks"]
    assert step.aside
    monkeypatch.setattr(page, "_plan", lambda names: [replace(step, needs=(), run=fail)])
    with pytest.raises(UsageError, match="no inks"):
        page.bring("inks")
    assert not page.has("inks")


def test_a_page_lets_go_of_its_photo_where_that_is_spared(ran: list[str]) -> None:
    page, kept = _page(ran, spare=("photo", "joined")), _page([])
    page.bring("capture", "ink")
    assert not page.has("photo") and not page.has("joined")
    assert page.name == "page"
    assert page.key("ink") == kept.key("ink")
    assert np.array_equal(page.ink.coverage, kept.ink.coverage)
    assert kept.has("photo")
    with pytest.raises(UsageError, match="no photo"):
        page.get("photo")
    held = _page([], spare=("photo", "joined"))
    held.bring("photo", "ink")  # asked for beside the ink, it stays
    assert held.has("photo")


def test_what_a_branch_tries_leaves_the_page_as_it_is(ran: list[str]) -> None:
    page = _page(ran, keep=EVERYTHING)
    coverage = page.ink.coverage.copy()
    other = page.branch(speck_mm=1.0, weight=0.5)
    assert other.ink.coverage.sum() > coverage.sum()
    assert np.array_equal(page.ink.coverage, coverage)


def test_the_work_ends_between_two_steps(ran: list[str]) -> None:
    class Enough(Exception):  # noqa: N818 - no error
        pass

    def before(step: Step) -> None:
        if step.name == "cut":
            raise Enough
        ran.append(step.name)

    page = Page(Photo(small_pages.pixels(), 150.0, "page"), keep=EVERYTHING, before=before)
    with pytest.raises(Enough):
        page.bring("curves")
    assert ran[-1] == "blur"
    assert page.has("grey")
    assert not page.has("raw")


def test_time_is_told_by_stage() -> None:
    page = _page([])
    page.bring("capture", "curves")
    assert list(page.watch.seconds) == ["frame", "light", "ink", "curves"]
    assert sum(span.seconds for span in page.watch.spans) == pytest.approx(
        sum(page.watch.seconds.values())
    )


def test_a_photo_of_a_file_is_read_and_others_are_asked_for(tmp_path: Path) -> None:
    path = small_pages.write(tmp_path / "page.png")
    page = Page(path)
    assert page.photo.pixels.shape == (420, 300, 3)
    assert page.flats(gap_mm=3.0).labels.shape == page.ink.coverage.shape
    assert page.asked.gap_mm == 3.0
    with pytest.raises(UsageError):
        _ = Page(None).photo


def test_a_given_value_is_not_made(ran: list[str]) -> None:
    photo = Photo(small_pages.pixels(), None, "page")
    frame = whole_frame(photo, parse_paper("A5"))
    page = Page(photo, given={"frame": frame}, before=lambda step: ran.append(step.name))
    assert page.sheet.width_mm == pytest.approx(148, abs=0.5)
    assert ran == ["square", "light"]
