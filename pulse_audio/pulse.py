"""The sound of one firing: a puff of gas at the valve, sent through the exhaust, held ready at sub-sample shifts.

A puff is a volume velocity in two parts: the blow-down, when the valve opens on a full cylinder, and the gas that the
rising piston pushes out after it. Its spectrum times the exhaust response, brought to time, is a kernel; the sound of
an engine is the sum of its kernels.
"""

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from pulse_audio import chance
from pulse_audio.units import ratio_from_db, rpm_to_deg_per_s

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Complexes = NDArray[np.complex128]

SHIFTS = 64  # kernels a sample: a firing is placed to the nearest of them, within 1/128 sample
BURSTS = 64  # noise bursts: every second is the one before it with the other sign
CUT_DB, NOISE_CUT_DB = -90.0, -60.0  # a kernel ends where it stays this far below its peak
ROOM = 1.1  # an FFT is at least so many times as long as the kernel it holds
SLOWEST_RPM = 750.0  # below, the push is too slow to be heard and would only make kernels long
NOISE_BAND_HZ = (400.0, 3500.0)


def blow_down_s(rpm: float, load: float) -> float:
    """Time constant of the blow-down; it falls as the root of the speed, and more load empties faster."""
    return float((1.15e-3 - 0.3e-3 * load) * (1000.0 / max(rpm, SLOWEST_RPM)) ** 0.5)


def puff_spectrum(frequency_hz: Floats, rpm: float, load: float, strokes: int) -> Complexes:
    """Return the spectrum of the volume velocity at the valve in one firing, for a puff of unit volume.

    Blow-down ``t^2 exp(-t / tau)``, its front sharpened by a share of a pulse three times as short; then a
    raised-cosine push over the exhaust stroke (half a turn; a third of a turn for the ports of a two-stroke). Sizes are
    common practice; the shape is a model, not a measurement.

    Parameters
    ----------
    frequency_hz : ndarray
    rpm : float
        At `SLOWEST_RPM` and below the shape is the same.
    load : float
        0 to 1.
    strokes : int

    Returns
    -------
    ndarray of complex
        1 at 0 Hz.
    """
    tau_s = blow_down_s(rpm, load)
    i_omega = 2j * np.pi * frequency_hz
    sharp = 0.05 + 0.1 * load
    slow, fast = 1.0 / (1.0 + i_omega * tau_s), 1.0 / (1.0 + i_omega * (tau_s / 3))
    blow_down = (1 - sharp) * (slow * slow * slow) + sharp * (fast * fast * fast)  # far cheaper than a complex power
    push_deg, start_deg = (180.0, 50.0) if strokes == 4 else (120.0, 20.0)
    degree_s = 1.0 / rpm_to_deg_per_s(max(rpm, SLOWEST_RPM))
    x = frequency_hz * push_deg * degree_s
    at_one = np.abs(x - 1.0) < 1e-6
    push = np.where(at_one, 0.5, np.sinc(x) / np.where(at_one, 1.0, 1.0 - x * x))
    push = push * np.exp(-i_omega * (start_deg + push_deg / 2) * degree_s)
    share = 0.35 + 0.25 * load
    return np.asarray(share * blow_down + (1 - share) * push)


class Puff:
    """The sound of one firing, ready to be made at any shift.

    Attributes
    ----------
    length : int
        Samples until it has fallen by `CUT_DB`.
    """

    def __init__(self, response: Complexes, puff: Complexes) -> None:
        size = 2 * (response.size - 1)
        spectrum = (response * puff).astype(np.complex64)
        self.length = _length(np.fft.irfft(spectrum, size), CUT_DB)
        self._stride = _stride(size, self.length)
        self._spectrum = np.ascontiguousarray(spectrum[:: self._stride])
        self._size = size // self._stride

    def weighted_energy(self, weight: Floats) -> float:
        """Return the sum of squares after a weight of power, given on the frequencies of the response."""
        return energy(self._spectrum, weight[:: self._stride])

    def make(self, shift: int) -> Singles:
        """Return the sound, late by `shift` / `SHIFTS` of a sample."""
        return _faded(np.fft.irfft(self._spectrum * _phase_ramp(self._size, shift), self._size)[: self.length])


class Hiss:
    """The flow noise of one firing: noise that swells and fades with the blow-down, sent through the pipes.

    Attributes
    ----------
    length : int
        Samples until it has fallen by `NOISE_CUT_DB`.
    """

    def __init__(self, path: Complexes, *, ring: int, blow_down_samples: float, mean_energy: float) -> None:
        """Make noise of a mean energy; `ring` is the length of the path's response in samples."""
        size = 2 * (path.size - 1)
        x = np.arange(min(int(12 * blow_down_samples), size // 2)) / blow_down_samples
        self._envelope = x * x * np.exp(-x)
        self._stride = _stride(size, ring + x.size)
        self._path = path[:: self._stride].astype(np.complex64)
        self._size = size // self._stride
        self._gain = 1.0
        self._gain = float(np.sqrt(mean_energy / self.weighted_energy(np.ones(path.size))))
        self.length = min(_length(self._sound(0), NOISE_CUT_DB), self._size)

    def weighted_energy(self, weight: Floats) -> float:
        """Return the expected sum of squares after a weight of power, given on the frequencies of the path."""
        return float(self._gain**2 * np.sum(self._envelope**2)) * energy(self._path, weight[:: self._stride])

    def _sound(self, number: int) -> Singles:
        count = self._envelope.size
        noise = (self._envelope * _noise(number, 1 << count.bit_length())[:count]).astype(np.float32)
        return np.asarray(np.fft.irfft(np.fft.rfft(noise, self._size) * self._path, self._size), dtype=np.float32)

    def make(self, number: int) -> Singles:
        """Return one of the bursts; `number` is 0 to `BURSTS` - 1."""
        sign = -1 if number % 2 else 1
        return _faded(sign * self._gain * self._sound(number // 2)[: self.length])


def energy(spectrum: NDArray[np.complexfloating], weight: Floats | float = 1.0) -> float:
    """Return the sum of squares of a sound from its spectrum, after a weight of power over frequency."""
    power = spectrum.real**2 + spectrum.imag**2
    return float(np.sum(power * weight)) / (spectrum.size - 1)


def ring_length(path: Complexes) -> int:
    """Return the samples until the response of a noise path has fallen by `NOISE_CUT_DB`."""
    return _length(np.fft.irfft(path, 2 * (path.size - 1)), NOISE_CUT_DB)


def _stride(size: int, length: int) -> int:
    """Return how many frequencies of an FFT of `size` may be left out between two when `length` samples need room."""
    stride = 1
    while ROOM * length * 2 * stride <= size:
        stride *= 2
    return stride


def noise_path(frequency_hz: Floats, response: Complexes) -> Complexes:
    """Return the path of flow noise: a broad band, and the pipes without the time derivative, as it arises in them."""
    low, high = (1j * frequency_hz / edge for edge in NOISE_BAND_HZ)
    return np.asarray(response / np.maximum(frequency_hz, 1.0) * (low / (1 + low)) ** 2 / (1 + high) ** 2)


@lru_cache(maxsize=2 * BURSTS)
def _noise(number: int, count: int) -> Floats:
    """Noise for one of the bursts; a longer count goes on where a shorter one ends."""
    return chance.bell(number, np.arange(count))


@lru_cache(maxsize=2 * SHIFTS)
def _phase_ramp(size: int, shift: int) -> NDArray[np.complex64]:
    """Spectrum of a delay by `shift` / `SHIFTS` samples: an outer product spares most of the exponentials."""
    step = -2j * np.pi * shift / (SHIFTS * size)
    count = size // 2 + 1
    coarse = np.exp(step * 64 * np.arange(count // 64 + 1))
    return np.outer(coarse, np.exp(step * np.arange(64))).ravel()[:count].astype(np.complex64)


def _length(sound: NDArray[np.floating], cut_db: float) -> int:
    """Return the number of samples up to the last that is louder than `cut_db` against the peak.

    The last quarter does not count: it holds the faint ringing before the pulse that a band limit gives, wrapped round.
    """
    size = np.abs(sound[: sound.size * 3 // 4])
    return int(np.flatnonzero(size > ratio_from_db(cut_db) * size.max())[-1]) + 2


def _faded(kernel: NDArray[np.floating]) -> Singles:
    """End a kernel at zero over its last thirty-second part."""
    count = max(kernel.size // 32, 1)
    faded = kernel.astype(np.float32)
    faded[-count:] *= (0.5 + 0.5 * np.cos(np.pi * np.arange(1, count + 1) / count)).astype(np.float32)
    return faded
