"""Independent pieces of the analysis side by side: numpy's and scipy's inner loops let other threads work."""

import os
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from multiprocessing import parent_process
from typing import TypeVar

T = TypeVar("T")
R = TypeVar("R")


def side_by_side(work: Callable[[T], R], items: Iterable[T]) -> list[R]:
    """Return `work` of every item, in their order, worked in as many threads as there are cores.

    In a process that another one started for its share of the work, one after another: the cores are taken.
    """
    cores = os.cpu_count() or 1
    if cores == 1 or parent_process() is not None:
        return [work(item) for item in items]
    with ThreadPoolExecutor(cores) as pool:
        return list(pool.map(work, items))
