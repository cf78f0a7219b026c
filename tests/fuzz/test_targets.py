"""The fuzzer's targets on changes drawn at random: no promise is broken."""

from __future__ import annotations

import io
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from inkclean.jobs.ticket import Ticket, json_text, ticket_text
from inkclean.settings import Settings, check_settings
from inkclean.sheet.read import believable_ppi
from tests.fuzz import targets
from tests.zoo import animals

_QUICK = settings(
    max_examples=120, deadline=None, suppress_health_check=[HealthCheck.too_slow], derandomize=True
)
_JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=8,
)
_SETTINGS = st.builds(
    Settings,
    paper=st.sampled_from(["auto", "A4", "letter", "100x200mm", "3.5 × 5 in"]),
    frame=st.text(max_size=9),
    dpi=st.integers(72, 2400),
    drop=st.lists(st.text(max_size=9), max_size=3).map(tuple),
    weight=st.floats(-1, 1),
    speck_mm=st.floats(0, 5),
    within_mm=st.floats(0.001, 1),
    strokes=st.booleans(),
    budget_mp=st.floats(1, 5000),
    even=st.booleans(),
)
_TICKETS = st.builds(
    Ticket,
    photo=st.text(min_size=1),
    sha256=st.text("0123456789abcdef", min_size=64, max_size=64),
    page=st.integers(1, 10**6),
    settings=_SETTINGS,
    measured=st.dictionaries(st.text(), _JSON, max_size=3),
    edits=st.dictionaries(st.text(), _JSON, max_size=3),
    results=st.dictionaries(st.text(), st.text(), max_size=3),
)


def _seed(kind: str) -> bytes:
    buffer = io.BytesIO()
    if kind == "HEIF":
        animals.encoded(kind)  # makes Pillow know the format
    animals.page().resize((40, 56)).save(buffer, kind)
    return buffer.getvalue()


_SEEDS = {kind: _seed(kind) for kind in animals.FORMATS}


@_QUICK
@given(_TICKETS)
def test_any_ticket_survives(ticket: Ticket) -> None:
    assert targets.ticket(ticket_text(ticket).encode("utf-8", "surrogatepass")) == ticket


@_QUICK
@given(key=st.sampled_from(["version", "photo", "sha256", "page", "settings", "measured", "edits",
                            "results", "kind"]), value=_JSON)  # fmt: skip
def test_one_wrong_value_is_read_or_refused(key: str, value: Any) -> None:
    import json

    plain = Ticket("page.jpg", "0" * 64, 1, Settings(), {})
    body = json.loads(ticket_text(plain)) | {key: value}
    found = targets.ticket(json_text(body).encode("utf-8", "surrogatepass"))
    if found is not None and key == "settings":
        # what was accepted is what was written, the rest as if nothing had been asked
        check_settings(found.settings)
        written: dict[str, Any] = {
            k: tuple(v) if isinstance(v, list) else v for k, v in value.items()
        }
        assert found.settings == Settings(**written)


@_QUICK
@given(st.binary(max_size=400))
def test_any_bytes(data: bytes) -> None:
    targets.read(data)
    assert targets.ticket(data) is None


@pytest.mark.parametrize("kind", animals.FORMATS)
@settings(_QUICK, max_examples=30)
@given(changes=st.lists(st.tuples(st.floats(0, 1), st.integers(0, 255)), min_size=1, max_size=6))
def test_bytes_changed(kind: str, changes: list[tuple[float, int]]) -> None:
    data = bytearray(_SEEDS[kind])
    for place, value in changes:
        data[int(place * (len(data) - 1))] = value
    targets.read(bytes(data))


@_QUICK
@given(
    stated=st.tuples(st.floats(), st.floats()) | st.none() | st.text(),
    width=st.integers(1, 60_000),
    height=st.integers(1, 60_000),
)
def test_a_resolution_believed_makes_a_page(stated: Any, width: int, height: int) -> None:
    found = believable_ppi(stated, width, height)
    if found is not None:
        assert 50 <= max(width, height) / found * 25.4 <= 1250
