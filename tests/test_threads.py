"""Work in threads: the same results in the same order as a plain loop, and errors come through."""

import multiprocessing
import os
import threading

import pytest

from pulse_audio.analysis.threads import side_by_side


def _thread_names(count: int) -> list[str]:
    return side_by_side(lambda _: threading.current_thread().name, range(count))


def test_results_keep_the_order_of_the_items_however_they_finish() -> None:
    """The first of twenty items waits until another was taken up, and its result still comes first."""
    later = threading.Event()

    def work(item: int) -> int:
        if item == 0 and (os.cpu_count() or 1) > 1:
            assert later.wait(60), "the second item waits for the first"
        later.set()
        return item * item

    assert side_by_side(work, range(20)) == [item * item for item in range(20)]


def test_an_error_comes_through() -> None:
    """What the work raises is raised where its results are asked for."""
    with pytest.raises(ZeroDivisionError):
        side_by_side(lambda item: 1 / item, [1, 0, 2])


def test_a_worker_process_keeps_to_one_thread() -> None:
    """Where several processes share the work, none starts threads of its own."""
    with multiprocessing.get_context("spawn").Pool(1) as pool:
        assert set(pool.apply(_thread_names, (5,))) == {"MainThread"}
