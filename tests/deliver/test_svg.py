from __future__ import annotations

import xml.etree.ElementTree as ET
from pathlib import Path

import numpy as np
import pytest
import svgelements
import svgpathtools

from inkclean.curves.centrelines.strokes import centrelines
from inkclean.curves.trace import trace
from inkclean.curves.values import Curves
from inkclean.deliver.vector.paths import encode_cubics, encode_polygons
from inkclean.deliver.vector.svg import write_strokes_svg, write_svg
from tests.curves.raster import circle, coverage_of, flatten
from tests.curves.shapes import letter

PX_PER_MM = 10.0
SVG = "{http://www.w3.org/2000/svg}"


def _page() -> Curves:
    loops = [flatten(loop, 16) for loop in letter("B", 90, 0.1, (30.2, 110.4))]
    rings = [circle(130, 60, 30), circle(130, 60, 20, hole=True), circle(130, 60, 3)]
    square = np.array([[20, 130], [60, 130], [60, 150], [20, 150]], float)
    return trace(coverage_of([*loops, *rings, square], 160, 180), PX_PER_MM)


def _write(curves: Curves, path: Path) -> Path:
    write_svg(curves, path, title="page", description="test")
    return path


def test_size_title_and_nothing_that_runs(tmp_path: Path) -> None:
    path = tmp_path / "a.svg"
    write_svg(_page(), path, title='<b> & "c"', description="é <script>x</script>")
    root = ET.fromstring(path.read_bytes().decode("utf-8"))
    assert (root.get("width"), root.get("height")) == ("18mm", "16mm")
    assert root.get("viewBox") == "0 0 18 16"
    assert root.findtext(f"{SVG}title") == '<b> & "c"'
    assert root.findtext(f"{SVG}desc") == "é <script>x</script>"
    assert {element.tag for element in root.iter()} <= {
        SVG + name for name in ("svg", "title", "desc", "defs", "g", "path")
    }


def test_a_path_for_each_piece_of_ink_large_ones_first(tmp_path: Path) -> None:
    curves = _page()
    root = ET.parse(_write(curves, tmp_path / "a.svg")).getroot()
    data = [path.get("d", "") for path in root.iter(SVG + "path")]
    assert len(data) == len(set(curves.shape.tolist())) == 4
    assert sum(text.count("M") for text in data) == len(curves.hole)
    boxes = [svgpathtools.parse_path(text).bbox() for text in data]
    sizes = [(b[1] - b[0]) * (b[3] - b[2]) for b in boxes]
    assert sizes[-1] == min(sizes)


def test_two_parsers_read_the_same_curves_back(tmp_path: Path) -> None:
    curves = _page()
    path = _write(curves, tmp_path / "a.svg")
    want = np.sort(np.round(curves.cubics[:, 0] @ [1, 1j], 6))
    paths, _ = svgpathtools.svg2paths(str(path))
    first = np.sort(
        np.array(
            [piece.start for item in paths for piece in item if abs(piece.end - piece.start) > 1e-6]
        )
    )
    assert first.size == want.size
    assert np.abs(_sorted_by_place(first) - _sorted_by_place(want)).max() < 0.0008
    drawn = svgelements.SVG.parse(str(path), ppi=25.4)
    second = np.array(
        [
            complex(piece.start)
            for shape in drawn.elements()
            if isinstance(shape, svgelements.Path)
            for piece in shape
            if not isinstance(piece, svgelements.Move)
            and abs(complex(piece.start) - complex(piece.end)) > 1e-4
        ]
    )
    assert second.size == want.size
    assert np.abs(_sorted_by_place(second) - _sorted_by_place(want)).max() < 0.0008


def _sorted_by_place(z: np.ndarray) -> np.ndarray:
    return np.asarray(z[np.lexsort((np.round(z.imag, 2), np.round(z.real, 2)))])


def test_rounding_does_not_add_up(tmp_path: Path) -> None:
    # 4000 short segments round a circle: relative commands must still meet where they began.
    angle = np.linspace(0, 2 * np.pi, 4001)
    points = np.stack((50 + 40.12345 * np.cos(angle), 50 + 40.12345 * np.sin(angle)), axis=1)
    points[-1] = points[0]
    step = np.diff(points, axis=0)[:, None] * np.array([0, 0.3, 0.7, 1])[None, :, None]
    cubics = points[:-1, None] + step
    flags = np.zeros(4000, np.bool_)
    curves = Curves(
        cubics, np.array([0, 4000]), np.zeros(1, np.int32), flags[:1], flags, flags, 100, 100
    )
    paths, _ = svgpathtools.svg2paths(str(_write(curves, tmp_path / "a.svg")))
    starts = np.array([piece.start for piece in paths[0]])
    assert np.abs(starts - cubics[:, 0] @ [1, 1j]).max() < 0.00072
    assert abs(paths[0][-1].end - paths[0][0].start) < 1e-9


def test_polygons_and_cubics_share_one_encoding() -> None:
    corners = np.array([[1.0, 2.0], [4.0, 2.0], [4.0, 3.5], [2.5, 4.2504], [12.0, 1.0]])
    loops, group = np.array([0, 5]), np.zeros(1, np.int64)
    ends = np.roll(corners, -1, axis=0)
    cubics = corners[:, None] + (ends - corners)[:, None] * np.array([0, 0.2, 0.7, 1])[:, None]
    straight = np.ones(5, np.bool_)
    for in_steps in (False, True):
        (one,) = encode_polygons(corners, loops, group, in_steps=in_steps)
        (other,) = encode_cubics(cubics, loops, straight, group, in_steps=in_steps)
        assert one == other
        drawn = svgpathtools.parse_path(one)
        found = np.array([piece.start for piece in drawn]) / (1000 if in_steps else 1)
        assert np.abs(found - np.round(corners, 3) @ [1, 1j]).max() < 1e-9
    assert one == "M1000 2000h3000v1500l-1500 750 9500-3250z"


def test_level_and_upright_sides_are_said_shortly(tmp_path: Path) -> None:
    square = np.array([[20, 30], [60, 30], [60, 50], [20, 50]], float)
    curves = trace(coverage_of([square], 80, 80), PX_PER_MM)
    root = ET.parse(_write(curves, tmp_path / "a.svg")).getroot()
    (path,) = root.iter(SVG + "path")
    assert sorted(c for c in path.get("d", "") if c.isalpha()) in (list("Mhhvz"), list("Mhvvz"))


@pytest.mark.parametrize("many", [0, 20_000])
def test_none_and_many_shapes(tmp_path: Path, many: int) -> None:
    at = np.stack(np.divmod(np.arange(many), 200), axis=1) + 0.5
    unit = np.array([[0, 0], [0.1, 0], [0.2, 0], [0.3, 0], [0.3, 0.1], [0.3, 0.2], [0.3, 0.3],
                     [0.2, 0.4], [0.1, 0.2], [0, 0]])  # fmt: skip
    three = np.stack([unit[0:4], unit[3:7], unit[6:10]])
    cubics = (at[:, None, None] + three).reshape(-1, 4, 2)
    flags = np.zeros(3 * many, np.bool_)
    curves = Curves(
        cubics, 3 * np.arange(many + 1), np.arange(many, dtype=np.int32),
        np.zeros(many, np.bool_), flags, flags, 210, 210,
    )  # fmt: skip
    path = _write(curves, tmp_path / "a.svg")
    root = ET.parse(path).getroot()
    assert sum(1 for _ in root.iter(SVG + "path")) == many
    assert path.stat().st_size < 400 + 130 * many


def test_strokes_carry_their_widths(tmp_path: Path) -> None:
    bars = [
        np.array([[10, 20], [90, 20], [90, 23], [10, 23]], float),
        np.array([[10, 50], [90, 50], [90, 56], [10, 56]], float),
    ]
    strokes = centrelines(coverage_of(bars, 80, 100), PX_PER_MM)
    path = tmp_path / "s.svg"
    write_strokes_svg(strokes, path, title="page", description="strokes")
    root = ET.parse(path).getroot()
    widths = {}
    for group in root.iter(SVG + "g"):
        if group.get("stroke"):
            for element in group.iter(SVG + "path"):
                data = [float(word) for word in element.get("data-widths", "").split()]
                pieces = svgpathtools.parse_path(element.get("d"))
                assert len(data) == len(pieces) + 1
                widths[float(group.get("stroke-width", 0))] = data
    assert set(widths) == {0.3, 0.6}
    for width, data in widths.items():
        assert data == pytest.approx([width] * len(data), rel=0.03)
