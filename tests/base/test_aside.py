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


@pytest.mark.parametrize(("all_threads", "beside"), [(2, False), (3, True)])
def test_no_more_run_at_once_than_there_are_threads_for(all_threads: int, beside: bool) -> None:
    before = cv2.getNumThreads()
    go_on, begun = threading.Event(), threading.Event()
    try:
        cv2.setNumThreads(all_threads)
        first = Aside(go_on.wait)
        second = Aside(begun.set, [first])
        assert begun.wait(10 if beside else 0.2) == beside
        go_on.set()
        second.wait()
        assert begun.is_set()
        assert first.result() is True
    finally:
        go_on.set()
        cv2.setNumThreads(before)
