"""From time to cycles: the signal at equal steps of crank angle, and its spectrum in orders of the cycle."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import rfft
from scipy.ndimage import map_coordinates, spline_filter

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]


FAINTEST_LINE = 1e-4  # of the mean line: fainter ones must not steer the phase of a clean recording
PARTS = 12  # of a piece, in which its place is looked at
LEAST_NOISE = 1e-6  # of the strongest line: 60 dB below it lie rounding, lossy coding and the skirts of a steady line


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
        return cls(cycles=_running_sum(np.asarray(0.5 * (rate[1:] + rate[:-1]) * step_s)), step_s=step_s)

    @property
    def time_s(self) -> Floats:
        """Times of the grid."""
        return np.asarray(np.arange(len(self.cycles)) * self.step_s)

    @property
    def mean_hz(self) -> float:
        """Mean rate over the whole track."""
        return float(self.cycles[-1] - self.cycles[0]) / (self.step_s * (len(self.cycles) - 1))

    @property
    def rate_hz(self) -> Floats:
        """Rate at the grid's times."""
        return np.asarray(np.gradient(self.cycles, self.step_s))

    @property
    def is_steady(self) -> bool:
        """Whether one rate was taken for all of it."""
        return bool(np.ptp(np.diff(self.cycles)) < 1e-9)

    def at(self, time_s: Floats | float) -> Floats:
        """Cycles at given times."""
        return np.asarray(np.interp(time_s, self.time_s, self.cycles))

    def time_at(self, cycles: Floats | float) -> Floats:
        """Return the times at which given cycles are reached."""
        return np.asarray(np.interp(cycles, self.cycles, self.time_s))

    def corrected(self, time_s: Floats, relative_error: Floats) -> "Phase":
        """Return the track with its rate multiplied by ``1 + relative_error``, linear between the given times."""
        steps = np.diff(self.cycles)
        middle_s = self.time_s[:-1] + self.step_s / 2
        steps = steps * (1 + np.interp(middle_s, time_s, relative_error))
        return Phase(cycles=_running_sum(steps), step_s=self.step_s)


def peak_offset(before: Floats | float, here: Floats | float, after: Floats | float) -> Floats:
    """Where the parabola through three even steps peaks, in steps from the middle one; 0 where it has no peak."""
    bend = np.asarray(before - 2 * here + after)
    return np.asarray(np.where(bend < 0, np.clip(0.5 * (before - after) / np.minimum(bend, -1e-12), -1.0, 1.0), 0.0))


def _running_sum(steps: Floats) -> Floats:
    total = np.zeros(len(steps) + 1)
    np.cumsum(steps, out=total[1:])
    return total


def resampled(signal: Floats, rate_hz: float, phase: Phase, first: float, last: float, per_cycle: float) -> Floats:
    """Signal at equal steps of the cycle from cycle `first` to `last`, by cubic spline."""
    grid = first + np.arange(round((last - first) * per_cycle)) / per_cycle
    at = phase.time_at(grid) * rate_hz
    return np.asarray(map_coordinates(spline_filter(signal, 3), at[None], order=3, prefilter=False, mode="nearest"))


def samples_per_cycle(rate_hz: float, cycle_hz: float) -> int:
    """Return a power of two that keeps all that the signal holds: with fewer, high orders would fold onto low ones."""
    return 1 << int(np.ceil(np.log2(max(rate_hz / cycle_hz, 4.0))))


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


def frame_orders(
    wave: Floats, rate_hz: float, phase: Phase, *, cycles: int, hop: int, top_order: int
) -> FrameOrders | None:
    """Amplitudes in frames of `cycles` cycles, `hop` cycles apart; None with fewer than three frames."""
    whole = int(phase.at(len(wave) / rate_hz))
    if whole < cycles + 2 * hop:
        return None
    per_cycle = samples_per_cycle(rate_hz, float(phase.rate_hz.min()))
    signal = resampled(wave, rate_hz, phase, 0, whole, per_cycle)
    starts = np.arange(0, whole - cycles + 1, hop)
    window = np.hanning(cycles * per_cycle)
    spectra = np.asarray(rfft(np.stack([signal[s * per_cycle : (s + cycles) * per_cycle] * window for s in starts])))
    lines = np.arange(1, top_order + 1) * cycles
    if cycles >= 4:
        between = np.concatenate([np.abs(spectra[:, lines + side * (cycles // 2)]) ** 2 for side in (-1, 1)])
        noise = np.median(between, axis=0)
    else:
        noise = np.full(len(lines), float(np.median(np.abs(spectra) ** 2)))
    at_lines = spectra[:, lines]
    noise = noise + FAINTEST_LINE * float((np.abs(at_lines) ** 2).mean()) + 1e-30
    return FrameOrders(
        time_s=phase.time_at(starts.astype(np.float64) + cycles / 2), at_multiples=at_lines, noise_power=noise
    )


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Lines:
    """The order lines of one piece; arrays of shape (n_lines,).

    Attributes
    ----------
    order : ndarray of int
        Multiple of the cycle rate.
    frequency_hz : ndarray
    amplitude : ndarray of complex
    noise_power : ndarray
        Power that would stand at the line if nothing repeated.
    cycle_hz : float
    """

    order: NDArray[np.int64]
    frequency_hz: Floats
    amplitude: Complexes
    noise_power: Floats
    cycle_hz: float


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Piece:
    """Spectrum over whole cycles of one piece of nearly steady speed.

    Attributes
    ----------
    first_cycle : float
        Where the piece starts, in cycles of the track.
    cycles : int
        Its length.
    rate_hz : float
        Mean rate of the track over it.
    samples : ndarray, shape (cycles * per_cycle,)
        The signal at equal steps of the cycle.
    spectrum : ndarray of complex
        Bin k is the order k / cycles of the track's rate (Hann window, amplitude scale).
    power : ndarray
        Its square.
    around : ndarray
        Mean noise power about each bin, lines left out.
    """

    first_cycle: float
    cycles: int
    rate_hz: float
    samples: Floats
    spectrum: Complexes
    power: Floats
    around: Floats

    @classmethod
    def of(cls, samples: Floats, *, first_cycle: float, cycles: int, rate_hz: float) -> "Piece":
        """Make a piece from its samples."""
        window = np.hanning(len(samples) + 1)[:-1]
        spectrum = np.asarray(rfft(samples * window)) * (2 / window.sum())
        power = np.abs(spectrum) ** 2
        return cls(
            first_cycle=first_cycle,
            cycles=cycles,
            rate_hz=rate_hz,
            samples=samples,
            spectrum=spectrum,
            power=power,
            around=_level_around(power, max(6, int(0.6 * cycles))),
        )

    def trimmed(self, multiple: int) -> "Piece":
        """Return the piece cut to a multiple of so many cycles, so that lines at fractions fall on whole bins."""
        cycles = self.cycles // multiple * multiple
        if cycles == self.cycles:
            return self
        samples = self.samples[: len(self.samples) // self.cycles * cycles]
        return Piece.of(samples, first_cycle=self.first_cycle, cycles=cycles, rate_hz=self.rate_hz)

    def normalised(self) -> "Piece":
        """Return the piece with the power of its spectrum made 1, so that loud and quiet stretches count alike."""
        scale = 1 / np.sqrt(max(float(self.power[3:].sum()), 1e-30))
        return Piece.of(self.samples * scale, first_cycle=self.first_cycle, cycles=self.cycles, rate_hz=self.rate_hz)

    def lines(self, ratio: float, top_hz: float, most: int) -> Lines:
        """Lines at the multiples of ``ratio`` times the track's rate, up to `top_hz` and at most `most` of them."""
        cycle_hz = self.rate_hz * ratio
        order = np.arange(1, max(1, min(most, int(top_hz / cycle_hz))) + 1)
        place = np.rint(order * ratio * self.cycles).astype(int)
        inside = place < len(self.spectrum) - 5
        order, place = order[inside], place[inside]
        return Lines(
            order=order,
            frequency_hz=order * cycle_hz,
            amplitude=self.spectrum[place],
            noise_power=self.noise_power(place),
            cycle_hz=cycle_hz,
        )

    def astray(self, lines: Lines, ratio: float) -> Floats:
        """How far parts of the piece stand before their place, in cycles of `ratio` times the track's rate.

        Shape (n_parts,), `PARTS` or fewer, of three cycles or more each: the least squares shift of all lines. Empty
        in a piece of fewer cycles.
        """
        cycles = int(self.cycles * ratio)
        if cycles < 3:
            return np.empty(0)
        each = max(3, math.ceil(cycles / PARTS))
        frames = round(len(self.samples) * each / (self.cycles * ratio))
        parts = len(self.samples) // frames
        spectra = np.asarray(rfft(self.samples[: parts * frames].reshape(parts, frames)))
        inside = lines.order[lines.order * each < spectra.shape[1]]
        amplitude, noise = spectra[:, inside * each], lines.noise_power[: len(inside)]
        mean = amplitude.mean(axis=0)
        turned = np.imag(amplitude * mean.conj()) @ (inside / noise)
        return np.asarray(turned / (np.abs(mean) ** 2 @ (inside**2 / noise)) / (2 * np.pi))

    def noise_power(self, place: NDArray[np.int64]) -> Floats:
        """Power expected at given bins if nothing repeated there: that of the bins around, lines left out.

        The skirts of a line that is not quite steady count as noise, so the bins close by have their say.
        """
        power = self.power
        beside = power[np.clip(place + np.array([[-6], [-5], [-4], [-3], [3], [4], [5], [6]]), 0, len(power) - 1)]
        floor = LEAST_NOISE * float(power[3:].max()) + 1e-30
        return np.asarray(np.maximum(np.median(beside, axis=0) / np.log(2), self.around[place]) + floor)


def _level_around(power: Floats, half: int) -> Floats:
    """Mean noise power about each bin: the 30 % quantile of exponentially distributed power is 0.357 of its mean."""
    if len(power) < 4 * half:
        return np.full(len(power), float(np.quantile(power, 0.3)) / 0.357)
    blocks = power[: len(power) // half * half].reshape(-1, half)
    pairs = np.concatenate([blocks[:-1], blocks[1:]], axis=1)  # half overlapping, centred on the joints of the blocks
    place = int(0.3 * pairs.shape[1])
    level = np.partition(pairs, place, axis=1)[:, place] / 0.357
    return np.interp(np.arange(len(power)), np.arange(1, len(blocks)) * half, level)


def piece(signal: Floats, rate_hz: int, phase: Phase, start_s: float, end_s: float) -> Piece | None:
    """Spectrum of a stretch over whole cycles of the track; None if it holds fewer than four."""
    first = float(np.ceil(phase.at(start_s)))
    cycles = int(phase.at(end_s) - first)
    if cycles < 4:
        return None
    mean_hz = cycles / float(phase.time_at(first + cycles) - phase.time_at(first))
    per_cycle = samples_per_cycle(rate_hz, mean_hz)
    samples = resampled(signal, rate_hz, phase, first, first + cycles, per_cycle)
    return Piece.of(samples, first_cycle=first, cycles=cycles, rate_hz=mean_hz)
