"""From a clip to the two signals that the analysis works on: the wave, and the envelope of its hiss.

The wave carries the tonal part of each pulse. The envelope follows the level of the band above 900 Hz, where flow
noise rides on each pulse and marks it more sharply than its tone does.
"""

from dataclasses import dataclass
from math import gcd

import numpy as np
from numpy.typing import NDArray

from pulse_audio.analysis.filtering import band_pass, envelope_power, filtered, high_pass

Floats = NDArray[np.float64]

WAVE_RATE_HZ = 8000
ENVELOPE_RATE_HZ = 1000
LOWEST_HZ = 12.0
SLOWEST_SWELL_HZ = 2.5
HISS_BAND_HZ = (900.0, 3600.0)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Signals:
    """What every later stage reads.

    Attributes
    ----------
    wave : ndarray, shape (n,), at `WAVE_RATE_HZ`, high-passed, root mean square 1
    envelope : ndarray, shape (n / 8 rounded up,), at `ENVELOPE_RATE_HZ`, amplitude of hiss, mean 0, root mean square 1
    """

    wave: Floats
    envelope: Floats

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return len(self.wave) / WAVE_RATE_HZ


def signals(mono: Floats, sample_rate_hz: int) -> Signals:
    """Resample one channel and take its envelope.

    Parameters
    ----------
    mono : ndarray, shape (n,), finite
    sample_rate_hz : int
        Rate of `mono`.
    """
    shared = gcd(sample_rate_hz, WAVE_RATE_HZ)
    up, down = WAVE_RATE_HZ // shared, sample_rate_hz // shared
    return of_wave(filtered(mono, sample_rate_hz, high_pass(LOWEST_HZ, 2), up=up, down=down))


def of_wave(wave: Floats) -> Signals:
    """Bring a wave at `WAVE_RATE_HZ` to size, and take its envelope."""
    wave = wave / max(float(wave.std()), 1e-12)
    return Signals(wave=wave, envelope=hiss_envelope(wave))


def hiss_envelope(wave: Floats) -> Floats:
    """Return the amplitude of the band that flow noise fills, at `ENVELOPE_RATE_HZ`, freed of slow changes."""
    power = envelope_power(wave, WAVE_RATE_HZ, band_pass(*HISS_BAND_HZ, 4))
    power = filtered(power, WAVE_RATE_HZ, down=WAVE_RATE_HZ // ENVELOPE_RATE_HZ)
    amplitude = filtered(np.sqrt(np.maximum(power, 0.0)), ENVELOPE_RATE_HZ, high_pass(SLOWEST_SWELL_HZ, 2))
    return np.asarray(amplitude / max(float(amplitude.std()), 1e-12))
