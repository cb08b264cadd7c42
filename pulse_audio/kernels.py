"""Kernels ready for use: for each speed step, the sound of every firing at every shift, and what it adds up to.

Any thread may ask for kernels; what is there already is given without waiting.
"""

from collections.abc import Iterator, Sequence
from functools import lru_cache
from threading import Lock, RLock
from typing import Generic, TypeVar

import numpy as np
from numpy.typing import NDArray

from pulse_audio.exhaust import Exhaust
from pulse_audio.firing import SILENT_DB, Liveliness
from pulse_audio.layout import Layout
from pulse_audio.loudness import OFFSET_LU, k_gain
from pulse_audio.pipework import response
from pulse_audio.pulse import (
    BURSTS,
    SHIFTS,
    SLOWEST_RPM,
    Hiss,
    Puff,
    blow_down_s,
    energy,
    noise_path,
    puff_spectrum,
    ring_length,
)
from pulse_audio.units import cycle_hz, rpm_to_deg_per_s

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Complexes = NDArray[np.complex128]
Whole = NDArray[np.int64]

STEPS_PER_OCTAVE = 12  # a kernel's shape belongs to a speed step of 6 %
NOISES_KEPT = 2
STEPS_PER_NOISE = 4  # noise hardly changes with speed: so many steps share its bursts
LONGEST_RING_S = 0.6  # an exhaust without losses would ring for ever
RING_CUT = 3e-5
CACHE_BYTES = 32_000_000
LARGE_PAGE_BYTES = 1 << 21
USUAL_NOISE_DB = -17.0  # energy of flow noise against that of the pulse, usual exhaust at half load
LOWEST_LEVEL_RPM = 120.0  # slower, pulses stand alone and only come less often


def speed_step(rpm: Floats) -> Whole:
    """Return the speed step that each speed belongs to."""
    return np.asarray(np.rint(STEPS_PER_OCTAVE * np.log2(rpm)), dtype=np.int64)


def step_rpm(step: int) -> float:
    """Return the speed for which the pulses of a speed step are shaped."""
    return float(2.0 ** (step / STEPS_PER_OCTAVE))


def pulse_number(voice: Whole, shift: Whole) -> Whole:
    """Return the number of each pulse kernel on a shelf; `shift` is 0 to `SHIFTS`."""
    return voice * (SHIFTS + 1) + shift


def burst_number(voice: Whole, burst: Whole) -> Whole:
    """Return the number of each noise kernel on a shelf; `burst` is 0 to `BURSTS` - 1."""
    return voice * BURSTS + burst


Source = TypeVar("Source", Puff, Hiss)


class Shelf:
    """Kernels for one speed step: a row for each voice and shift, and for each voice and noise burst.

    Attributes
    ----------
    puffs : sequence of Puff
        What the pulses of each voice are made from.
    bursts : Rows of Hiss
        Noise, shared with other shelves; empty without noise.
    length : int
        Samples in a row of pulses; no burst is longer.
    """

    def __init__(self, puffs: Sequence[Puff], bursts: "Rows[Hiss]") -> None:
        self.puffs, self.bursts = puffs, bursts
        self.length = max(*(puff.length for puff in puffs), bursts.length)
        self._pulses = Rows(puffs, SHIFTS + 1, self.length)

    def pulse(self, voice: int, shift: int) -> Singles:
        """Return the sound of one firing, late by a shift of 1/`SHIFTS` sample."""
        return self._pulses.take(pulse_number(np.array([voice]), np.array([shift])), self.rows(1)).ravel()

    def rows(self, count: int) -> Singles:
        """Return room for some kernels."""
        return self._pulses.room(count)

    def fill(self, rows: Singles, pulses: Whole, later_share: Singles | None, bursts: Whole | None) -> Singles:
        """Put the sounds of some firings of strength 1 into the first of `rows`, and return those.

        Parameters
        ----------
        pulses : ndarray of int, shape (n,)
            Kernels, as `pulse_number` counts them.
        later_share : ndarray of float32, shape (n,), or None
            Of the kernel one shift later, where a firing lies between two.
        bursts : ndarray of int, shape (n,), or None
            Noise to add, as `burst_number` counts it.
        """
        filled = self._pulses.take(pulses, rows[: pulses.size])
        if later_share is not None:
            later = self._pulses.take(pulses + 1, self._pulses.room(pulses.size))
            later -= filled
            later *= later_share[:, None]
            filled += later
        if bursts is not None:
            filled[:, : self.bursts.length] += self.bursts.take(bursts, self.bursts.room(bursts.size))
        return filled

    @property
    def nbytes(self) -> int:
        """Memory in use at most; bursts count for each shelf that shares them."""
        return self._pulses.nbytes + self.bursts.nbytes


class Rows(Generic[Source]):
    """Kernels of some voices, each row made when it is first taken."""

    def __init__(self, sources: Sequence[Source], variants: int, length: int) -> None:
        self.sources: Sequence[Source] = sources
        self.length, self._variants = length, variants
        self._rows = np.zeros((len(sources) * variants, length), dtype=np.float32)
        self._made: set[int] = set()
        self._making = Lock()

    def room(self, count: int) -> Singles:
        """Return space for some rows."""
        return np.empty((count, self.length), dtype=np.float32)

    def take(self, index: Whole, out: Singles) -> Singles:
        """Copy rows to `out` and return it."""
        for row in set(index.tolist()) - self._made:
            with self._making:
                self._make(row)
        return self._rows.take(index, axis=0, out=out, mode="clip")  # checking the index would copy once more

    def _make(self, row: int) -> None:
        if row in self._made:  # by another thread, meanwhile
            return
        voice, variant = divmod(row, self._variants)
        kernel = self.sources[voice].make(variant)
        self._rows[row, : kernel.size] = kernel
        self._made.add(row)

    @property
    def nbytes(self) -> int:
        """Memory in use at most: a row may take a whole large page of what is otherwise not yet touched."""
        return min(self._rows.nbytes, len(self._made) * max(self.length * 4, LARGE_PAGE_BYTES))


class PulseBank:
    """Kernels of one engine at one sample rate, made when first needed and kept.

    Attributes
    ----------
    voice : ndarray of int, shape (cylinders,)
        Cylinders with one number sound alike and share kernels.
    has_noise : bool
    """

    def __init__(self, layout: Layout, exhaust: Exhaust, life: Liveliness, *, sample_rate_hz: int) -> None:
        self._layout, self._life, self._rate = layout, life, sample_rate_hz
        self._noise_db = USUAL_NOISE_DB + life.noise_db + exhaust.noise_db + 8 * (life.load - 0.5)
        self.has_noise = life.noise_db > SILENT_DB
        self._size, responses = _ringing_response(layout, exhaust, life.load, sample_rate_hz)
        self.voice, self._response = _voices(responses)
        self._frequency_hz = _frequencies(self._size, sample_rate_hz)
        self._k_power = np.abs(k_gain(self._frequency_hz)) ** 2
        self._noise_paths = [noise_path(self._frequency_hz, heard) for heard in self._response]
        self._rings = [ring_length(path) for path in self._noise_paths]
        self._shelves: dict[int, Shelf] = {}
        self._bursts: dict[int, Rows[Hiss]] = {}
        self._levels: dict[int, tuple[float, float]] = {}
        self._making = RLock()

    def shelf(self, step: int) -> Shelf:
        """Return the kernels for a speed step."""
        return self._shelves.get(step) or self._kept_shelf(step)

    def _kept_shelf(self, step: int) -> Shelf:
        with self._making:
            if step not in self._shelves:
                while sum(shelf.nbytes for shelf in self._shelves.values()) > CACHE_BYTES:
                    del self._shelves[next(iter(self._shelves))]
                self._shelves[step] = self._new_shelf(step)
            return self._shelves[step]

    def _new_shelf(self, step: int) -> Shelf:
        spectrum = puff_spectrum(self._frequency_hz, step_rpm(step), self._life.load, self._layout.strokes)
        return Shelf([Puff(heard, spectrum) for heard in self._response], self._noise(step // STEPS_PER_NOISE))

    def _noise(self, coarse_step: int) -> "Rows[Hiss]":
        """Return the noise bursts for some speed steps; what makes them is the speed alone, not who asks first."""
        if coarse_step not in self._bursts:
            if len(self._bursts) == NOISES_KEPT:
                del self._bursts[next(iter(self._bursts))]
            rpm = step_rpm(coarse_step * STEPS_PER_NOISE)
            spectrum = puff_spectrum(self._frequency_hz, rpm, self._life.load, self._layout.strokes)
            hisses = [
                Hiss(
                    path,
                    ring=ring,
                    blow_down_samples=blow_down_s(rpm, self._life.load) * self._rate,
                    mean_energy=energy(heard * spectrum) * 10 ** (self._noise_db / 10),
                )
                for path, ring, heard in zip(self._noise_paths, self._rings, self._response, strict=True)
                if self.has_noise
            ]
            self._bursts[coarse_step] = Rows(hisses, BURSTS, max((hiss.length for hiss in hisses), default=0))
        return self._bursts[coarse_step]

    def level(self, step: int) -> tuple[float, float]:
        """Return loudness (LUFS) and peak at a steady speed for a mean strength of 1, the peak without scatter."""
        if step not in self._levels:
            with self._making:
                if step not in self._levels:
                    self._levels[step] = self._steady_level(step)
        return self._levels[step]

    def _steady_level(self, step: int) -> tuple[float, float]:
        layout, life, shelf = self._layout, self._life, self.shelf(step)
        rpm = max(step_rpm(step), LOWEST_LEVEL_RPM)
        frames = round(self._rate / cycle_hz(rpm, layout.strokes))
        around = np.zeros(frames)
        for voice, cylinder in zip(self.voice.tolist(), layout.cylinders, strict=True):
            start = round(cylinder.firing_deg / layout.cycle_deg * frames)
            for at, piece in _wrapped(shelf.pulse(voice, 0), start, frames):
                around[at : at + piece.size] += piece
        count = np.bincount(self.voice)
        # Scatter in time takes from the lines, by the square of a Gaussian's characteristic function, and gives to a
        # broad floor; scatter in strength adds to that floor.
        timing_s = life.timing_sd_deg / rpm_to_deg_per_s(rpm)
        kept = np.exp(-((2 * np.pi * self._frequency_hz * timing_s) ** 2))
        floor = self._k_power * (1.0 - kept + life.strength_sd**2 + life.cylinder_sd**2)
        line_hz = np.arange(frames // 2 + 1) * (self._rate / frames)
        lines = np.interp(line_hz, self._frequency_hz, self._k_power * kept)
        total = 2 * float(np.abs(np.fft.rfft(around)) ** 2 @ lines) / frames
        for puff, number in zip(shelf.puffs, count, strict=True):
            total += number * puff.weighted_energy(floor)
        for hiss, number in zip(shelf.bursts.sources, count, strict=False):  # none without noise
            total += number * hiss.weighted_energy(self._k_power)
        power = total / frames * step_rpm(step) / rpm
        return OFFSET_LU + 10 * float(np.log10(power + 1e-300)), float(np.abs(around).max())


@lru_cache(maxsize=32)  # all that `play` switches between; an idle bank is a few megabytes
def pulse_bank(layout: Layout, exhaust: Exhaust, life: Liveliness, sample_rate_hz: int) -> PulseBank:
    """Return the kernels of an engine; those used last are kept."""
    return PulseBank(layout, exhaust, life, sample_rate_hz=sample_rate_hz)


def _ringing_response(layout: Layout, exhaust: Exhaust, load: float, sample_rate_hz: int) -> tuple[int, Complexes]:
    """Return an FFT size in which every kernel rings out, and each cylinder's response on its frequencies."""
    size = 1 << int(0.08 * sample_rate_hz).bit_length()
    while True:
        frequency = _frequencies(size, sample_rate_hz)
        heard = np.zeros((len(layout.cylinders), frequency.size), dtype=np.complex128)
        heard[:, 1:] = response(exhaust, layout, frequency[1:]) * _near_nyquist(frequency[1:], sample_rate_hz)
        puff = puff_spectrum(frequency, SLOWEST_RPM, load, layout.strokes)
        _, distinct = _voices(heard)
        rings = [np.abs(np.fft.irfft(row * puff, size)) for row in distinct]
        if all(r[size // 2 :].max() < RING_CUT * r.max() for r in rings) or size > LONGEST_RING_S * sample_rate_hz:
            return size, heard
        size *= 2


def _voices(responses: Complexes) -> tuple[NDArray[np.int64], list[Complexes]]:
    """Return a number for each cylinder, one for those that sound alike, and the response of each number."""
    numbers: dict[bytes, int] = {}
    voice = [numbers.setdefault(row.tobytes(), len(numbers)) for row in responses]
    return np.array(voice), [responses[voice.index(v)] for v in range(len(numbers))]


def _frequencies(size: int, sample_rate_hz: int) -> Floats:
    return np.asarray(np.fft.rfftfreq(size, 1 / sample_rate_hz), dtype=np.float64)


def _near_nyquist(frequency_hz: Floats, sample_rate_hz: int) -> Floats:
    """Roll off smoothly over the last tenth below half the sample rate."""
    x = np.clip((frequency_hz / sample_rate_hz - 0.45) / 0.05, 0.0, 1.0)
    return np.asarray(0.5 + 0.5 * np.cos(np.pi * x))


def _wrapped(kernel: Singles, start: int, frames: int) -> Iterator[tuple[int, Singles]]:
    """Cut a kernel that starts within a ring of frames into the pieces that lie on it."""
    at, start = 0, start % frames
    while at < kernel.size:
        piece = kernel[at : at + frames - start]
        yield start, piece
        at, start = at + piece.size, 0
