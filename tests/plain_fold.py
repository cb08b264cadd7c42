"""Where in the cycle the pulses of a recording fall, by the plainest means: its level, folded on the cycle.

Shares nothing with the analysis of the package. It is told the mean cycle rate, and follows the speed by the phase of
the strongest line of the level (demodulation, as in any textbook of communications).
"""

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, fftconvolve, find_peaks, sosfiltfilt

Floats = NDArray[np.float64]
BINS = 360
BAND_HZ = (400.0, 6000.0)
FOLLOW_S = 0.35


def _level(samples: Floats, sample_rate_hz: int, width_s: float) -> Floats:
    band = sosfiltfilt(butter(3, BAND_HZ, "band", fs=sample_rate_hz, output="sos"), samples)
    return np.sqrt(np.maximum(_smooth(band * band, sample_rate_hz, width_s), 0.0).real)


def _smooth(wave: NDArray[np.inexact], sample_rate_hz: int, width_s: float) -> NDArray[np.inexact]:
    window = np.hanning(round(width_s * sample_rate_hz))
    return np.asarray(fftconvolve(wave, window / window.sum(), "same"))


def _phase_cycles(level: Floats, sample_rate_hz: int, cycle_hz: float) -> Floats:
    time_s = np.arange(level.size) / sample_rate_hz
    lines = (
        (m, _smooth((level - level.mean()) * np.exp(-2j * np.pi * m * cycle_hz * time_s), sample_rate_hz, FOLLOW_S))
        for m in range(1, 33)
    )
    number, line = max(lines, key=lambda pair: float(np.mean(np.abs(pair[1]))))
    return np.asarray(cycle_hz * time_s + np.unwrap(np.angle(line)) / (2 * np.pi * number))


def pulse_intervals(samples: Floats, sample_rate_hz: int, *, cycle_hz: float, width_s: float) -> Floats:
    """Return the shares of the cycle between the pulses found, beginning with any one of them; they add up to 1.

    Parameters
    ----------
    cycle_hz : float
        Mean rate of cycles.
    width_s : float
        Pulses nearer than this are taken for one.
    """
    level = _level(samples, sample_rate_hz, width_s)
    phase = _phase_cycles(level, sample_rate_hz, cycle_hz)
    steady = slice(round(FOLLOW_S * sample_rate_hz), -round(FOLLOW_S * sample_rate_hz))
    place = np.floor(phase[steady] % 1.0 * BINS).astype(int)
    folded = np.bincount(place, level[steady], BINS) / np.bincount(place, minlength=BINS)
    peaks, _ = find_peaks(np.tile(folded, 3), prominence=0.12 * np.ptp(folded), distance=5)
    inner = peaks[(peaks >= BINS) & (peaks < 2 * BINS)]
    return np.diff(np.append(inner, inner[0] + BINS)) / BINS
