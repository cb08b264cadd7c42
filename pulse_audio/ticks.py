"""Crank ticks: a soft tick at each cylinder's firing TDC, so that the ear can place the pulses on the crank."""

import numpy as np
from numpy.typing import NDArray

from pulse_audio.layout import Layout
from pulse_audio.placing import spread
from pulse_audio.pulse import SHIFTS

TICK_S = 0.02
DECAY_S, ATTACK_S = 0.003, 0.0005
LOWEST_HZ = 1400.0  # cylinder 1; the others above it within an octave
CYCLE_HZ = 500.0  # the lower tick at the start of each cycle


class Ticks:
    """Tick waves of a layout at one sample rate, peak 1.

    Each cylinder has its own pitch and, with `pan`, its own place from left to right. The cylinder that fires first in
    the cycle sounds a lower tone as well.

    Attributes
    ----------
    pan : ndarray, shape (cylinders, 2)
        Gains for two channels.
    """

    def __init__(self, layout: Layout, sample_rate_hz: int) -> None:
        count = len(layout.cylinders)
        self._pitch_hz = LOWEST_HZ * 2.0 ** (np.arange(count) / max(count, 4))
        self._first, self._rate = layout.firing_order[0] - 1, sample_rate_hz
        self.pan = spread(np.arange(count, dtype=np.float64))
        self._waves: dict[int, NDArray[np.float32]] = {}

    @staticmethod
    def keys(cylinder: NDArray[np.int64], shift: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return the numbers of tick waves that start `shift` / `SHIFTS` of a sample late."""
        return np.asarray(cylinder * SHIFTS + shift)

    def wave(self, key: int) -> NDArray[np.float32]:
        """Return a tick by its number."""
        if key not in self._waves:
            cylinder, shift = divmod(key, SHIFTS)
            time_s = (np.arange(int(TICK_S * self._rate)) - shift / SHIFTS) / self._rate
            time_s = np.maximum(time_s, 0.0)
            tone = np.sin(2 * np.pi * self._pitch_hz[cylinder] * time_s)
            if cylinder == self._first:
                tone = 0.5 * tone + np.sin(2 * np.pi * CYCLE_HZ * time_s)
            wave = tone * np.exp(-time_s / DECAY_S) * (time_s / (time_s + ATTACK_S))
            self._waves[key] = (wave / np.abs(wave).max()).astype(np.float32)
        return self._waves[key]
