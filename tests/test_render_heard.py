"""What is rendered is heard again: a plain fold that shares nothing with the package finds every layout's intervals."""

import numpy as np
import pytest

from pulse_audio import catalogue
from pulse_audio.firing import Liveliness
from pulse_audio.speed import SpeedCurve
from pulse_audio.synth import render
from tests.plain_fold import pulse_intervals

RATE, RPM = 24_000, 900.0


@pytest.mark.parametrize("name", catalogue.layout_names())
def test_fold_finds_the_intervals(name: str) -> None:
    """In a lively render at 900 rpm, hunting and all, every interval is found within 4 degrees of crank.

    The fold reads in steps of one 360th of the cycle: up to 2 degrees at either end of an interval.
    """
    layout = catalogue.layout(name)
    cycle_hz = 6.0 * RPM / layout.cycle_deg
    expected = np.array(layout.pulse_intervals_deg)
    clip = render(layout, SpeedCurve.steady(RPM), duration_s=8.0, sample_rate_hz=RATE, life=Liveliness(), seed=3)
    width_s = min(0.006, 0.45 * expected.min() / layout.cycle_deg / cycle_hz)
    found = layout.cycle_deg * pulse_intervals(clip.samples, RATE, cycle_hz=cycle_hz, width_s=width_s)
    assert found.size == expected.size
    assert min(np.abs(np.roll(found, turn) - expected).max() for turn in range(found.size)) <= 4.0
