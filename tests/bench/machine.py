"""What a benchmark ran on, timing that other work on the machine disturbs least, and rows for the table of figures."""

import os
import platform
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
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


# Byte code is kept, as after an ordinary installation, whatever this process was told.
ENVIRONMENT = {key: value for key, value in os.environ.items() if key != "PYTHONDONTWRITEBYTECODE"}


@dataclass(frozen=True, kw_only=True, slots=True)
class Child:
    """What a child process took, and what it printed."""

    seconds: float
    processor_s: float
    peak_mb: float
    printed: str


def run_child(*command: str) -> Child:
    """Run a Python child to its end.

    A child's peak memory starts from its parent's, so the caller should load no numeric library.
    """
    start = time.perf_counter()
    with tempfile.TemporaryFile() as out:
        process = subprocess.Popen([sys.executable, *command], stdout=out, env=ENVIRONMENT)
        _, status, usage = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
        seconds = time.perf_counter() - start
        if process.returncode:
            raise SystemExit(f"{command[:3]} failed with exit code {process.returncode}")
        out.seek(0)
        return Child(
            seconds=seconds,
            processor_s=usage.ru_utime + usage.ru_stime,
            peak_mb=usage.ru_maxrss / 1024,
            printed=out.read().decode(),
        )
