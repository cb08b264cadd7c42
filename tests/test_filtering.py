"""Filters and changes of rate against scipy.signal and closed forms."""

import numpy as np
import pytest
from scipy import signal

from pulse_audio.analysis.filtering import band_pass, envelope_power, filtered, high_pass

RATE_HZ = 48_000


def gain_of(section: np.ndarray, frequency_hz: np.ndarray) -> np.ndarray:
    """Gain of scipy's filter run forwards and backwards."""
    return np.abs(signal.sosfreqz(section, frequency_hz, fs=RATE_HZ)[1]) ** 2


def test_gains_are_butterworths() -> None:
    """As scipy's designs, far below half their sample rate, where the bilinear transform bends nothing."""
    frequency_hz = np.array([10.0, 12.0, 20.0, 50.0])
    wanted = gain_of(signal.butter(2, 12.0, "high", fs=RATE_HZ, output="sos"), frequency_hz)
    assert high_pass(12.0, 2)(frequency_hz) == pytest.approx(wanted, abs=1e-4)
    frequency_hz = np.array([500.0, 900.0, 1800.0, 3000.0, 3600.0])
    wanted = gain_of(signal.butter(4, (900.0, 3600.0), "band", fs=RATE_HZ, output="sos"), frequency_hz)
    assert band_pass(900.0, 3600.0, 4)(frequency_hz) == pytest.approx(wanted, abs=0.005)


@pytest.mark.parametrize(("up", "down"), [(1, 3), (1, 6), (80, 441), (2, 1), (8000, 44_101)])
@pytest.mark.parametrize("samples", [2, 441, 6001])
def test_a_new_rate_leaves_tones_where_they_are(up: int, down: int, samples: int) -> None:
    """A tone that the new rate holds comes out as itself, in step; one that it doesn't is gone. Length as scipy's."""
    time_s = np.arange(samples) / RATE_HZ
    changed = filtered(np.cos(2 * np.pi * 100 * time_s), RATE_HZ, up=up, down=down)
    assert len(changed) == len(signal.resample_poly(time_s, up, down))
    new_s = np.arange(len(changed)) * down / up / RATE_HZ
    inside = slice(len(new_s) // 10, -len(new_s) // 10)  # the ends are continued by a guess
    if samples > 1000:
        assert changed[inside] == pytest.approx(np.cos(2 * np.pi * 100 * new_s)[inside], abs=1e-3)
        if down > up:
            lost = filtered(np.cos(2 * np.pi * 0.6 * RATE_HZ * up / down * time_s), RATE_HZ, up=up, down=down)
            assert np.abs(lost[inside]).max() < 0.01


def test_filtering_shifts_nothing() -> None:
    """A single sample comes out symmetrical about itself."""
    click = np.zeros(4001)
    click[2000] = 1.0
    out = filtered(click, 8000.0, band_pass(900.0, 3600.0, 4))
    assert out == pytest.approx(out[::-1], abs=1e-9)
    assert out.argmax() == 2000


def test_envelope_is_that_of_the_modulation() -> None:
    """A carrier in the band times 1 + m cos: its squared envelope is that square (textbook), with no beat of sums."""
    time_s = np.arange(16_000) / 8000
    swing = 1 + 0.5 * np.cos(2 * np.pi * 20 * time_s)
    power = envelope_power(swing * np.cos(2 * np.pi * 3000 * time_s), 8000.0, band_pass(900.0, 3600.0, 4))
    level = band_pass(900.0, 3600.0, 4)(np.array([3000.0]))[0] ** 2
    inside = slice(1000, -1000)
    assert power[inside] == pytest.approx((level * swing**2)[inside], rel=0.01)
