"""Work shared among threads: every part once, in order, and faults come back."""

from __future__ import annotations

import multiprocessing
import threading

import numba
import pytest

from searcher.threads import PARTS, in_threads


@pytest.fixture(params=[1, min(2, numba.config.NUMBA_NUM_THREADS)])
def threads(request):
    before = numba.get_num_threads()
    numba.set_num_threads(request.param)
    yield request.param
    numba.set_num_threads(before)


@pytest.mark.parametrize("count", [0, 1, 2, 7, 8, 9, 1000])
def test_parts_cover_the_range_once_and_in_order(threads, count):
    parts = in_threads(lambda first, last: list(range(first, last)), count)
    assert [k for part in parts for k in part] == list(range(count))
    assert len(parts) <= PARTS * threads


@pytest.mark.skipif(numba.config.NUMBA_NUM_THREADS < 2, reason="one processor")
def test_parts_run_at_the_same_time():
    """A barrier for two opens only when two parts stand at it together."""
    both = threading.Barrier(2, timeout=30.0)
    assert len(in_threads(lambda *_: both.wait(), 2)) == 2


@pytest.mark.usefixtures("threads")
def test_what_a_part_raises_is_raised():
    def work(_, last):
        if last == 10:
            raise ArithmeticError("the last part")

    with pytest.raises(ArithmeticError, match="the last part"):
        in_threads(work, 10)


@pytest.mark.skipif("fork" not in multiprocessing.get_all_start_methods(), reason="no fork here")
@pytest.mark.filterwarnings("ignore:.*fork.*:DeprecationWarning")
def test_a_forked_process_starts_threads_of_its_own():
    """A child has none of its parent's threads: parts handed to those would wait for ever."""
    in_threads(lambda *_: None, 8)
    child = multiprocessing.get_context("fork").Process(target=in_threads, args=(lambda *_: None, 8))
    child.start()
    child.join(30.0)
    try:
        assert child.exitcode == 0
    finally:
        child.kill()
