"""What a benchmark ran on, timing that other work on the machine disturbs least, and rows for the table of figures."""

import os
import platform
import time
from collections.abc import Callable
from importlib import metadata


def machine(*packages: str) -> str:
    """Return the machine and the versions of Python and some packages, one line."""
    versions = " ".join(f"{name} {metadata.version(name)}" for name in packages)
    load = f", load {os.getloadavg()[0]:.1f}" if hasattr(os, "getloadavg") else ""
    return f"{platform.platform()}, {os.cpu_count()} cores{load}, Python {platform.python_version()}, {versions}"


def side_by_side(first: Callable[[], object], second: Callable[[], object], *, rounds: int) -> tuple[float, float]:
    """Return the shortest time of each, taken in turn: a slow moment then falls on both."""
    best = [float("inf"), float("inf")]
    for _ in range(rounds):
        for index, job in enumerate((first, second)):
            start = time.perf_counter()
            job()
            best[index] = min(best[index], time.perf_counter() - start)
    return best[0], best[1]


def row(what: str, figure: str, wanted: str = "") -> None:
    """Print one row of the table that `run_all.py` gathers."""
    print(f"| {what} | {figure} | {wanted} |", flush=True)
