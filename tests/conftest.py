"""Fixtures that several test modules share."""

import os
import sys
from collections.abc import Callable
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command line does; it is read when numpy is loaded

import numpy as np
import pytest
from click.testing import CliRunner, Result

from pulse_audio.cli import main
from pulse_audio.errors import OWN_FAULT

ROOT = Path(__file__).parents[1]
SHARED = ROOT / ".." / "shared"
# Last, so that `tests.clipmaker` is found here while pulse_audio stays the one that is installed.
sys.path.append(str(ROOT))

Run = Callable[..., Result]


@pytest.fixture
def rng() -> np.random.Generator:
    """Random numbers that are the same in every run."""
    return np.random.default_rng(20_240_229)


@pytest.fixture
def run() -> Run:
    """Run ``firing-pulse ARGS``; the result has exit_code, stdout, stderr. A fault of ours fails the test."""

    def invoke(*args: object, stdin: str | None = None) -> Result:
        result = CliRunner().invoke(main, [str(a) for a in args], input=stdin, catch_exceptions=False)
        assert OWN_FAULT not in result.stderr, result.stderr
        return result

    return invoke


@pytest.fixture
def refused(run: Run) -> Callable[..., str]:
    """Run a command that must be refused: exit code 1 or 2, an empty stdout, and one line on stderr: the result."""

    def invoke(*args: object) -> str:
        result = run(*args)
        assert result.exit_code in (1, 2), result.output
        assert result.stdout == ""
        lines = result.stderr.splitlines()
        assert len(lines) == 1, result.stderr
        return lines[0]

    return invoke


@pytest.fixture
def shared() -> Path:
    """Folder of shared clips and recordings; tests that need it are skipped where it is absent."""
    if not SHARED.is_dir():
        pytest.skip("the folder ../shared is absent")
    return SHARED.resolve()
