"""Kill -9 in the middle of a batch: nothing broken, nothing missing after the rerun."""

from __future__ import annotations

import sys

import pytest

from tests import faults


@pytest.mark.slow(30)
@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="counts on /proc")
def test_killed_batches_end_whole() -> None:
    assert faults.run(rounds=2, pages=8, seed=4) >= 1
