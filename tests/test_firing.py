"""Firing events of a perfectly regular engine, against closed forms."""

from decimal import Decimal

import numpy as np
import pytest

from pulse_audio.catalogue import layout, layout_names
from pulse_audio.errors import RangeError
from pulse_audio.firing import Liveliness, firing_events, firing_parts
from pulse_audio.layout import Cylinder, Layout, from_intervals
from pulse_audio.speed import SpeedCurve
from pulse_audio.units import cycle_deg, cycle_hz, db_from_ratio, firing_hz, ratio_from_db, rpm_from_cycle_hz

# rpm, cylinders, firings a second of a four-stroke: rpm x cylinders / 120, calculated; the V8 at 1200 rpm is the worked
# example of a service text on engine order classification (2011): 1200 / 60 = 20 Hz, a V8 fires 20 x 4 = 80 times.
RATES = [
    (1000, 1, 8.333),
    (1000, 2, 16.667),
    (3000, 3, 75),
    (750, 4, 25),
    (3000, 4, 100),
    (6000, 6, 300),
    (700, 8, 46.667),
    (1200, 8, 80),
    (9000, 10, 750),
    (8500, 12, 850),
]
BY_COUNT = {
    1: "single-four-stroke",
    2: "boxer-twin",
    3: "triple-120",
    4: "inline-four",
    6: "inline-six",
    8: "v8-crossplane",
    10: "v10-72",
    12: "v12-60",
}


@pytest.mark.parametrize(("rpm", "cylinders", "rate_hz"), RATES)
def test_firing_rate(rpm: float, cylinders: int, rate_hz: float) -> None:
    """Even four-strokes fire rpm x cylinders / 120 times a second: by the formula, and counted from the events."""
    assert firing_hz(rpm, cylinders, 4) == pytest.approx(rate_hz, abs=0.0005)
    events = firing_events(layout(BY_COUNT[cylinders]), SpeedCurve.steady(rpm), duration_s=3.0)
    assert 1 / np.diff(events.time_s) == pytest.approx(rate_hz, abs=0.0005)


def test_two_strokes_fire_every_turn() -> None:
    """A two-stroke fires rpm x cylinders / 60 times a second."""
    events = firing_events(layout("triple-120-two-stroke"), SpeedCurve.steady(3000), duration_s=2.0)
    assert len(events.time_s) == 3 * 3000 / 60 * 2
    assert firing_hz(3000, 3, 2) == 150


@pytest.mark.parametrize("name", layout_names())
def test_steady_times_are_angles_over_speed(name: str) -> None:
    """At a steady speed each firing comes at its angle over 6 rpm, within 1e-9 s, cylinder by cylinder."""
    this, rpm = layout(name), 1234.5
    events = firing_events(this, SpeedCurve.steady(rpm), duration_s=1.0)
    expected = sorted(
        (float(Decimal(c.firing_deg + cycle * this.cycle_deg) / Decimal(6 * rpm)), n, cycle)
        for n, c in enumerate(this.cylinders)
        for cycle in range(30)
        if c.firing_deg + cycle * this.cycle_deg < 6 * rpm
    )
    assert events.time_s == pytest.approx([e[0] for e in expected], abs=1e-9)
    assert events.cylinder.tolist() == [e[1] for e in expected]
    assert events.cycle.tolist() == [e[2] for e in expected]
    assert events.strength.tolist() == [1.0] * len(expected)


def test_ramp_times_are_roots_of_a_parabola() -> None:
    """On a ramp from r0 to r1 over T the firing at angle a comes at the root of 6 r0 t + 3 (r1 - r0) / T t^2 = a."""
    events = firing_events(layout("v-twin-45"), SpeedCurve.ramp(600, 6600, 4.0), duration_s=4.0)
    angles = [c * 720 + a for c in range(130) for a in (0, 315)]
    b, slope = Decimal(3600), Decimal(3 * 6000) / 4
    expected = [float(((b * b + 4 * slope * a).sqrt() - b) / (2 * slope)) for a in angles]
    expected = [t for t in expected if t < 4]
    assert events.time_s == pytest.approx(expected, abs=1e-9)


def test_start_angle_moves_the_events() -> None:
    """Starting at 100 degrees brings every firing 100 degrees nearer; nothing comes before time 0."""
    this, speed = layout("v8-crossplane-one-bank"), SpeedCurve.steady(1000)
    plain = firing_events(this, speed, duration_s=2.0)
    moved = firing_events(this, speed, duration_s=1.5, start_deg=100.0)
    kept = plain.time_s[plain.time_s >= 100 / 6000] - 100 / 6000
    assert moved.time_s == pytest.approx(kept[kept < 1.5], abs=1e-12)
    assert moved.time_s.min() >= 0


def test_spans_join_without_a_gap_or_a_double() -> None:
    """The firings of two halves are the firings of the whole: the end of a span is not part of it."""
    this = layout("inline-four")
    whole = firing_events(this, SpeedCurve.steady(1000), duration_s=0.6)
    # 0.3 s at 1000 rpm is 1800 degrees: a firing falls exactly on the joint.
    first = firing_events(this, SpeedCurve.steady(1000), duration_s=0.3)
    second = firing_events(this, SpeedCurve.steady(1000), duration_s=0.3, start_deg=1800 % 720)
    joined = np.concatenate((first.time_s, second.time_s + 0.3))
    assert joined == pytest.approx(whole.time_s, abs=1e-12)


def test_cylinders_that_fire_together_are_two_events() -> None:
    """Firings at one angle stay apart in the list, at the same time."""
    events = firing_events(layout("boxer-twin-two-stroke"), SpeedCurve.steady(600), duration_s=0.25)
    assert events.time_s == pytest.approx([0, 0, 0.1, 0.1, 0.2, 0.2])
    assert sorted(events.cylinder[:2].tolist()) == [0, 1]


def test_pattern_does_not_depend_on_speed() -> None:
    """Fifty times the speed brings every firing at a fiftieth of the time."""
    this = from_intervals("100-200-420")
    slow = firing_events(this, SpeedCurve.steady(200), duration_s=10.0)
    fast = firing_events(this, SpeedCurve.steady(10_000), duration_s=0.2)
    assert fast.time_s * 50 == pytest.approx(slow.time_s, abs=1e-9)


def test_cylinder_numbering_does_not_change_the_times(rng: np.random.Generator) -> None:
    """Numbering the cylinders in another order gives the same firing times."""
    this = layout("v6-90-odd")
    shuffled = Layout(
        name="shuffled", cylinders=tuple(Cylinder(firing_deg=a) for a in rng.permutation(this.firing_deg).tolist())
    )
    one, two = (firing_events(x, SpeedCurve.steady(800), duration_s=1.0) for x in (this, shuffled))
    assert one.time_s.tolist() == two.time_s.tolist()


@pytest.mark.parametrize(
    ("option", "value"),
    [
        ("duration_s", 0.0),
        ("duration_s", -1.0),
        ("duration_s", float("nan")),
        ("duration_s", 4000.0),
        ("duration_s", "long"),
        ("start_deg", float("nan")),
        ("start_deg", -1.0),
        ("start_deg", 721.0),
        ("seed", 2**63),
        ("seed", -1),
        ("seed", 0.5),
    ],
)
def test_wrong_options_are_refused(option: str, value: object) -> None:
    """What is out of range is refused by its name, for the whole list and, where it has the option, for parts."""
    options: dict[str, object] = {"duration_s": 1.0, option: value}
    with pytest.raises(RangeError, match=option):
        firing_events(layout("boxer-twin"), SpeedCurve.steady(900), **options)  # type: ignore[arg-type]
    if option != "start_deg":
        with pytest.raises(RangeError, match=option):
            list(firing_parts(layout("boxer-twin"), SpeedCurve.steady(900), **options))  # type: ignore[arg-type]


def test_limits_are_told_in_full() -> None:
    """The highest seed is told with all its digits, as it would be typed."""
    with pytest.raises(RangeError, match=r"^seed=4294967296 is out of range; give 0 to 4294967295$"):
        firing_events(layout("boxer-twin"), SpeedCurve.steady(900), duration_s=1.0, seed=2**32)


def test_limits_themselves_are_allowed() -> None:
    """0.01 s and an hour, a start at the end of the cycle and the highest seed are in range; a little beyond is not."""
    single, slow = layout("single-four-stroke"), SpeedCurve.steady(20)
    for options in ({"duration_s": 0.01}, {"duration_s": 3600.0}, {"start_deg": 720.0}, {"seed": 2**32 - 1}):
        firing_events(single, slow, **{"duration_s": 1.0, **options})  # type: ignore[arg-type]
    for options in ({"duration_s": 0.0099}, {"duration_s": 3600.1}, {"start_deg": 720.1}):
        with pytest.raises(RangeError, match=next(iter(options))):
            firing_events(single, slow, **{"duration_s": 1.0, **options})  # type: ignore[arg-type]


def test_scatter_brings_in_a_firing_of_the_cycle_before() -> None:
    """A firing 20 degrees before time 0 that scatters by 20 may come after it; it belongs to cycle -1."""
    this, life = from_intervals("700-20"), Liveliness(timing_sd_deg=20.0, hunting=0.0)
    lists = [firing_events(this, SpeedCurve.steady(900), duration_s=1.0, life=life, seed=seed) for seed in range(30)]
    for events in lists:
        assert events.time_s.min() >= 0.0
        assert np.all(events.cylinder[events.cycle == -1] == 1)
    assert {events.cycle.min() for events in lists} == {-1, 0}


def test_unit_conversions() -> None:
    """A four-stroke cycle is two turns, a two-stroke's one; 6 dB is very nearly a factor of two (definitions)."""
    assert (cycle_deg(4), cycle_deg(2)) == (720, 360)
    assert (cycle_hz(900, 4), cycle_hz(900, 2)) == (7.5, 15)
    assert rpm_from_cycle_hz(7.5, 4) == 900
    assert db_from_ratio(10) == pytest.approx(20)
    assert ratio_from_db(db_from_ratio(0.37)) == pytest.approx(0.37)
    assert db_from_ratio(0) == -np.inf
