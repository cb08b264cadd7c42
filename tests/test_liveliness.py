"""The scatter of a running engine: its size, that it is tied to cylinder and cycle, and that none of it is nothing."""

from itertools import pairwise

import numpy as np
import pytest

from pulse_audio import catalogue, chance
from pulse_audio.errors import RangeError
from pulse_audio.firing import (
    SILENT_DB,
    FiringEvents,
    Liveliness,
    events_in_turn,
    firing_events,
    firing_parts,
    hunted,
    parse_misfire,
)
from pulse_audio.loop import render_loop
from pulse_audio.speed import SpeedCurve
from pulse_audio.synth import Synth, render

CALM = {"strength_sd": 0.0, "timing_sd_deg": 0.0, "cylinder_sd": 0.0, "hunting": 0.0, "overrun": 0.0}


def _fired(
    life: Liveliness | None, *, layout: str = "inline-four", rpm: float = 3000.0, seconds: float = 60.0, seed: int = 1
) -> FiringEvents:
    found = catalogue.layout(layout)
    return firing_events(found, SpeedCurve.steady(rpm), duration_s=seconds, life=life, seed=seed)


def test_ideal_is_the_regular_engine() -> None:
    """With all scatter at zero the firings are those of the regular engine, bit for bit."""
    ideal, regular = _fired(Liveliness.ideal()), _fired(None)
    for name in ("time_s", "cylinder", "cycle", "crank_deg", "strength"):
        assert np.array_equal(getattr(ideal, name), getattr(regular, name))


def test_strength_scatter() -> None:
    """Strength scatters about 1 by what was asked; 6000 firings give the spread within 3 %."""
    strength = _fired(Liveliness(**{**CALM, "strength_sd": 0.1})).strength
    assert strength.mean() == pytest.approx(1.0, abs=0.005)
    assert strength.std() == pytest.approx(0.1, rel=0.03)


def test_cylinder_spread_lasts() -> None:
    """The spread between cylinders is the same in every cycle, and another seed gives another spread."""
    life = Liveliness(**{**CALM, "cylinder_sd": 0.1})
    first, other = (_fired(life, seed=seed) for seed in (1, 2))
    for cylinder in range(4):
        assert np.ptp(first.strength[first.cylinder == cylinder]) == 0.0
    assert not np.array_equal(first.strength[:4], other.strength[:4])


@pytest.mark.parametrize(
    ("scatter_deg", "order", "factor"),
    [(3, 2, 0.9945), (3, 4, 0.9783), (3, 8, 0.9160), (5, 2, 0.9849), (5, 4, 0.9409), (10, 2, 0.9409)],
)
def test_timing_scatter_weakens_orders(scatter_deg: float, order: float, factor: float) -> None:
    """Scatter s in crank angle weakens order k by exp(-(k s)^2 / 2) (characteristic function of a Gaussian).

    12 000 firings leave an error of about 0.4 / sqrt(12 000) = 0.004.
    """
    events = _fired(Liveliness(**{**CALM, "timing_sd_deg": scatter_deg}), seconds=120.0)
    nominal = np.round(events.crank_deg / 180.0) * 180.0
    size = abs(np.mean(np.exp(1j * order * np.radians(events.crank_deg - nominal))))
    assert size == pytest.approx(factor, abs=0.008)


def test_times_rise_and_adjoining_turns_miss_nothing() -> None:
    """Turns joined end to end give each firing once and in order, whatever the scatter."""
    layout, life = catalogue.layout("v12-60"), Liveliness(timing_sd_deg=15.0)
    curve = SpeedCurve.steady(1000.0)
    cuts = np.concatenate(([0.0], np.cumsum([13.0, 700.0, 45.5, 720.0, 3000.0])))
    parts = [events_in_turn(layout, curve, a, b - a, life=life, seed=3) for a, b in pairwise(cuts)]
    whole = events_in_turn(layout, curve, 0.0, cuts[-1], life=life, seed=3)
    joined = np.concatenate([p.crank_deg + a for p, a in zip(parts, cuts[:-1], strict=True)])
    assert joined == pytest.approx(whole.crank_deg, abs=1e-9)
    assert np.array_equal(np.concatenate([p.cylinder for p in parts]), whole.cylinder)
    assert np.array_equal(np.concatenate([p.strength for p in parts]), whole.strength)
    assert np.all(np.diff(whole.time_s) >= 0)
    assert len(set(zip(whole.cycle.tolist(), whole.cylinder.tolist(), strict=True))) == whole.cycle.size


@pytest.mark.parametrize("life", [None, Liveliness()])
def test_parts_are_the_whole(life: Liveliness | None) -> None:
    """A minute at a time, the firings are those of the whole run."""
    layout, speed = catalogue.layout("inline-four"), SpeedCurve.ramp(700.0, 2500.0, 150.0)
    whole = firing_events(layout, speed, duration_s=150.0, life=life, seed=2)
    parts = list(firing_parts(layout, speed, duration_s=150.0, life=life, seed=2))
    assert len(parts) == 3
    assert np.concatenate([p.time_s for p in parts]) == pytest.approx(whole.time_s, abs=1e-9)
    assert np.concatenate([p.crank_deg for p in parts]) == pytest.approx(whole.crank_deg, abs=1e-5)
    assert np.array_equal(np.concatenate([p.cylinder for p in parts]), whole.cylinder)
    assert np.concatenate([p.strength for p in parts]) == pytest.approx(whole.strength)


def test_scatter_repeats_for_a_loop() -> None:
    """With a repeat of 3 cycles the fourth cycle scatters as the first."""
    layout, life = catalogue.layout("inline-four"), Liveliness(hunting=0.0)
    found = events_in_turn(layout, SpeedCurve.steady(900.0), -100.0, 720.0 * 12, life=life, seed=1, repeat_cycles=3)
    strengths = [found.strength[found.cycle == cycle] for cycle in (1, 4, 7)]
    assert np.array_equal(strengths[0], strengths[1]) and np.array_equal(strengths[0], strengths[2])


@pytest.mark.parametrize("share", [0.0, 0.3, 1.0])
def test_misfires(share: float) -> None:
    """A cylinder fails in the share of its cycles that was asked for, the others never."""
    events = _fired(Liveliness(**CALM, misfire=((2, share),)))
    failed = events.strength == 0.0
    assert not failed[events.cylinder != 1].any()
    assert failed[events.cylinder == 1].mean() == pytest.approx(share, abs=0.04)  # 1500 cycles: sd 0.012


def test_hunting_wanders_at_idle_only() -> None:
    """The idle speed wanders by what was asked and keeps its mean; at 3000 rpm it does not wander."""
    life = Liveliness(hunting=0.02)
    idle = hunted(SpeedCurve.steady(900.0), life, 5, start_s=0.0, duration_s=600.0).rpm
    assert idle.mean() == pytest.approx(900.0, rel=0.005)
    assert idle.std() / 900.0 == pytest.approx(0.02, rel=0.2)
    assert hunted(SpeedCurve.steady(3000.0), life, 5, start_s=0.0, duration_s=60.0).is_steady
    # The same share of any idle speed, less and less from 1200 to 2400 rpm (common practice).
    slow, fast, above, last = (
        np.std(hunted(SpeedCurve.steady(rpm), life, 5, start_s=0.0, duration_s=60.0).rpm) / rpm
        for rpm in (600.0, 1200.0, 1800.0, 2390.0)
    )
    assert slow == pytest.approx(fast, rel=1e-9)
    assert above == pytest.approx(fast / 2, rel=1e-9) and 0.0 < last < 0.01 * fast


@pytest.mark.parametrize("speed", [SpeedCurve.steady(900.0), SpeedCurve.ramp(600.0, 2500.0, 7.0)])
def test_hunting_in_spans_is_one_curve(speed: SpeedCurve) -> None:
    """Curves of adjoining spans are parts of one: the crank turns as far, to rounding."""
    life, cuts = Liveliness(hunting=0.02), [0.0, 0.71, 2.0, 5.3, 9.0]
    parts = [float(hunted(speed, life, 5, start_s=a, duration_s=b - a).crank_deg(b - a)[0]) for a, b in pairwise(cuts)]
    whole = hunted(speed, life, 5, start_s=0.0, duration_s=9.0)
    assert np.cumsum(parts) == pytest.approx(whole.crank_deg(cuts[1:]), abs=1e-6)


@pytest.mark.parametrize("overrun", [0.0, 0.5, 1.0])
def test_overrun_weakens_pulses_while_the_speed_falls(overrun: float) -> None:
    """Pulses are weak on a shut throttle, as far as was asked, with an odd pop, and full again at a steady speed."""
    speed = SpeedCurve(time_s=[0.0, 2.0, 6.0, 8.0], rpm=[6000.0, 6000.0, 1500.0, 1500.0])
    layout = catalogue.layout("inline-four")
    events, fully = (
        firing_events(layout, speed, duration_s=8.0, life=Liveliness(**{**CALM, "overrun": far}), seed=1)
        for far in (overrun, 1.0)
    )
    falling = (events.time_s > 2.2) & (events.time_s < 5.8)
    weak, weakest = events.strength[falling], fully.strength[falling]
    assert np.median(weakest) < 0.5
    assert (weak > 1.2).mean() == pytest.approx(0.05 * overrun, abs=0.04 * overrun)
    both = (weak <= 1.0) & (weakest <= 1.0)
    assert 1.0 - weak[both] == pytest.approx(overrun * (1.0 - weakest[both]), abs=1e-12)
    assert np.all(events.strength[(events.time_s < 1.9) | (events.time_s > 6.1)] == 1.0)


def test_another_seed_is_another_engine() -> None:
    """The same seed gives the same firings, another seed others."""
    first, same, other = (_fired(Liveliness(), seed=seed) for seed in (4, 4, 5))
    assert np.array_equal(first.time_s, same.time_s) and np.array_equal(first.strength, same.strength)
    assert not np.array_equal(first.time_s[:50], other.time_s[:50])


def test_chance_does_not_depend_on_company() -> None:
    """A number belongs to its keys: alone, among others and in another order it is the same."""
    many = chance.bell(7, 1, np.arange(1000))
    assert many[123] == chance.bell(7, 1, 123)[0]
    assert np.array_equal(chance.bell(7, 1, np.arange(1000)[::-1])[::-1], many)


def test_chance_is_a_published_generator() -> None:
    """SplitMix64 from seed 1234567 begins with these three numbers (Rosetta Code; from memory): a seed stays its sound.

    Each output is the mix of the seed and so many times the generator's step, which is what a key stands for.
    """
    step = 0x9E3779B97F4A7C15
    keys = [(1234567 + n * step + 2**63) % 2**64 - 2**63 for n in range(3)]
    wanted = [6457827717110365317, 3203168211198807973, 9817491932198370423]
    assert chance.hashes(keys).tolist() == wanted
    assert chance.uniform(keys) == pytest.approx(np.array(wanted) / 2.0**64)


def test_chance_is_evenly_spread() -> None:
    """Bits are unrelated between neighbours and streams, and the bell has mean 0 and spread 1 within sampling error."""
    bell = chance.bell(1, 2, np.arange(100_000))
    assert bell.mean() == pytest.approx(0.0, abs=0.01)
    assert bell.std() == pytest.approx(1.0, abs=0.01)
    assert 3.0 < np.abs(bell).max() < 3.47  # four evenly spread numbers add up to at most 2 root 3
    assert np.corrcoef(bell[1:], bell[:-1])[0, 1] == pytest.approx(0.0, abs=0.01)
    assert np.corrcoef(bell, chance.bell(1, 3, np.arange(100_000)))[0, 1] == pytest.approx(0.0, abs=0.01)
    uniform = chance.uniform(1, 2, np.arange(100_000))
    counts = np.histogram(uniform, bins=10, range=(0.0, 1.0))[0]
    assert np.all(np.abs(counts - 10_000) < 400)  # 4 standard deviations


@pytest.mark.parametrize(
    "wrong",
    [
        {"strength_sd": -0.1},
        {"strength_sd": 0.289},  # the bell reaches 3.47: a firing could have less than no strength
        {"cylinder_sd": 0.289},
        {"timing_sd_deg": 90},
        {"load": 2},
        {"hunting": float("nan")},
        {"noise_db": "loud"},
        {"misfire": ((0, 1),)},
        {"misfire": ((1, 1.01),)},
        {"misfire": ((1,),)},
        {"misfire": (1, 0.5)},
        {"misfire": 1},
        {"misfire": ((2, 0.3), (1, 0.5), (2, 1.0))},
    ],
)
def test_impossible_liveliness_is_refused(wrong: dict[str, object]) -> None:
    """Values out of range are refused by their name when the value is made."""
    with pytest.raises(RangeError, match=next(iter(wrong))):
        Liveliness(**wrong)  # type: ignore[arg-type]


def test_a_misfire_of_a_cylinder_that_is_not_there_is_refused() -> None:
    """A twin has no cylinder 9: lists of firings, sound and loops refuse it, and so does a change of layout."""
    twin, four, speed = catalogue.layout("boxer-twin"), catalogue.layout("inline-four"), SpeedCurve.steady(900.0)
    life = Liveliness(misfire=((4, 1.0),))
    options = {"duration_s": 1.0, "life": life}
    running = Synth(four, speed, sample_rate_hz=8000, life=life)
    for call in (
        lambda: firing_events(twin, speed, **options),  # type: ignore[arg-type]
        lambda: list(firing_parts(twin, speed, **options)),  # type: ignore[arg-type]
        lambda: render(twin, speed, sample_rate_hz=8000, **options),  # type: ignore[arg-type]
        lambda: render_loop(twin, 900.0, sample_rate_hz=8000, **options),  # type: ignore[arg-type]
        lambda: running.set_layout(twin),
    ):
        with pytest.raises(RangeError, match="misfire cylinder=4 is out of range; give 1 to 2"):
            call()
    assert running.layout == four


def test_liveliness_holds_clean_values() -> None:
    """Numbers given as text or in a list are kept as numbers in a tuple, so that equal engines share their kernels."""
    typed = Liveliness(load="0.5", misfire=[["2", "0.3"]])  # type: ignore[arg-type]
    assert typed == Liveliness(load=0.5, misfire=((2, 0.3),))
    assert hash(typed) == hash(Liveliness(load=0.5, misfire=((2, 0.3),)))


@pytest.mark.parametrize(("text", "expected"), [("2", (2, 1.0)), ("1:0.25", (1, 0.25))])
def test_misfire_text(text: str, expected: tuple[int, float]) -> None:
    """A cylinder alone means all of its cycles."""
    assert parse_misfire(text, catalogue.layout("boxer-twin")) == expected


@pytest.mark.parametrize("text", ["0", "3", "1:2", "1:x", "x", "", ":"])
def test_misfire_text_that_cannot_be(text: str) -> None:
    """A cylinder that the layout has not, and a share that is none, are refused with the form that is meant."""
    with pytest.raises(RangeError, match="CYL or CYL:SHARE"):
        parse_misfire(text, catalogue.layout("boxer-twin"))


def test_ideal_has_no_noise() -> None:
    """The ideal engine is silent between its pulses."""
    assert Liveliness.ideal().noise_db == SILENT_DB
