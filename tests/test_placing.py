"""Where pipes stand between left and right: by bank, or along the crank; the loudness of the mono sound stays."""

import numpy as np
import pytest

from pulse_audio.catalogue import layout
from pulse_audio.exhaust import Exhaust, find_exhaust
from pulse_audio.layout import from_intervals
from pulse_audio.placing import outlet_gains, spread


@pytest.mark.parametrize("place", [[0.0], [3.0, 3.0], [0.0, 1.0], [-5.0, 1.0, 2.0], [0.0, 0.2, 0.4, 7.0]])
def test_places_keep_power_and_mono_sum(place: list[float]) -> None:
    """Both channels together have the power of the mono sound, and each pipe the same share of the mono sum.

    Two channels of power 1/2 each carry the power of one: the loudness of BS.1770 adds the powers of its channels.
    """
    gains = spread(np.array(place))
    assert np.mean(np.sum(gains**2, axis=1)) == pytest.approx(1.0)
    assert gains.sum(axis=1) == pytest.approx(np.full(len(place), gains.sum() / len(place)))
    assert np.all(gains > 0)  # nothing is in one channel alone
    tilt = gains[:, 1] - gains[:, 0]
    if len(set(place)) == 1:
        assert tilt == pytest.approx(np.zeros(len(place)))
    else:  # evenly from one side to the other, as far to the left as to the right
        assert tilt == pytest.approx(np.interp(place, [min(place), max(place)], [-tilt.max(), tilt.max()]))
        assert tilt.max() > 0


def _sides(name: str, pipes: Exhaust) -> list[int]:
    """Return -1 for a cylinder that is louder on the left, 1 on the right, 0 in the middle."""
    this = from_intervals(name) if name[0].isdigit() else layout(name)
    gains = outlet_gains(this, pipes)
    return [int(s) for s in np.sign(np.round(gains[:, 1] - gains[:, 0], 9))]


@pytest.mark.parametrize(
    ("name", "pipes", "expected"),
    [
        ("single-four-stroke", "open-stubs", [0]),
        ("parallel-twin-270", "open-stubs", [-1, 1]),  # one bank: along the crank
        ("triple-120", "open-stubs", [-1, 0, 1]),
        ("240-240-240", "open-stubs", [-1, 0, 1]),  # no crank is known: as the intervals are given
        ("inline-four", "road-silencer", [0, 0, 0, 0]),  # one open end for all
    ],
)
def test_which_side_each_cylinder_is_heard_on(name: str, pipes: str, expected: list[int]) -> None:
    """Cylinders of one bank stand along the crank, and those that share an open end in the middle of it."""
    assert _sides(name, find_exhaust(pipes)) == expected


@pytest.mark.parametrize("pipes", ["open-stubs", "bank-silencers"])
def test_banks_stand_on_their_sides(pipes: str) -> None:
    """Banks are heard from where they lean: to the right at a bank angle above 0, to the left below (geometry)."""
    for name in ("boxer-twin", "v-twin-45", "v8-crossplane"):
        banks = [np.sin(np.radians(c.bank_deg or 0.0)) for c in layout(name).cylinders]
        assert _sides(name, find_exhaust(pipes)) == np.sign(banks).astype(int).tolist()
