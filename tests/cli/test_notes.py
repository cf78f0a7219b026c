"""What a person should check of the sheet is told with the option that sets it."""

from __future__ import annotations

import pytest

from inkclean.cli.options import _sheet_note
from inkclean.jobs.reports import SheetReport


@pytest.mark.parametrize(
    ("what", "option"), [("size", "--paper"), ("outline", "--frame"), (None, "--paper")]
)
def test_a_doubt_names_the_option_that_settles_it(what: str | None, option: str) -> None:
    sheet = SheetReport(210, 297, 11.8, (), "found", "A4", 0.5, "some paper lies near", what)
    said = _sheet_note(sheet)
    assert said == f"{what or 'size'} to check: some paper lies near (to set it: {option})"


def test_a_sheet_without_doubt_has_no_note() -> None:
    assert _sheet_note(SheetReport(210, 297, 11.8, (), "found", "A4", 0.9, None, None)) is None
