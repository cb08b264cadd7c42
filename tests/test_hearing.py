"""What the ear makes of pulse rates, against published limits."""

import pytest

from pulse_audio.catalogue import layout
from pulse_audio.errors import RangeError
from pulse_audio.hearing import FLUTTER, SEPARATE, TONE, heard_as, hearing, just_heard_shift_s, sentences
from pulse_audio.layout import from_intervals


@pytest.mark.parametrize(
    ("rate_hz", "kind"),
    # Front. Psychol. 2014, article 1453, abstract: below 20 clicks a second a tapping rhythm, above 50 a pitch.
    [(1, SEPARATE), (19.9, SEPARATE), (20.1, FLUTTER), (30, FLUTTER), (49.9, FLUTTER), (50.1, TONE), (400, TONE)],
)
def test_published_limits_of_rhythm_and_pitch(rate_hz: float, kind: str) -> None:
    """Clicks below 20 a second are separate, above 50 a tone."""
    assert heard_as(rate_hz) == kind


def test_published_limit_of_a_shifted_pulse() -> None:
    """A pulse out of place is noticed at 6 ms in gaps below 240 ms, at 2.5 % of longer ones (JASA 98, abstract)."""
    assert just_heard_shift_s(0.1) == just_heard_shift_s(0.2) == 0.006
    assert just_heard_shift_s(0.24) == pytest.approx(0.006)
    assert just_heard_shift_s(0.8) == pytest.approx(0.020)


def test_pulses_that_can_be_counted_lie_80_to_90_ms_apart() -> None:
    """Pulses stay apart if 80 to 90 ms lie between them (Timing & Time Perception 2021, 10.1163/22134468-bja10043)."""
    assert hearing(layout("single-four-stroke"), 120 / 0.090).countable
    assert not hearing(layout("single-four-stroke"), 120 / 0.080).countable


@pytest.mark.parametrize(
    ("name", "rpm", "rate_hz"),
    # Calculated from rpm x cylinders / 120.
    [("boxer-twin", 1200, 20), ("boxer-twin", 1800, 30), ("inline-four", 600, 20), ("inline-four", 900, 30)],
)
def test_speeds_at_which_even_engines_reach_the_limits(name: str, rpm: float, rate_hz: float) -> None:
    """An even twin reaches 20 pulses a second at 1200 rpm, an even four at 600."""
    assert hearing(layout(name), rpm).pulse_hz == pytest.approx(rate_hz)


def test_45_degree_v_twin_at_idle() -> None:
    """At 900 rpm its gaps are 58.3 and 75.0 ms, 8.3 ms each side of 66.7: above the 6 ms that can just be heard."""
    heard = hearing(layout("v-twin-45"), 900)
    assert [1000 * g for g in heard.gaps_s] == pytest.approx([58.333, 75.0], abs=0.001)
    assert 1000 * heard.off_even_s == pytest.approx(8.333, abs=0.001)
    assert heard.off_even_s > heard.just_heard_s
    assert (heard.kind, heard.pattern_hz, heard.pulse_hz) == (SEPARATE, 7.5, 15)
    assert any("limp" in s for s in sentences(heard))


def test_the_pulse_furthest_out_of_place_counts() -> None:
    """Of 180-270-270 at 1200 rpm, 25, 37.5 and 37.5 ms, the short gap is 8.33 ms off the mean, the others 4.17."""
    assert 1000 * hearing(layout("triple-t-plane"), 1200).off_even_s == pytest.approx(100 / 3 - 25)


def test_pattern_rate() -> None:
    """The pattern of a 90-150 six comes round three times a cycle; that of an even engine with every pulse."""
    assert hearing(layout("v6-90-odd"), 1200).pattern_hz == 30
    even = hearing(layout("v8-crossplane"), 1200)
    assert even.pattern_hz == even.pulse_hz == 80
    assert even.off_even_s == 0


def test_pulses_of_two_cylinders_count_once() -> None:
    """Cylinders that fire together make one pulse."""
    assert hearing(layout("boxer-twin-two-stroke"), 600).pulse_hz == 10


@pytest.mark.parametrize(
    ("name", "rpm", "words"),
    [
        ("single-four-stroke", 300, "slow enough to count"),
        ("boxer-twin", 900, "quick tapping"),
        ("boxer-twin", 1800, "flutter"),
        ("inline-six", 3000, "a tone"),
        ("v-twin-90", 900, "plain limp"),
        ("v-twin-45", 900, "slight limp"),
        ("v-twin-45", 1500, "colour the sound"),
        ("v-twin-45", 6000, "rougher, deeper note"),
    ],
)
def test_sentences(name: str, rpm: float, words: str) -> None:
    """Each case is told in its own words."""
    assert words in " ".join(sentences(hearing(layout(name), rpm)))


def test_pulses_a_hair_apart_are_one_to_the_ear() -> None:
    """At 900 rpm 5 degrees are 0.9 ms, and two clicks are two from 2 ms on (Hirsh 1959, from memory): 7.5 are heard.

    With a third pulse halfway it is an even 15 a second; where 30 degrees, 5.6 ms, lie between, two are heard.
    """
    told = sentences(hearing(from_intervals("5-715"), 900))
    assert told[:2] == (
        "Pulses less than 2 ms apart are one to the ear.",
        "7.5 pulses a second: separate pulses, slow enough to count.",
    )
    assert len(told) == 2
    assert "15.0 pulses a second" in sentences(hearing(from_intervals("5-355-360"), 900))[1]
    assert sentences(hearing(from_intervals("30-690"), 900))[0].startswith("15.0 pulses a second")


@pytest.mark.parametrize("rpm", [0, -900, 19, 15_001, float("nan"), "fast", None])
def test_speeds_outside_the_range_are_refused(rpm: object) -> None:
    """Speeds from 20 to 15000 rpm only."""
    with pytest.raises(RangeError, match="give 20 to 15000 rpm"):
        hearing(layout("boxer-twin"), rpm)  # type: ignore[arg-type]


def test_a_rate_on_the_border_is_not_moved_by_rounding() -> None:
    """A twelve at 500 rpm makes 12 x 500 / 120 = 50 pulses a second, as a single two-stroke does at 3000."""
    twelve, single = hearing(layout("v12-60"), 500.0), hearing(layout("single-two-stroke"), 3000.0)
    assert twelve.pulse_hz == single.pulse_hz == 50.0
    assert twelve.kind == single.kind


@pytest.mark.parametrize(
    ("name", "rpm", "told"),
    # Calculated: rpm x cylinders / 120.
    [
        ("single-four-stroke", 20, "0.17 pulses"),
        ("single-four-stroke", 60, "0.50 pulses"),
        ("boxer-twin", 90, "1.5 pulses"),
    ],
)
def test_slow_rates_keep_two_figures(name: str, rpm: float, told: str) -> None:
    """A single at 20 rpm fires every 6 seconds: 0.17 times a second, not 0.2."""
    assert sentences(hearing(layout(name), rpm))[0].startswith(told)


def test_strong_and_weak_pulses_are_told() -> None:
    """Two cylinders at once and then one: the gaps are alike, the pattern comes round half as often as the pulses."""
    assert "7.5 times a second: the gaps are alike" in sentences(hearing(from_intervals("0-360-360"), 900))[1]
    assert len(sentences(hearing(from_intervals("0-360 x2"), 900))) == 1
