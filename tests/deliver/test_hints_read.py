from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest

from inkclean.base.errors import InputError
from inkclean.deliver.layers.hints_read import read_hints

GOOD = [
    {"x_mm": 10, "y_mm": 20.5, "colour": "#C83C32", "name": "skin"},
    {"x_mm": "30", "y_mm": 5, "colour": "285ac8"},
]


def _write(path: Path, text: str) -> Path:
    path.write_text(text, encoding="utf-8")
    return path


def test_json_and_csv_say_the_same(tmp_path: Path) -> None:
    listed = read_hints(_write(tmp_path / "a.json", json.dumps(GOOD)), 100, 50)
    table = "x_mm, y_mm, colour, name\n10, 20.5, #C83C32, skin\n30, 5, 285ac8,\n"
    tabled = read_hints(_write(tmp_path / "a.csv", "\ufeff" + table), 100, 50)
    for hints in (listed, tabled):
        np.testing.assert_array_equal(hints.points, [[10, 20.5], [30, 5]])
        np.testing.assert_array_equal(hints.colours, [[200, 60, 50], [40, 90, 200]])
        assert hints.names == ("skin", "")
        assert hints.dab.tolist() == [0, 1]


@pytest.mark.parametrize("depth", [np.uint8, np.uint16])
def test_a_png_is_laid_over_the_whole_sheet_at_any_resolution(
    tmp_path: Path, depth: type[np.uint8] | type[np.uint16]
) -> None:
    top = np.iinfo(depth).max
    picture = np.zeros((50, 100, 4), depth)
    picture[10:20, 60:70] = (0, 0, top, top)  # red, in OpenCV's order
    cv2.imwrite(str(tmp_path / "a.png"), picture)
    hints = read_hints(tmp_path / "a.png", 200, 100)
    assert hints.colours.tolist() == [[255, 0, 0]]
    # pixels 60 to 69 and 10 to 19 at 2 mm, the rim of one pixel left out as it may be soft
    np.testing.assert_allclose(hints.points.min(axis=0), [123, 23])
    np.testing.assert_allclose(hints.points.max(axis=0), [137, 37])
    assert hints.covers_mm2 is not None
    np.testing.assert_allclose(hints.covers_mm2, [8 * 8 * 4.0])


def test_a_grey_png_has_no_dab(tmp_path: Path) -> None:
    cv2.imwrite(str(tmp_path / "a.png"), np.full((50, 100), 90, np.uint8))
    with pytest.raises(InputError, match="no dab"):
        read_hints(tmp_path / "a.png", 200, 100)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "no points"),
        ("[]", "no points"),
        ("{}", "not a list of points"),
        ("[1, 2]", "not a list of points"),
        ("[{", "not JSON"),
        ('[{"x_mm": 1, "colour": "#ffffff"}]', "point 1 has no place"),
        ('[{"x_mm": 1, "y_mm": NaN, "colour": "#ffffff"}]', "point 1 has no place"),
        ('[{"x_mm": 1, "y_mm": 2}]', "point 1 has no colour"),
        ('[{"x_mm": 1, "y_mm": 2, "colour": "red"}]', "point 1 has no colour"),
        ("x_mm,y_mm,colour\n1,2,#ffffff\n1,51,#ffffff\n", r"point 2 \(1, 51 mm\) is outside"),
        ("a,b\n1,2\n", "point 1 has no place"),
        ("x_mm,y_mm,colour\n1\n", "point 1 has no place"),
    ],
)
def test_bad_lists_are_one_line_that_says_what_to_do(tmp_path: Path, text: str, says: str) -> None:
    path = _write(tmp_path / "bad.txt", text)
    with pytest.raises(InputError, match=says) as caught:
        read_hints(path, 100, 50)
    assert "\n" not in str(caught.value)
    assert str(caught.value).startswith(str(path))
    assert caught.value.exit_code == 3


def test_bad_files_are_one_line(tmp_path: Path) -> None:
    whole = cv2.imencode(".png", np.zeros((50, 100, 4), np.uint8))[1].tobytes()
    bad = {
        "damaged": whole[:60],
        "header": whole[:20],
        "shape": cv2.imencode(".png", np.zeros((50, 50, 4), np.uint8))[1].tobytes(),
        "bytes": b"\xff\xfe\x00\x81",
    }
    for name, body in bad.items():
        (tmp_path / name).write_bytes(body)
        with pytest.raises(InputError) as caught:
            read_hints(tmp_path / name, 100, 50)
        assert "\n" not in str(caught.value)
    with pytest.raises(InputError, match="could not be read"):
        read_hints(tmp_path / "absent", 100, 50)


def test_a_huge_picture_is_refused_before_it_is_decoded(tmp_path: Path) -> None:
    body = bytearray(cv2.imencode(".png", np.zeros((2, 4, 4), np.uint8))[1].tobytes())
    body[16:24] = (200_000).to_bytes(4, "big") + (100_000).to_bytes(4, "big")
    (tmp_path / "huge.png").write_bytes(bytes(body))
    with pytest.raises(InputError, match="save the dabs smaller"):
        read_hints(tmp_path / "huge.png", 200, 100)


def test_names_are_made_harmless(tmp_path: Path) -> None:
    row = {**GOOD[0], "name": "a\x00b\n" + "c" * 200}
    hints = read_hints(_write(tmp_path / "a.json", json.dumps([row])), 100, 50)
    assert hints.names[0].startswith("a b c")
    assert len(hints.names[0]) <= 60
