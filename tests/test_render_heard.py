"""What is rendered is heard again.

A plain fold that shares nothing with the package finds every layout's intervals, and so does the package's listener.
"""

import numpy as np
import pytest

from pulse_audio import catalogue
from pulse_audio.analysis import analyse
from pulse_audio.clip import Clip
from pulse_audio.firing import Liveliness
from pulse_audio.layout import Layout
from pulse_audio.speed import SpeedCurve
from pulse_audio.synth import render
from tests.plain_fold import pulse_intervals
from tests.rhythms import one_of_each

RATE, RPM = 24_000, 900.0


def lively(layout: Layout) -> Clip:
    """Render eight seconds, hunting and all."""
    return render(layout, SpeedCurve.steady(RPM), duration_s=8.0, sample_rate_hz=RATE, life=Liveliness(), seed=3)


@pytest.mark.parametrize("name", one_of_each(catalogue.layout_names()))
def test_fold_finds_the_intervals(name: str) -> None:
    """In a lively render at 900 rpm every interval is found within 4 degrees of crank.

    The fold reads in steps of one 360th of the cycle: up to 2 degrees at either end of an interval.
    """
    layout = catalogue.layout(name)
    cycle_hz = 6.0 * RPM / layout.cycle_deg
    expected = np.array(layout.pulse_intervals_deg)
    width_s = min(0.006, 0.45 * expected.min() / layout.cycle_deg / cycle_hz)
    found = layout.cycle_deg * pulse_intervals(lively(layout).samples, RATE, cycle_hz=cycle_hz, width_s=width_s)
    assert found.size == expected.size
    assert min(np.abs(np.roll(found, turn) - expected).max() for turn in range(found.size)) <= 4.0


@pytest.mark.parametrize("name", one_of_each(catalogue.layout_names()))
def test_listener_finds_the_intervals(name: str) -> None:
    """Every interval in time is found within 10 degrees of a 720-degree cycle, as neighbouring layouts differ by 10.

    In time, since a rhythm that comes round more than once in a cycle is that of fewer cylinders at more speed.
    """
    layout = catalogue.layout(name)
    cycle_s = layout.cycle_deg / (6.0 * RPM)
    expected_s = np.array(layout.pulse_intervals_deg) / (6.0 * RPM)
    heard = analyse(lively(layout))
    assert heard.verdict == ("even" if layout.is_even else "uneven")
    found = np.array(heard.intervals_deg)
    found_s = found / found.sum() * len(found) / heard.firing_rate_hz
    if layout.is_even:  # of as many cylinders as the first reading has
        found_s = found_s[:1]
    found_s = np.tile(found_s, round(len(expected_s) / len(found_s)))
    assert len(found_s) == len(expected_s)
    off_s = min(np.abs(np.roll(found_s, turn) - expected_s).max() for turn in range(len(found_s)))
    assert off_s <= 10 / 720 * cycle_s
