"""``firing-pulse demo``: a folder that holds what it says, and the same without the files that a checkout has."""

import csv
import json
import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from click.testing import Result
from numpy.typing import NDArray

from pulse_audio import demo
from pulse_audio.clip import read_clip
from pulse_audio.errors import ClipError
from pulse_audio.loudness import integrated_lufs

Run = Callable[..., Result]
SAMPLES = Path(__file__).parents[1] / "samples"


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make the demo once for all tests of this module."""
    folder = tmp_path_factory.mktemp("demo") / "firing-pulse-demo"
    list(demo.make_demo(folder, force=False))
    return folder


def _pulse_times_s(samples: NDArray[np.float64], rate_hz: int) -> NDArray[np.float64]:
    """Return when single, well separated bursts begin: where the level rises above a tenth of its peak after a lull."""
    loud = np.abs(samples) > 0.1 * np.abs(samples).max()
    at = np.flatnonzero(loud)
    starts = at[np.diff(at, prepend=-rate_hz) > 0.05 * rate_hz]
    return starts / rate_hz


@pytest.mark.parametrize(("kind", "gaps_s"), [("even", (0.5, 0.5)), ("uneven", (0.25, 0.75))])
def test_slow_pulses_can_be_counted(made: Path, kind: str, gaps_s: tuple[float, float]) -> None:
    """At 120 rpm, 2 turns a second, 360-360 gives a pulse every 0.5 s and 180-540 gaps of 0.25 and 0.75 s in turn.

    10 ms: the edge of a pulse is found by its level, not by its true beginning.
    """
    clip = read_clip(made / f"slow-{kind}.wav")
    gaps = np.diff(_pulse_times_s(clip.samples, clip.sample_rate_hz))
    assert len(gaps) >= 12
    for first in (0, 1):
        expected = [gaps_s[(k + first) % 2] for k in range(len(gaps))]
        if np.allclose(gaps, expected, atol=0.01):
            return
    pytest.fail(f"gaps of {gaps} s")


@pytest.mark.parametrize("name", ["slow", "idle"])
def test_side_by_side_is_one_then_the_other(made: Path, name: str) -> None:
    """The side-by-side file is the even twin, a gap, and the uneven twin, both equally loud (0.3 LU)."""
    even, uneven, both = (read_clip(made / f"{name}-{kind}.wav") for kind in ("even", "uneven", "side-by-side"))
    gap = round(demo.GAP_S * demo.SAMPLE_RATE_HZ)
    n = len(even.samples)
    assert len(both.samples) == n + gap + len(uneven.samples)
    assert np.array_equal(both.samples[:n], even.samples)
    assert not both.samples[n : n + gap].any()
    assert np.array_equal(both.samples[n + gap :], uneven.samples)
    assert abs(integrated_lufs(even) - integrated_lufs(uneven)) < 0.3


def test_firing_table(made: Path) -> None:
    """The table has each cylinder's firing angle, and the gaps follow from 6 x rpm degrees a second."""
    with open(made / demo.TABLE, newline="") as stream:
        rows = list(csv.DictReader(stream))
    gaps = [(row["layout"], float(row["deg_to_next"])) for row in rows]
    assert gaps == [
        ("parallel-twin-360", 360.0),
        ("parallel-twin-360", 360.0),
        ("parallel-twin-180", 180.0),
        ("parallel-twin-180", 540.0),
    ]
    for row in rows:
        degrees = float(row["deg_to_next"])
        assert float(row["ms_to_next_at_120_rpm"]) == pytest.approx(degrees / (6 * 120) * 1000, abs=0.05)
        assert float(row["ms_to_next_at_900_rpm"]) == pytest.approx(degrees / (6 * 900) * 1000, abs=0.05)


def test_recording_and_its_answer(made: Path) -> None:
    """The shipped recording is there unchanged, with its answer as text and as JSON that agree."""
    recording = demo.shipped_clips()[0]
    assert (made / demo.RECORDING).read_bytes() == recording.read_bytes()
    answer = json.loads((made / f"{demo.ANSWER}.json").read_text())
    assert answer["file"] == demo.RECORDING
    assert answer["verdict"] in ("even", "uneven")
    text = (made / f"{demo.ANSWER}.txt").read_text()
    assert ("unevenly" in text) == (answer["verdict"] == "uneven")
    assert "no diagnosis" in text


def test_guide_names_only_files_that_are_there(made: Path) -> None:
    """Each sound and text that the guide sends the reader to is in the folder."""
    guide = (made / demo.GUIDE).read_text()
    named = set(re.findall(r"`([\w-]+\.(?:wav|flac|csv|txt|json))`", guide))
    assert len(named) >= 5
    assert all((made / name).exists() for name in named)
    assert "{" not in guide


def test_command_lists_what_it_made(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The command names each file, and refuses to write into the same folder again unless told to."""
    monkeypatch.chdir(tmp_path)
    result = run("demo")
    assert (result.exit_code, result.stderr) == (0, "")
    folder = tmp_path / "firing-pulse-demo"
    assert all(f"firing-pulse-demo/{path.name}: " in result.stdout for path in folder.iterdir())
    again = run("demo")
    assert (again.exit_code, again.stdout) == (1, "")
    assert "is not empty; give --force" in again.stderr
    assert run("demo", "--force").exit_code == 0


def test_missing_recordings_are_told(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """An installation without the shipped recordings says so before anything is written."""
    monkeypatch.setattr(demo, "__file__", str(tmp_path / "a" / "b" / "demo.py"))
    with pytest.raises(ClipError, match="install it again"):
        next(demo.make_demo(tmp_path / "out", force=False))
    assert not (tmp_path / "out").exists()


def test_shipped_recordings_are_those_of_samples() -> None:
    """In a checkout the recordings are those in samples/, and small enough to ship."""
    clips = demo.shipped_clips()
    assert {clip.name for clip in clips} == {path.name for path in SAMPLES.glob("*.flac")}
    assert all(clip.stat().st_size < 1_500_000 for clip in clips)
