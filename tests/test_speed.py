"""Crank angle over time and its inverse, against arithmetic in 50 decimal places."""

import itertools
from decimal import Decimal, getcontext
from pathlib import Path

import click
import numpy as np
import pytest

from pulse_audio.cli.options import SPEED, Speed
from pulse_audio.errors import RangeError, SpeedError
from pulse_audio.speed import SpeedCurve, from_csv

getcontext().prec = 50
TIME_TOLERANCE_S = 1e-9  # the project's promise for event times


def exact_time_s(times: list[float], rpm: list[float], angle_deg: float) -> float:
    """Time at which a crank with piecewise-linear speed has turned by an angle, from the first point on.

    Piece by piece: 6 r deg/s at the start, the speed changing by s rpm a second, so
    ``angle = 6 r t + 3 s t^2``; solved in decimals, sharing nothing with the package.
    """
    left = Decimal(angle_deg)
    points = [(Decimal(t), Decimal(r)) for t, r in zip(times, rpm, strict=True)]
    for (t0, r0), (t1, r1) in itertools.pairwise(points):
        slope = (r1 - r0) / (t1 - t0)
        whole = 3 * (r0 + r1) * (t1 - t0)
        if left <= whole:
            a, b = 3 * slope, 6 * r0
            t = left / b if a == 0 else ((b * b + 4 * a * left).sqrt() - b) / (2 * a)
            return float(t0 + t)
        left -= whole
    return float(points[-1][0] + left / (6 * points[-1][1]))


def test_steady_speed() -> None:
    """At R rpm the crank turns 6 R degrees a second, for ever and before time 0 too."""
    curve = SpeedCurve.steady(1500)
    assert curve.is_steady
    assert curve.crank_deg([-1, 0, 0.5, 3600]) == pytest.approx([-9000, 0, 4500, 32_400_000], rel=1e-15)
    assert curve.time_at_deg([-9000, 720]) == pytest.approx([-1, 0.08], rel=1e-15)


def test_ramp_against_the_parabola() -> None:
    """On a ramp from 900 to 4000 rpm over 7 s the times agree with the root of the parabola within 1e-9 s."""
    curve = SpeedCurve.ramp(900, 4000, 7)
    angles = np.arange(0.0, 120_000.0, 77.7)
    expected = [exact_time_s([0, 7], [900, 4000], a) for a in angles]
    assert curve.time_at_deg(angles) == pytest.approx(expected, abs=TIME_TOLERANCE_S)


def test_falling_ramp_to_the_lowest_speed() -> None:
    """Slowing from 15000 to 20 rpm over an hour keeps the times within 1e-9 s."""
    curve = SpeedCurve.ramp(15_000, 20, 3600)
    total = 3.0 * 15_020 * 3600
    angles = np.linspace(0.0, total, 500)
    expected = [exact_time_s([0, 3600], [15_000, 20], a) for a in angles[:-1]]
    # Near the end the crank creeps at 120 degrees a second, and 1.6e8 degrees are held to 3e-8: 2.5e-10 s.
    assert curve.time_at_deg(angles)[:-1] == pytest.approx(expected, abs=TIME_TOLERANCE_S)


def test_curve_of_many_pieces(rng: np.random.Generator) -> None:
    """With 400 random pieces over ten minutes, and past the end, times stay within 1e-9 s."""
    times = np.concatenate(([0.0], np.cumsum(rng.uniform(0.01, 3, 400)))).tolist()
    rpm = rng.uniform(20, 15_000, 401).tolist()
    curve = SpeedCurve(time_s=times, rpm=rpm)
    angles = np.sort(rng.uniform(0, float(curve.crank_deg(times[-1] + 5)[0]), 1000))
    expected = [exact_time_s(times, rpm, a) for a in angles]
    assert curve.time_at_deg(angles) == pytest.approx(expected, abs=TIME_TOLERANCE_S)


def test_time_zero_is_angle_zero_wherever_the_points_lie() -> None:
    """The crank stands at 0 at time 0, even if the first point comes later or earlier; outside, the speed stays."""
    later = SpeedCurve(time_s=[10, 20], rpm=[600, 1200])
    assert later.crank_deg([0, 1, 10]) == pytest.approx([0, 3600, 36_000])
    earlier = SpeedCurve(time_s=[-10, 10], rpm=[600, 1200])
    assert earlier.crank_deg([0, 10, 11]) == pytest.approx([0, 3 * (900 + 1200) * 10, 3 * 2100 * 10 + 7200])
    assert earlier.rpm_at([-20, 0, 20]) == pytest.approx([600, 900, 1200])


def test_inverse_takes_back_every_angle(rng: np.random.Generator) -> None:
    """Angle at the time at an angle is that angle, to rounding."""
    curve = SpeedCurve(time_s=[0, 1, 2, 5, 5.001], rpm=[700, 800, 6000, 900, 7000])
    angles = rng.uniform(-10_000, 400_000, 2000)
    assert curve.crank_deg(curve.time_at_deg(angles)) == pytest.approx(angles, abs=1e-6)


def test_numbers_are_guarded() -> None:
    """The arrays of a curve cannot be changed, and changing the caller's array does not change the curve."""
    mine = np.array([900.0, 1000.0])
    curve = SpeedCurve(time_s=[0, 1], rpm=mine)
    mine[0] = 5000
    assert curve.rpm[0] == 900
    with pytest.raises(ValueError, match="read-only"):
        curve.rpm[0] = 1


@pytest.mark.parametrize(
    ("times", "rpm", "message"),
    [
        ([0, 1, 1], [900, 900, 900], "point 3: times must be numbers that rise"),
        ([0, 2, 1, 3], [900] * 4, "point 3: times must be numbers that rise"),
        ([float("nan")], [900], "point 1: times must be numbers"),
        ([0, float("inf")], [900, 900], "point 2: times must be numbers"),
        ([0, 1e308], [900, 900], "point 2: times must be numbers that rise, to 1e9 s"),
        ([0, 1e-320], [900, 1900], "the speed jumps; leave 0.001 s or more between two points"),
        ([0, 1], [900], "as many times as speeds"),
        ([], [], "as many times as speeds"),
        (["a"], [900], "must be two lists of numbers"),
        ([0, 1], [900, [900, 900]], "must be two lists of numbers"),
        ([10**400], [900], "must be two lists of numbers"),
        ([None, {}], [900, 900], "must be two lists of numbers"),
        ([0, 1], [900, 0], "point 2: rpm=0.0 is out of range; give 20 to 15000 rpm"),
        ([0], [-5], "rpm=-5.0 is out of range"),
        ([0], [float("nan")], "rpm=nan is out of range"),
        ([0], [1e9], "rpm=1000000000.0 is out of range"),
        ([0], [12.5], r"did you give hertz\? 12.5 Hz is 750 rpm"),
    ],
)
def test_curves_that_cannot_be_are_refused(times: list[float], rpm: list[float], message: str) -> None:
    """The message names the first bad point."""
    with pytest.raises(SpeedError, match=message):
        SpeedCurve(time_s=times, rpm=rpm)


@pytest.mark.parametrize("wrong", ["soon", [[1.0], [1.0, 2.0]], 10**400])
def test_times_and_angles_that_are_no_numbers(wrong: object) -> None:
    """A curve asked at a time or angle that is none says so in one line."""
    curve = SpeedCurve.steady(900)
    for ask, name in ((curve.rpm_at, "time_s"), (curve.crank_deg, "time_s"), (curve.time_at_deg, "crank_deg")):
        with pytest.raises(RangeError, match=f"^{name}: give a number, or a list of them$"):
            ask(wrong)  # type: ignore[arg-type]


def test_csv(tmp_path: Path) -> None:
    """A CSV file is read with blank lines, spaces and a byte-order mark; its times hold within 1e-9 s."""
    path = tmp_path / "blip.csv"
    path.write_text("\ufefftime_s, rpm\n0,900\n\n1.5, 5200 \n3,1000\n", encoding="utf-8")
    curve = from_csv(path)
    assert curve.time_s.tolist() == [0, 1.5, 3]
    angles = np.linspace(0, 60_000, 333)
    expected = [exact_time_s([0, 1.5, 3], [900, 5200, 1000], a) for a in angles]
    assert curve.time_at_deg(angles) == pytest.approx(expected, abs=TIME_TOLERANCE_S)


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "the first line must be time_s,rpm"),
        (b"rpm,time_s\n0,900\n", "the first line must be time_s,rpm"),
        (b"time_s,rpm\n", "holds no points"),
        (b"time_s,rpm\n0,fast\n", "line 2: give two numbers"),
        (b"time_s,rpm\n0,900\n1\n", "line 3: give two numbers"),
        (b"time_s,rpm\n0,900,7\n", "line 2: give two numbers"),
        (b"time_s,rpm\n1,900\n0,900\n", "bad.csv: speed curve, point 2: times must be numbers that rise"),
        (b"time_s,rpm\n0,0\n", "bad.csv: speed curve, point 1: rpm=0.0 is out of range"),
        (b"\xff\xfe\xff", "is no text"),
        (b'time_s,rpm\n0,"' + b"9" * 200_000, "is no CSV"),
        (b"time_s,rpm\n" + b"0,900\n" * 2_000_000, "larger than 10000000 bytes"),
    ],
)
def test_bad_csv_files_are_refused(tmp_path: Path, content: bytes, message: str) -> None:
    """A file that holds no speed curve gets one line that says where and why."""
    path = tmp_path / "bad.csv"
    path.write_bytes(content)
    with pytest.raises(SpeedError, match=message) as told:
        from_csv(path)
    assert "\n" not in str(told.value)


def test_absent_csv_is_refused(tmp_path: Path) -> None:
    """A file that is not there is named with the reason."""
    with pytest.raises(SpeedError, match=r"none.csv: there is no such file"):
        from_csv(tmp_path / "none.csv")


def read_speed(text: str) -> Speed:
    return SPEED.convert(text, None, None)


def test_speed_argument(tmp_path: Path) -> None:
    """On the command line a speed is a number, a ramp over the whole duration, or a CSV file."""
    assert read_speed("900").steady_rpm == 900
    assert read_speed("900").curve(5).is_steady
    assert read_speed("900:900").steady_rpm == 900
    ramp = read_speed("900:4000")
    assert ramp.steady_rpm is None
    assert ramp.curve(8).rpm_at([0, 4, 8, 9]) == pytest.approx([900, 2450, 4000, 4000])
    path = tmp_path / "blip.csv"
    path.write_text("time_s,rpm\n0,900\n2,3000\n")
    assert read_speed(str(path)).curve(100).rpm.tolist() == [900, 3000]
    assert read_speed(str(path)).steady_rpm is None


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("fast", "rpm=fast is not a number; give 20 to 15000 rpm; a speed is a number, a ramp"),
        ("", "rpm: a speed is missing; give 20 to 15000 rpm; a speed is a number, a ramp"),
        ("0", "rpm=0 is out of range"),
        ("-900", "rpm=-900 is out of range"),
        ("1e9", "rpm=1e9 is out of range"),
        ("nan", "rpm=nan is out of range"),
        ("15", "15 Hz is 900 rpm"),
        ("900:", "rpm: a speed is missing"),
        (":900", "rpm: a speed is missing"),
        ("900:0", "rpm=0 is out of range"),
        ("900:4000:900", "is not a number"),
        ("none.csv", "none.csv: there is no such file"),
        ("a" * 300, "is not a number"),
    ],
)
def test_bad_speed_arguments(text: str, message: str) -> None:
    """Each speed that cannot be read is refused with the range and the three forms."""
    with pytest.raises(click.BadParameter, match=message):
        read_speed(text)


@pytest.mark.parametrize(
    ("duration_s", "count", "size"),
    # One in every 3 s or so; where they come closer together than 3 s, both slopes shrink in proportion.
    [(0.5, 1, 1 / 6), (2.4, 1, 0.8), (3.0, 1, 1.0), (4.4, 1, 1.0), (5.0, 2, 5 / 6), (10.0, 3, 1.0)],
)
def test_blips_idle_climb_and_come_back(duration_s: float, count: int, size: float) -> None:
    """Each blip lies within its share of the time, climbs for 0.3 s ever more slowly, and falls back over 1.1 s."""
    curve = SpeedCurve.blip(900.0, 5000.0, duration_s)
    tops_s = curve.time_s[curve.rpm == 5000.0]
    assert tops_s.size == count
    for k, top_s in enumerate(tops_s):
        start_s, end_s = top_s - 0.3 * size, top_s + 1.1 * size
        assert duration_s * k / count < start_s < end_s < duration_s * (k + 1) / count
        assert curve.rpm_at([start_s, top_s, end_s]) == pytest.approx([900.0, 5000.0, 900.0])
        climb, fall = (curve.rpm_at(np.linspace(*ends, 6)) for ends in ((start_s, top_s), (top_s, end_s)))
        assert np.all(np.diff(climb) > 0) and np.all(np.diff(climb, 2) < 0)
        assert np.all(np.diff(fall) < 0)
    assert curve.rpm_at([0.0, duration_s]) == pytest.approx([900.0, 900.0])


@pytest.mark.parametrize(
    ("values", "name"),
    [
        ((float("nan"), 5000.0, 3.0), "idle_rpm"),
        ((900.0, 1e6, 3.0), "top_rpm"),
        ((900.0, 5000.0, float("nan")), "duration_s"),
        ((900.0, 5000.0, 0.0), "duration_s"),
        ((900.0, 5000.0, "long"), "duration_s"),
    ],
)
def test_blips_that_cannot_be_are_refused(values: tuple[float, float, float], name: str) -> None:
    """What is out of range is refused by its name."""
    with pytest.raises(RangeError, match=name):
        SpeedCurve.blip(*values)
