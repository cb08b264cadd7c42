"""Independent pieces of the analysis side by side: numpy's and scipy's inner loops let other threads work."""

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from multiprocessing import parent_process
from typing import TypeVar

T = TypeVar("T")
R = TypeVar("R")


def side_by_side(work: Callable[[T], R], items: Sequence[T]) -> list[R]:
    """Return `work` of every item, in their order; this thread and one more share them, if there are two cores.

    More threads would hold more memory than they save time. In a process that another one started for its share of the
    work, this thread works alone: the cores are taken.
    """
    left = enumerate(items)  # both threads take from it, and a step of it cannot be interrupted
    done: dict[int, R] = {}

    def work_on() -> None:
        for place, item in left:
            done[place] = work(item)

    if (os.cpu_count() or 1) == 1 or parent_process() is not None:
        work_on()
    else:
        with ThreadPoolExecutor(1) as pool:
            other = pool.submit(work_on)
            work_on()
            other.result()
    return [done[place] for place in range(len(items))]
