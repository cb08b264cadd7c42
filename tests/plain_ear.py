"""Pulses told apart in a recording by the plainest means: where its short-time level peaks.

Shares nothing with the analysis of the package; good only for slow, clean sound in which every pulse stands alone.
"""

import numpy as np
from numpy.typing import NDArray
from scipy.signal import find_peaks

Floats = NDArray[np.float64]
LEVEL_S = 0.008
CLOSEST_S = 0.04


def pulse_times_s(samples: Floats, sample_rate_hz: int) -> Floats:
    """Return the time of every pulse that reaches a third of the level of a strong one."""
    width = round(LEVEL_S * sample_rate_hz)
    level = np.sqrt(np.convolve(samples**2, np.hanning(width) / np.sum(np.hanning(width)), "same"))
    # The strongest hundredth of the time lies on the peaks of pulses, whatever clicks at the ends do.
    peaks, _ = find_peaks(level, height=np.quantile(level, 0.99) / 3, distance=round(CLOSEST_S * sample_rate_hz))
    return np.asarray(peaks / sample_rate_hz)


def gaps_s(samples: Floats, sample_rate_hz: int, count: int) -> Floats:
    """Return the mean gap after each of the `count` pulses of a cycle, the longest last.

    The first and last pulses, which may be cut, are left out.
    """
    gaps = np.diff(pulse_times_s(samples, sample_rate_hz))[1:-1]
    cycles = len(gaps) // count
    mean = gaps[: cycles * count].reshape(cycles, count).mean(axis=0)
    return np.roll(mean, count - 1 - int(np.argmax(mean)))


def rpm_of(gaps: Floats) -> float:
    """Return the speed of a four-stroke whose cycle has these gaps: two turns a cycle."""
    return float(120.0 / np.sum(gaps))
