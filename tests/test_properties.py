"""What holds for every input, tried on many that a machine makes up (hypothesis)."""

import math
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import HealthCheck, assume, example, given, settings
from hypothesis import strategies as st

from pulse_audio import exhaust, layout, speed
from pulse_audio.catalogue import find_layout, layout_names
from pulse_audio.cli import main
from pulse_audio.clip import Clip, read_clip, write_clip
from pulse_audio.errors import PulseError
from pulse_audio.files import shown
from pulse_audio.firing import firing_events
from pulse_audio.layout import Cylinder, Layout, from_intervals
from pulse_audio.speed import SpeedCurve

# The same inputs in every run: a test that fails now and then is of no use. New ones are for the fuzzer, tests/fuzz.
settings.register_profile(
    "steady", derandomize=True, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
settings.load_profile("steady")

ANGLES = st.integers(0, 71).map(lambda k: 5.0 * k)


@st.composite
def layouts(draw: st.DrawFn) -> Layout:
    """Draw an engine of 1 to 12 cylinders with throws and banks, each firing at one of its top dead centres."""
    strokes = draw(st.sampled_from((2, 4)))
    cylinders = []
    for place in range(draw(st.integers(1, 12))):
        bank, throw = draw(ANGLES), draw(ANGLES)
        turn = draw(st.integers(0, strokes // 2 - 1))
        cylinders.append(
            Cylinder(bank_deg=bank, throw_deg=throw, offset=float(place), firing_deg=(bank - throw) % 360 + 360 * turn)
        )
    return Layout(name="drawn", strokes=strokes, cylinders=tuple(cylinders))


@st.composite
def curves(draw: st.DrawFn) -> SpeedCurve:
    """Draw a speed curve of 1 to 8 points over some seconds."""
    steps = draw(st.lists(st.floats(0.01, 3.0), min_size=1, max_size=8))
    rpm = draw(st.lists(st.floats(20, 15_000), min_size=len(steps), max_size=len(steps)))
    return SpeedCurve(time_s=np.cumsum(steps) - steps[0], rpm=rpm)


@given(layouts())
@settings(max_examples=300)
def test_intervals_make_a_cycle(engine: Layout) -> None:
    """Intervals are never negative and add up to the cycle; the firing order names each cylinder once."""
    assert all(interval >= 0 for interval in engine.intervals_deg)
    assert sum(engine.intervals_deg) == pytest.approx(engine.cycle_deg)
    assert sorted(engine.firing_order) == list(range(1, len(engine.cylinders) + 1))


@given(layouts(), st.floats(0.1, 359.9))
@settings(max_examples=200)
def test_firing_off_top_dead_centre_is_refused(engine: Layout, off_deg: float) -> None:
    """A cylinder that would fire anywhere but at its top dead centre is refused, and both legal angles are named."""
    first = engine.cylinders[0]
    wrong = (first.firing_deg + off_deg) % engine.cycle_deg
    assume(min((wrong - first.firing_deg) % 360, (first.firing_deg - wrong) % 360) > 0.05)
    moved = Cylinder(bank_deg=first.bank_deg, throw_deg=first.throw_deg, firing_deg=wrong)
    with pytest.raises(PulseError) as caught:
        Layout(name="wrong", strokes=engine.strokes, cylinders=(moved, *engine.cylinders[1:]))
    assert first.tdc_deg is not None
    assert f"{first.tdc_deg:g}" in str(caught.value)
    assert engine.strokes == 2 or f"{first.tdc_deg + 360:g}" in str(caught.value)


@given(st.lists(st.integers(1, 400), min_size=2, max_size=8), st.sampled_from((360, 720)))
@settings(max_examples=150)
def test_intervals_are_read_as_written(parts: list[int], cycle: int) -> None:
    """Intervals that add up to a cycle come back as they were given."""
    assume(sum(parts) < cycle)
    intervals = [*parts, cycle - sum(parts)]
    engine = from_intervals("-".join(map(str, intervals)))
    assert engine.intervals_deg == pytest.approx(intervals)
    assert engine.cycle_deg == cycle


@given(curves(), st.lists(st.floats(0, 20), min_size=1, max_size=20))
@settings(max_examples=300)
def test_angle_and_time_are_inverse(curve: SpeedCurve, times_s: list[float]) -> None:
    """The time at which the crank reaches an angle is the time from which the angle came, to 1e-9 s."""
    there_and_back = curve.time_at_deg(curve.crank_deg(times_s))
    np.testing.assert_allclose(there_and_back, times_s, atol=1e-9)


@given(layouts(), curves(), st.floats(0.05, 2.0))
@settings(max_examples=200)
def test_firings_are_where_the_crank_says(engine: Layout, curve: SpeedCurve, duration_s: float) -> None:
    """Firings rise in time, and at each of them the crank stands at that cylinder's firing angle."""
    events = firing_events(engine, curve, duration_s=duration_s)
    assert np.all(np.diff(events.time_s) >= 0)
    assert np.all((events.time_s >= 0) & (events.time_s < duration_s))
    stands = curve.crank_deg(events.time_s) % engine.cycle_deg
    fires = np.array([c.firing_deg for c in engine.cylinders])[events.cylinder]
    off = np.abs((stands - fires + 180) % 360 - 180)
    assert np.all(off < 1e-4)  # 1e-9 s at 15 000 rpm is 9e-5 degrees


TEXTS = st.text(max_size=60) | st.text(st.sampled_from("0123456789.-eE:+ _"), max_size=30)


@given(TEXTS)
@example("270-450-")
@example("0-0-0")
@example("1e400-1")
@example("--help")
@settings(max_examples=1500)
def test_any_layout_argument(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, text: str) -> None:
    """Any text is a layout or refused with one printable line."""
    monkeypatch.chdir(tmp_path)
    try:
        found = find_layout(text.replace("/", "_"))
    except PulseError as e:
        assert str(e).isprintable()
    else:
        assert sum(found.intervals_deg) == pytest.approx(found.cycle_deg)


SCALARS = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8)
KEYS = st.sampled_from(
    [
        "strokes",
        "firing_deg",
        "bank_deg",
        "throw_deg",
        "offset",
        "title",
        "name",
        "note",
        "x",
        "join",
        "primary",
        "section",
        "second",
        "length_m",
        "bore_m",
        "gas_c",
        "valve_reflection",
        "noise_db",
    ]
)
VALUES = st.recursive(SCALARS, lambda v: st.lists(v, max_size=5) | st.dictionaries(KEYS, v, max_size=5), max_leaves=8)


@given(st.dictionaries(KEYS, VALUES, max_size=6))
@settings(max_examples=800)
def test_any_table(table: dict[str, object]) -> None:
    """Any table, as TOML might hold it, makes a layout and an exhaust or is refused with one printable line."""
    for make in (layout.from_table, exhaust.from_table):
        try:
            make("drawn", table)
        except PulseError as e:
            assert str(e).isprintable()


@given(st.binary(max_size=300) | TEXTS.map(lambda text: ("time_s,rpm\n" + text.replace("_", "\n")).encode()))
@settings(max_examples=800)
def test_any_speed_file(tmp_path: Path, body: bytes) -> None:
    """Any file makes a speed curve or is refused with one printable line."""
    path = tmp_path / "curve.csv"
    path.write_bytes(body)
    try:
        assert speed.from_csv(path).rpm.size >= 1
    except PulseError as e:
        assert str(e).isprintable()


@given(st.text(max_size=80))
@settings(max_examples=500)
def test_shown_texts_are_printable(text: str) -> None:
    """Nothing that is shown can steer a terminal, and printable text is shown as it is."""
    assert shown(text).isprintable()
    assert shown(text) == text or not text.isprintable()


@given(
    st.lists(st.floats(-1, 1, width=32), min_size=1, max_size=200),
    st.integers(1, 8),
    st.sampled_from((8_000, 44_100, 192_000)),
    st.sampled_from((".wav", ".flac")),
)
@settings(max_examples=200)
def test_any_sound_comes_back(tmp_path: Path, values: list[float], channels: int, rate_hz: int, ending: str) -> None:
    """Any samples within full scale come back to one step of 24 bits."""
    samples = np.tile(np.array(values)[:, None], (1, channels))
    write_clip(tmp_path / f"a{ending}", Clip(samples=samples, sample_rate_hz=rate_hz), subtype="24", force=True)
    back = read_clip(tmp_path / f"a{ending}")
    assert back.sample_rate_hz == rate_hz
    assert np.max(np.abs(back.samples.reshape(samples.shape) - samples)) <= 2.0**-23


QUICK = ("layouts", "explain", "render", "analyse")
WORDS = st.sampled_from(
    [
        *layout_names()[:5],
        "270-450",
        "--rpm",
        "--json",
        "--output",
        "--help",
        "-h",
        "--force",
        "--end",
        "--seed",
        "--bits",
        "0",
        "-1",
        "900",
        "900:1000",
        "1e308",
        "nan",
        "none.toml",
        "text.wav",
        "a.wav",
        "a.mp7",
        ".",
        "",
        "=",
    ]
)


@given(st.sampled_from(QUICK), st.lists(WORDS | st.text(max_size=6), max_size=6))
@settings(max_examples=500)
def test_any_arguments(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, command: str, args: list[str]) -> None:
    """Any words after a command end with exit code 0, 1 or 2; a wrong command line with one line on stderr."""
    monkeypatch.chdir(tmp_path)
    Path("text.wav").write_text("no sound")
    words = [command, *(a.replace("/", "_").replace("\0", "_") for a in args)]
    if command == "render":
        words += ["--duration", "0.02"]
    result = CliRunner().invoke(main, words, catch_exceptions=False)
    assert result.exit_code in (0, 1, 2)
    if result.exit_code == 2:
        assert result.stdout == ""
        assert len(result.stderr.splitlines()) == 1
    assert all(c.isprintable() or c == "\n" for c in result.output)


@given(st.floats(), st.floats())
def test_finite_numbers_only(low: float, high: float) -> None:
    """A number check lets nothing through that is not a finite number within its range."""
    from pulse_audio.checks import number

    try:
        value = number("x", low, low=-10, high=high)
    except PulseError:
        assert not (math.isfinite(low) and -10 <= low <= high)
    else:
        assert -10 <= value <= high
