"""``render``: every format read back by another library, every option heard, every wrong input told in one line."""

import csv
import wave
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile
from click.testing import Result

from pulse_audio.cli.render import EXHAUSTS
from pulse_audio.exhaust import exhaust_names

Run = Callable[..., Result]
Refused = Callable[..., str]


def _render(run: Run, path: Path, *args: object) -> np.ndarray:
    result = run("render", *args, "-o", path)
    assert result.exit_code == 0, result.stderr
    assert result.stdout.startswith(str(path))
    samples, _ = soundfile.read(path)
    return np.asarray(samples)


def _rows(table: Path) -> list[dict[str, str]]:
    with table.open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(lines))


# Formats ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("bits", "width"), [("16", 2), ("24", 3)])
@pytest.mark.parametrize("stereo", [False, True])
def test_wav_read_by_the_standard_library(run: Run, tmp_path: Path, bits: str, width: int, stereo: bool) -> None:
    """The standard library's reader finds the format, the length, and the same samples as a float file to one step."""
    options = ["parallel-twin-270", "--duration", 1.5, "--sample-rate", 44_100, *(["--stereo"] * stereo)]
    exact = _render(run, tmp_path / "exact.wav", *options, "--bits", "float")
    path = tmp_path / "a.wav"
    _render(run, path, *options, "--bits", bits)
    with wave.open(str(path)) as sound:
        assert (sound.getframerate(), sound.getsampwidth(), sound.getnframes()) == (44_100, width, 66_150)
        assert sound.getnchannels() == (2 if stereo else 1)
        raw = np.frombuffer(sound.readframes(66_150), dtype=np.uint8).reshape(-1, width)
    padded = np.concatenate((np.zeros((len(raw), 4 - width), dtype=np.uint8), raw), axis=1)
    found = padded.view("<i4")[:, 0] / 2.0**31
    assert found == pytest.approx(exact.ravel(), abs=1.01 * 2.0 ** (1 - 8 * width))


def test_flac_is_the_wav(run: Run, tmp_path: Path) -> None:
    """FLAC holds the samples of the WAV file, but for the rounding of the last bit."""
    wav, flac = (_render(run, tmp_path / name, "inline-four", "--duration", 1) for name in ("a.wav", "a.flac"))
    assert flac == pytest.approx(wav, abs=1.01 / 32_768)


def test_ogg_is_near(run: Run, tmp_path: Path) -> None:
    """OGG is lossy, but its sound follows that of the WAV file."""
    wav, ogg = (_render(run, tmp_path / name, "inline-four", "--duration", 2) for name in ("a.wav", "a.ogg"))
    assert wav.size == ogg.size
    assert np.corrcoef(wav, ogg)[0, 1] > 0.9


def test_same_command_same_file(run: Run, tmp_path: Path) -> None:
    """The same command writes the same bytes; another seed writes others."""
    options = ("v-twin-45", "--rpm", "900:3000", "--duration", 2)
    for name, seed in (("a", 3), ("b", 3), ("c", 4)):
        _render(run, tmp_path / f"{name}.wav", *options, "--seed", seed)
    first, same, other = ((tmp_path / f"{name}.wav").read_bytes() for name in "abc")
    assert first == same
    assert first != other


# Options ------------------------------------------------------------------------------------------------------------


def test_event_table_is_what_sounds(run: Run, tmp_path: Path) -> None:
    """Each firing of the table, and only those, begins a pulse in the sound."""
    table = tmp_path / "a.csv"
    sound = _render(run, tmp_path / "a.wav", "parallel-twin-180", "--rpm", 150, "--duration", 4, "--events", table)
    rows = _rows(table)
    assert list(rows[0]) == ["time_s", "cylinder", "crank_deg", "strength"]
    level = np.abs(sound)
    times = [float(row["time_s"]) for row in rows]
    assert 9 <= len(times) <= 11  # five cycles of two, as the idle speed wanders
    for time_s in times[1:-1]:
        start = round(time_s * 48_000)
        assert level[start - 1200 : start].max() < 0.05 * level[start : start + 1200].max()
    assert {row["cylinder"] for row in rows} == {"1", "2"}
    for row in rows:
        expected = 0.0 if row["cylinder"] == "1" else 180.0
        assert abs((float(row["crank_deg"]) - expected + 360) % 720 - 360) < 5.0


def test_event_table_of_a_loop(run: Run, tmp_path: Path) -> None:
    """A loop's table has each cylinder once a cycle and ends with the loop."""
    table = tmp_path / "a.csv"
    sound = _render(
        run, tmp_path / "a.wav", "boxer-twin", "--rpm", 1000, "--duration", 1.2, "--loop", "--ideal", "--events", table
    )
    rows = _rows(table)
    assert len(rows) == 20
    assert sound.size == 57_600  # ten cycles of 0.12 s


def test_one_firing_is_one(run: Run, tmp_path: Path) -> None:
    """A table of one line says so: a tenth of a second at 900 rpm holds the first firing of a single alone."""
    table = tmp_path / "a.csv"
    options = ("--ideal", "--duration", 0.1, "-o", tmp_path / "a.wav", "--events", table)
    assert run("render", "single-four-stroke", *options).stdout.endswith("a.csv: 1 firing\n")
    assert len(table.read_text(encoding="utf-8").splitlines()) == 2


def test_misfire_leaves_a_gap(run: Run, tmp_path: Path) -> None:
    """A cylinder that always fails is silent: half the firings of a twin, and no pulse where the others would be."""
    sound = _render(
        run, tmp_path / "a.wav", "parallel-twin-360", "--rpm", 120, "--duration", 4, "--ideal", "--misfire", 2
    )
    level = np.abs(sound)
    fired, failed = level[48_000 : 48_000 + 2400].max(), level[72_000 : 72_000 + 2400].max()
    assert failed < 1e-3 * fired


def test_help_names_the_exhausts() -> None:
    """The help names every ready exhaust."""
    assert exhaust_names() == EXHAUSTS


def test_noise_option(run: Run, tmp_path: Path) -> None:
    """Flow noise 20 dB above the usual puts ten times the share above 4 kHz that the pulses alone have."""
    options = ("boxer-twin", "--rpm", 2500, "--duration", 2, "--bits", "float", "--exhaust", "road-silencer")
    quiet, loud = (_render(run, tmp_path / f"{k}.wav", *options, "--noise", k) for k in (-40, 20))
    shares = [np.sum(np.abs(np.fft.rfft(x))[8000:] ** 2) / np.sum(x**2) for x in (quiet, loud)]  # above 4 kHz
    assert shares[1] > 10 * shares[0]


def test_blip_sounds_faster_in_the_middle(run: Run, tmp_path: Path) -> None:
    """A blip idles, speeds up and comes back: firings a second from the table of events."""
    table = tmp_path / "a.csv"
    options = ("--rpm", "900:5000", "--blip", "--duration", 3, "--ideal", "--events", table)
    _render(run, tmp_path / "a.wav", "inline-four", *options)
    times = np.array([float(row["time_s"]) for row in _rows(table)])
    rate = np.histogram(times, bins=15, range=(0.0, 3.0))[0] / 0.2
    assert rate[:5] == pytest.approx([30.0] * 5, abs=5.1)  # 900 rpm; a bin holds 6 firings or one more or less
    assert rate[-4:] == pytest.approx([30.0] * 4, abs=5.1)
    assert rate.max() > 120.0


def test_speed_from_a_file(run: Run, tmp_path: Path) -> None:
    """A CSV file gives the speed: twice the speed in the second half, twice the firings."""
    speeds, table = tmp_path / "speed.csv", tmp_path / "a.csv"
    speeds.write_text("time_s,rpm\n0,1200\n2,1200\n2.001,2400\n", encoding="utf-8")
    _render(run, tmp_path / "a.wav", "boxer-twin", "--rpm", speeds, "--duration", 4, "--ideal", "--events", table)
    times = np.array([float(row["time_s"]) for row in _rows(table)])
    assert np.histogram(times, bins=[-0.001, 2.0005, 4.0])[0] == pytest.approx([41, 80], abs=1)


@pytest.mark.parametrize(
    ("options", "length_s", "note"),
    [
        ((), 2.5, ""),
        (("--duration", "2.5"), 2.5, ""),
        (("--duration", "1"), 1.0, "note: {} lasts 2.5 s; without --duration all of it sounds\n"),
        (("--duration", "4"), 4.0, "note: {} lasts 2.5 s; its last speed is held from then on\n"),
    ],
)
@pytest.mark.parametrize("layouts", [("render", "boxer-twin"), ("compare", "boxer-twin", "270-450", "--gap", 0.0)])
def test_length_of_a_speed_file(
    run: Run, tmp_path: Path, layouts: tuple[str, ...], options: tuple[str, ...], length_s: float, note: str
) -> None:
    """Without --duration a speed file sounds for as long as it says; a note tells where the two differ."""
    speeds, sound = tmp_path / "speed.csv", tmp_path / "a.wav"
    speeds.write_text("time_s,rpm\n0,900\n2.5,1800\n", encoding="utf-8")
    result = run(*layouts, "--rpm", speeds, *options, "-o", sound)
    assert (result.exit_code, result.stderr) == (0, note.format(speeds))
    assert soundfile.info(sound).duration == pytest.approx(length_s * (2 if layouts[0] == "compare" else 1), abs=1e-3)


@pytest.mark.parametrize(("last_s", "length_s"), [(0.0, 6.0), (4000.0, None)])
def test_speed_files_that_give_no_length(run: Run, tmp_path: Path, last_s: float, length_s: float | None) -> None:
    """One point at time 0 is a steady speed for the usual time; more than an hour needs a --duration."""
    speeds, sound = tmp_path / "speed.csv", tmp_path / "a.wav"
    speeds.write_text(f"time_s,rpm\n-1,900\n{last_s},900\n", encoding="utf-8")
    result = run("render", "boxer-twin", "--rpm", speeds, "-o", sound)
    if length_s is None:
        assert result.exit_code == 2
        assert "lasts 4000 s; give --duration, 0.01 to 3600 s" in result.stderr
    else:
        assert soundfile.info(sound).duration == length_s


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (("--rpm", 1200), "boxer-twin at 1200 rpm through open-stubs, 0.50 s"),
        (("--rpm", "600:4000"), "boxer-twin from 600 to 4000 rpm through open-stubs, 0.50 s"),
        (("--rpm", "600:4000", "--blip"), "boxer-twin idling at 600 rpm with blips to 4000 through open-stubs"),
        (("--rpm", "pa.csv"), "boxer-twin at the speeds of pa.csv through open-stubs, 0.50 s"),
        (("--ideal",), "through open-stubs, perfectly regular, 0.50 s"),
        (("--load", 1, "--noise", -6), "through open-stubs, load 1, flow noise -6 dB, 0.50 s"),
        (("--misfire", "2:0.3", "--misfire", 1), "cylinder 2 failing in 30 % of its cycles, cylinder 1 failing in 100"),
    ],
)
def test_summary_says_what_was_made(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, options: tuple[object, ...], said: str
) -> None:
    """The line on stdout names the speed in words and whatever is not as usual about the engine."""
    monkeypatch.chdir(tmp_path)
    Path("pa.csv").write_text("time_s,rpm\n0,900\n0.5,1200\n", encoding="utf-8")
    result = run("render", "boxer-twin", *options, "--duration", 0.5, "-o", "a.wav")
    assert result.exit_code == 0, result.stderr
    assert said in result.stdout


def test_ticks_and_exhaust_change_the_sound(run: Run, tmp_path: Path) -> None:
    """Ticks add to the sound at the level asked for; an exhaust from a file is heard."""
    pipes = tmp_path / "mine.toml"
    pipes.write_text("primary = { length_m = 2.0, bore_m = 0.05, gas_c = 400 }", encoding="utf-8")
    options = ("boxer-twin", "--rpm", 300, "--duration", 2, "--ideal", "--bits", "float")
    plain = _render(run, tmp_path / "a.wav", *options)
    ticked = _render(run, tmp_path / "b.wav", *options, "--ticks", -26)
    assert np.abs(ticked - plain).max() == pytest.approx(10 ** (-26 / 20), rel=0.02)
    other = _render(run, tmp_path / "c.wav", *options, "--exhaust", pipes)
    assert np.corrcoef(plain, other)[0, 1] < 0.9


# Wrong input --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("args", "complaint"),
    [
        (("boxer-twn",), "boxer-twin"),
        (("270-460",), "add up to 730"),
        (("boxer-twin", "--rpm", "0"), "out of range"),
        (("boxer-twin", "--rpm", "-900"), "out of range"),
        (("boxer-twin", "--rpm", "1e308"), "out of range"),
        (("boxer-twin", "--rpm", "nan"), "rpm"),
        (("boxer-twin", "--rpm", "fast"), "number"),
        (("boxer-twin", "--rpm", "900:"), "rpm: a speed is missing; give 20 to 15000 rpm; a speed is a number, a ramp"),
        (("boxer-twin", "--rpm", "6000:900", "--blip"), "snaps up to the second: give --rpm 900:6000"),
        (("boxer-twin", "--misfire", "1", "--misfire", "2:1"), "no cylinder ever fires: give --misfire to fewer"),
        (("boxer-twin", "--misfire", "1:0.5", "--misfire", "1"), "cylinder 1 is given twice"),
        (("boxer-twin", "--duration", "0"), "duration"),
        (("boxer-twin", "--duration", "1e9"), "duration"),
        (("boxer-twin", "--blip"), "two speeds"),
        (("boxer-twin", "--loop", "--rpm", "900:1000"), "steady"),
        (("boxer-twin", "--loop", "--rpm", "20", "--duration", "1"), "takes 6 s; give that or more"),
        (("boxer-twin", "--misfire", "3"), "1 to 2"),
        (("boxer-twin", "--misfire", "1:2"), "0 to 1"),
        (("boxer-twin", "--exhaust", "none"), "no exhaust is called"),
        (("boxer-twin", "--ticks", "3"), "ticks"),
        (("boxer-twin", "--load", "2"), "load"),
        (("boxer-twin", "--noise", "nan"), "noise"),
        (("boxer-twin", "--sample-rate", "1"), "sample-rate"),
        (("boxer-twin", "--bits", "12"), "bits"),
    ],
)
def test_wrong_input_is_told_in_one_line(
    refused: Refused, tmp_path: Path, args: tuple[str, ...], complaint: str
) -> None:
    """Each wrong input gets one line that names it; no file is left."""
    assert complaint in refused("render", *args, "-o", tmp_path / "a.wav")
    assert list(tmp_path.iterdir()) == []


def test_existing_output_is_kept_without_force(run: Run, refused: Refused, tmp_path: Path) -> None:
    """A file that is there is not touched without --force, and replaced with it."""
    path = tmp_path / "a.wav"
    path.write_text("mine", encoding="utf-8")
    assert "--force" in refused("render", "boxer-twin", "--duration", 1, "-o", path)
    assert path.read_text(encoding="utf-8") == "mine"
    assert run("render", "boxer-twin", "--duration", 1, "-o", path, "--force").exit_code == 0
    assert soundfile.info(path).frames == 48_000


def test_existing_table_is_found_before_the_work(refused: Refused, tmp_path: Path) -> None:
    """An event table that is there stops the command before any sound is written."""
    table = tmp_path / "a.csv"
    table.write_text("mine", encoding="utf-8")
    assert "--force" in refused("render", "boxer-twin", "-o", tmp_path / "a.wav", "--events", table)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.csv"]


@pytest.mark.parametrize("name", ["a.mp3", "a", "missing/a.wav"])
def test_outputs_that_cannot_be(refused: Refused, tmp_path: Path, name: str) -> None:
    """A format that is not known and a folder that is not there are told, and nothing is left."""
    assert "cannot" in refused("render", "boxer-twin", "--duration", 1, "-o", tmp_path / name)
    assert list(tmp_path.iterdir()) == []


def test_too_large_for_a_wav_file(refused: Refused, tmp_path: Path) -> None:
    """More than 4 GB do not fit in a WAV file, whose sizes are 32 bits wide; that is told before the work."""
    options = ("--duration", 3600, "--sample-rate", 192_000, "--stereo", "--bits", "float")
    assert ".flac" in refused("render", "boxer-twin", "-o", tmp_path / "a.wav", *options)
    assert list(tmp_path.iterdir()) == []


def test_flac_holds_no_floats(refused: Refused, tmp_path: Path) -> None:
    """A float FLAC is refused with what to take instead."""
    assert "--bits 24" in refused("render", "boxer-twin", "-o", tmp_path / "a.flac", "--bits", "float")
