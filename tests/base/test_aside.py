from __future__ import annotations

import threading

import cv2
import pytest

from inkclean.base.aside import Aside


@pytest.fixture(params=[1, 2])
def threads(request: pytest.FixtureRequest) -> int:
    before = cv2.getNumThreads()
    cv2.setNumThreads(request.param)
    request.addfinalizer(lambda: cv2.setNumThreads(before))
    return int(request.param)


def test_it_runs_beside_the_caller_where_there_are_threads(threads: int) -> None:
    found = Aside(threading.get_ident).result()
    assert (found == threading.get_ident()) == (threads == 1)


def test_what_goes_wrong_is_told_to_whoever_asks(threads: int) -> None:
    def wrong() -> None:
        raise ValueError("no")

    work = Aside(wrong)
    work.wait()
    with pytest.raises(ValueError, match="no"):
        work.result()
