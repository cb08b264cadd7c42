"""From time to cycles: the signal at equal steps of crank angle, and its spectrum in orders of the cycle."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import rfft
from scipy.ndimage import map_coordinates, spline_filter

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Phase:
    """Cycles gone through since the start, on an even grid of times.

    Attributes
    ----------
    cycles : ndarray, shape (n,), increasing
    step_s : float
        Time between its points.
    """

    cycles: Floats
    step_s: float

    @classmethod
    def from_rate(cls, time_s: Floats, rate_hz: Floats, duration_s: float, step_s: float = 0.002) -> "Phase":
        """Integrate a rate given at some times (linear in its logarithm between them)."""
        grid = np.arange(0.0, duration_s + step_s, step_s)
        rate = np.exp(np.interp(grid, time_s, np.log(rate_hz)))
        steps = 0.5 * (rate[1:] + rate[:-1]) * step_s
        return cls(cycles=np.concatenate(([0.0], np.cumsum(steps))), step_s=step_s)

    @property
    def time_s(self) -> Floats:
        """Times of the grid."""
        return np.arange(len(self.cycles)) * self.step_s

    @property
    def mean_hz(self) -> float:
        """Mean rate over the whole track."""
        return float(self.cycles[-1] - self.cycles[0]) / (self.step_s * (len(self.cycles) - 1))

    @property
    def rate_hz(self) -> Floats:
        """Rate at the grid's times."""
        return np.gradient(self.cycles, self.step_s)

    def at(self, time_s: Floats | float) -> Floats:
        """Cycles at given times."""
        return np.interp(time_s, self.time_s, self.cycles)

    def time_at(self, cycles: Floats | float) -> Floats:
        """Times at which given cycles are reached."""
        return np.interp(cycles, self.cycles, self.time_s)

    def corrected(self, time_s: Floats, relative_error: Floats) -> "Phase":
        """Return the track with its rate multiplied by ``1 + relative_error``, linear between the given times."""
        steps = np.diff(self.cycles)
        middle_s = self.time_s[:-1] + self.step_s / 2
        steps = steps * (1 + np.interp(middle_s, time_s, relative_error))
        return Phase(cycles=np.concatenate(([0.0], np.cumsum(steps))), step_s=self.step_s)


def resampled(signal: Floats, rate_hz: int, phase: Phase, first: float, last: float, per_cycle: int) -> Floats:
    """Signal at equal steps of the cycle from cycle `first` to `last`, by cubic spline."""
    grid = first + np.arange(round((last - first) * per_cycle)) / per_cycle
    at = phase.time_at(grid) * rate_hz
    return np.asarray(map_coordinates(spline_filter(signal, 3), at[None], order=3, prefilter=False, mode="nearest"))


def samples_per_cycle(top_order: float) -> int:
    """A power of two that holds the given order with room to spare."""
    return 1 << int(np.ceil(np.log2(2.2 * max(top_order, 2.0))))


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class FrameOrders:
    """Amplitudes at the multiples of the cycle rate in frames of whole cycles.

    Attributes
    ----------
    time_s : ndarray, shape (n_frames,)
    at_multiples : ndarray of complex, shape (n_frames, n_multiples), the first multiple first
    noise_power : ndarray, shape (n_multiples,)
    """

    time_s: Floats
    at_multiples: Complexes
    noise_power: Floats


def frame_orders(wave: Floats, phase: Phase, *, cycles: int, hop: int, top_order: int) -> FrameOrders | None:
    """Amplitudes in frames of `cycles` cycles, `hop` cycles apart; None with fewer than three frames."""
    from pulse_audio.analysis.prepare import WAVE_RATE_HZ

    whole = int(phase.at(len(wave) / WAVE_RATE_HZ))
    if whole < cycles + 2 * hop:
        return None
    lowest_hz = float(phase.rate_hz.min())
    per_cycle = samples_per_cycle(top_order * phase.mean_hz / max(lowest_hz, 1e-3))
    signal = resampled(wave, WAVE_RATE_HZ, phase, 0, whole, per_cycle)
    starts = np.arange(0, whole - cycles + 1, hop)
    window = np.hanning(cycles * per_cycle)
    spectra = np.asarray(rfft(np.stack([signal[s * per_cycle : (s + cycles) * per_cycle] * window for s in starts])))
    lines = np.arange(1, top_order + 1) * cycles
    if cycles >= 4:
        between = np.concatenate([np.abs(spectra[:, lines + side * (cycles // 2)]) ** 2 for side in (-1, 1)])
        noise = np.median(between, axis=0)
    else:
        noise = np.full(len(lines), float(np.median(np.abs(spectra) ** 2)))
    return FrameOrders(
        time_s=phase.time_at(starts + cycles / 2), at_multiples=spectra[:, lines], noise_power=noise + 1e-12
    )
