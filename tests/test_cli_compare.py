"""``compare``: layouts in turn, at one speed and loudness, and when each begins."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile
from click.testing import Result

from pulse_audio.catalogue import layout_names
from pulse_audio.clip import Clip
from pulse_audio.loudness import integrated_lufs

Run = Callable[..., Result]
LAYOUTS = ("parallel-twin-360", "parallel-twin-180", "v-twin-45", "inline-four")


def _turns(stdout: str) -> list[tuple[float, str]]:
    return [(float(line.split()[0]), line.split()[2]) for line in stdout.splitlines()[1:]]


@pytest.mark.parametrize("rpm", ["120", "900", "4000", "900:5000"])
def test_equal_loudness(run: Run, tmp_path: Path, rpm: str) -> None:
    """Each layout begins where the list says and reads alike after BS.1770 within 0.3 LU, in a 16-bit file."""
    path = tmp_path / "a.wav"
    result = run("compare", *LAYOUTS, "-o", path, "--rpm", rpm, "--duration", 3)
    assert result.exit_code == 0, result.stderr
    turns = _turns(result.stdout)
    assert [name for _, name in turns] == list(LAYOUTS)
    samples, rate = soundfile.read(path)
    levels = []
    for start_s, _ in turns:
        start = round(start_s * rate)
        levels.append(integrated_lufs(Clip(samples=samples[start : start + 3 * rate], sample_rate_hz=rate)))
        if start:
            assert not samples[start - int(0.6 * rate) : start - 100].any()  # the gap
    assert max(levels) - min(levels) < 0.3
    assert np.abs(samples).max() < 10 ** (-1 / 20)


def test_loudness_by_an_independent_meter(run: Run, tmp_path: Path) -> None:
    """An independent implementation of BS.1770 agrees that both twins are equally loud."""
    pyloudnorm = pytest.importorskip("pyloudnorm")
    path = tmp_path / "a.wav"
    assert run("compare", *LAYOUTS[:2], "-o", path, "--duration", 3, "--gap", 0.5).exit_code == 0
    samples, rate = soundfile.read(path)
    meter = pyloudnorm.Meter(rate)
    first, second = (meter.integrated_loudness(samples[k * 168_000 : k * 168_000 + 144_000]) for k in (0, 1))
    assert first == pytest.approx(second, abs=0.3)


def test_rounds(run: Run, tmp_path: Path) -> None:
    """With two rounds each layout comes twice, with the same sound both times."""
    path = tmp_path / "a.wav"
    result = run("compare", *LAYOUTS[:2], "-o", path, "--duration", 1, "--gap", 0.5, "--rounds", 2)
    assert [name for _, name in _turns(result.stdout)] == list(LAYOUTS[:2]) * 2
    samples, rate = soundfile.read(path)
    assert samples.size == round(5.5 * rate)
    assert np.array_equal(samples[:rate], samples[3 * rate : 4 * rate])


@pytest.mark.parametrize("command", [("compare", *LAYOUTS[:2]), ("render", LAYOUTS[0])], ids=["compare", "render"])
@pytest.mark.parametrize(("rpm", "cycle"), [("20", "6 s"), ("20:40", "3.12 s"), ("300", None)])
def test_less_than_a_cycle_is_noted(
    run: Run, tmp_path: Path, command: tuple[str, ...], rpm: str, cycle: str | None
) -> None:
    """A duration below that of two turns is noted on stderr with what they take: 6 s at 20 rpm, 0.4 s at 300 rpm.

    From 20 to 40 rpm in 0.5 s the crank turns by 0.25; at 40 rpm from then on, the other 1.75 turns take 2.625 s.
    """
    result = run(*command, "-o", tmp_path / "a.wav", "--duration", 0.5, "--rpm", rpm)
    assert result.exit_code == 0
    assert (f"which takes {cycle} here; give a longer --duration" in result.stderr) == (cycle is not None)


def test_layout_that_does_not_fire_in_time_is_refused(run: Run, tmp_path: Path) -> None:
    """At 20 rpm the crank turns by 60 degrees in half a second: a single that fires at 300 is silent so long."""
    late = tmp_path / "late.toml"
    late.write_text("firing_deg = [300]\n")
    sound = tmp_path / "a.wav"
    result = run("compare", late, "boxer-twin", "-o", sound, "--duration", 0.5, "--rpm", 20)
    assert result.exit_code == 2
    told = result.stderr.splitlines()[-1]
    assert told.startswith("firing-pulse compare: late does not fire within 0.5 s; give a longer --duration")
    assert not sound.exists()


def test_figure(run: Run, tmp_path: Path) -> None:
    """A picture of both layouts is drawn on request."""
    pytest.importorskip("matplotlib")
    result = run("compare", *LAYOUTS[:2], "-o", tmp_path / "a.wav", "--duration", 1, "--figure", tmp_path / "a.png")
    assert result.exit_code == 0, result.stderr
    assert (tmp_path / "a.png").read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize(
    ("args", "complaint"),
    [
        (("boxer-twin",), "1 layout to compare; give 2 to 12"),
        (layout_names()[:13], "13 layouts to compare; give 2 to 12"),
        (("boxer-twin", "none-such"), "no layout is called"),
        (("boxer-twin", "inline-four", "--duration", "0.1"), "duration"),
        (("boxer-twin", "inline-four", "--rpm", "5"), "out of range"),
    ],
)
def test_wrong_input(refused: Callable[..., str], tmp_path: Path, args: tuple[str, ...], complaint: str) -> None:
    """Wrong input is told in one line; no file is left."""
    assert complaint in refused("compare", *args, "-o", tmp_path / "a.wav")
    assert list(tmp_path.iterdir()) == []
