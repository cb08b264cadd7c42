"""Patterns that the sound itself proposes: against lines made of pulses in closed form."""

import itertools
from collections.abc import Sequence

import numpy as np
import pytest

from pulse_audio.analysis import unlisted
from pulse_audio.analysis.candidates import candidates
from pulse_audio.analysis.coherence import Coherence
from pulse_audio.analysis.evidence import Seen
from pulse_audio.analysis.fold import Lines

CYCLE_HZ = 8.0
NOTHING = np.empty(0)


def seen_of(places: Sequence[float], lines: int = 48) -> Seen:
    """Lines of pulses that each die away in 10 ms, 40 dB above noise, and nothing between them."""
    order = np.arange(1, lines + 1)
    pulse = 1 / (1 + 2j * np.pi * order * CYCLE_HZ * 0.010)
    amplitude = pulse * np.exp(-2j * np.pi * np.outer(order, places)).sum(axis=1)
    wave = Lines(
        order=order,
        frequency_hz=order * CYCLE_HZ,
        amplitude=amplitude,
        noise_power=np.full(lines, 1e-4 * np.mean(np.abs(amplitude) ** 2)),
        cycle_hz=CYCLE_HZ,
    )
    hiss = Lines(
        order=np.empty(0, int), frequency_hz=NOTHING, amplitude=NOTHING + 0j, noise_power=NOTHING, cycle_hz=CYCLE_HZ
    )
    nothing = Coherence(seen=NOTHING, floor=NOTHING, lag_order=1.0, lag_hz=CYCLE_HZ)
    return Seen(ratio=1.0, wave=(wave,), hiss=(hiss,), swelling=((),), coherence=(nothing,))


def furthest_deg(found: np.ndarray, wanted: Sequence[float]) -> float:
    """How far a pulse is from where it should be, wherever the cycle starts."""
    gaps, true = np.diff([*found, 1.0]), np.diff([*wanted, 1.0])
    return 720 * min(float(np.abs(np.cumsum(np.roll(gaps, k) - true)).max()) for k in range(len(true)))


@pytest.mark.parametrize("intervals_deg", [(150, 570), (150, 270, 300), (200, 260, 260), (110, 140, 230, 240)])
def test_pulses_are_put_where_they_are(intervals_deg: tuple[float, ...]) -> None:
    """Within two of the smallest steps, 3.75 degrees each."""
    places = np.cumsum((0, *intervals_deg[:-1])) / 720
    found = unlisted.proposed(seen_of(places), ())
    mine = next(c for c in found if c.pulses == len(places))
    assert furthest_deg(mine.fractions, places) <= 2 * 720 * unlisted.STEPS[-1]
    assert not mine.is_listed
    assert not mine.layouts


def test_what_is_near_a_listed_pattern_is_taken_for_it() -> None:
    """A pulse 15 degrees from that of an even triple, as pipes may move it, is not proposed; 45 degrees, it is."""
    for moved_deg, count in ((15, 0), (45, 1)):
        places = np.array([0, 240 + moved_deg, 480]) / 720
        found = unlisted.proposed(seen_of(places), candidates())
        assert sum(c.pulses == 3 for c in found) == count


def test_odds_of_an_unlisted_engine_are_shared_out() -> None:
    """Every pattern of a count is as likely, and all together are three engines in a thousand.

    Counted one by one: the ways to put pulses on a clock face of so many places, wherever the cycle starts.
    """
    steps = unlisted.TOLD_APART
    found = {c.pulses: c for c in unlisted.proposed(seen_of((0.0, 0.2, 0.5)), ())}
    for pulses in (2, 3):
        faces = itertools.combinations(range(1, steps), pulses - 1)
        gaps = (np.diff([0, *face, steps]).tolist() for face in faces)
        patterns = {min(tuple(g[k:] + g[:k]) for k in range(pulses)) for g in gaps}
        odds = found[pulses].weight * len(patterns) * (unlisted.MOST_PULSES - 1)
        assert odds == pytest.approx(unlisted.UNLISTED, rel=0.03)  # a few look alike after part of a turn


def test_no_more_pulses_are_placed_than_there_are_lines() -> None:
    """One line proposes nothing; of three, there is one for each of three pulses."""
    assert unlisted.proposed(seen_of((0.0, 0.4), lines=1), ()) == ()
    assert max(c.pulses for c in unlisted.proposed(seen_of((0.0, 0.4), lines=3), ())) == 3
