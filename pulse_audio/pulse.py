"""The sound of one firing: a puff of gas at the valve, sent through the exhaust, held ready at sub-sample shifts.

A puff is a volume velocity in two parts: the blow-down, when the valve opens on a full cylinder, and the gas that the
rising piston pushes out after it. Its spectrum times the exhaust response, brought to time, is a kernel; the sound of
an engine is the sum of its kernels.
"""

import numpy as np
from numpy.typing import NDArray

from pulse_audio import chance
from pulse_audio.units import ratio_from_db

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Complexes = NDArray[np.complex128]

SHIFTS = 64  # kernels a sample: a firing is placed to the nearest of them, within 1/128 sample
BURSTS = 32  # different noise bursts; each comes with either sign
CUT_DB, NOISE_CUT_DB = -90.0, -60.0  # a kernel ends where it stays this far below its peak
SLOWEST_RPM = 750.0  # below, the push is too slow to be heard and would only make kernels long
NOISE_BAND_HZ = (400.0, 3500.0)


def blow_down_s(rpm: float, load: float) -> float:
    """Time constant of the blow-down; it falls as the root of the speed, and more load empties faster."""
    return float((1.15e-3 - 0.3e-3 * load) * (1000.0 / max(rpm, SLOWEST_RPM)) ** 0.5)


def puff_spectrum(frequency_hz: Floats, rpm: float, load: float, strokes: int) -> Complexes:
    """Return the spectrum of the volume velocity at the valve in one firing, for a puff of unit volume.

    Blow-down ``t^2 exp(-t / tau)``, its front sharpened by a share of a pulse three times as short; then a raised-cosine
    push over the exhaust stroke (half a turn; a third of a turn for the ports of a two-stroke). Sizes are common
    practice; the shape is a model, not a measurement.

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
    blow_down = (1 - sharp) / (1 + i_omega * tau_s) ** 3 + sharp / (1 + i_omega * tau_s / 3) ** 3
    push_deg, start_deg = (180.0, 50.0) if strokes == 4 else (120.0, 20.0)
    degree_s = 1.0 / (6.0 * max(rpm, SLOWEST_RPM))
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
    energy : float
        Sum of its squares.
    stride : int
        It needs only every so-manieth frequency of the response: a shorter FFT holds it.
    """

    def __init__(self, response: Complexes, puff: Complexes) -> None:
        size = 2 * (response.size - 1)
        spectrum = (response * puff).astype(np.complex64)
        sound = np.fft.irfft(spectrum, size)
        self.length, self.energy = _length(sound, CUT_DB), float(np.sum(sound.astype(np.float64) ** 2))
        self.stride = 1
        while 4 * self.length * self.stride < size:
            self.stride *= 2
        self._spectrum = np.ascontiguousarray(spectrum[:: self.stride])
        self._size = size // self.stride

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

    def __init__(self, path: Complexes, puff: Puff, blow_down_samples: float, level_db: float) -> None:
        size = 2 * (path.size - 1)
        x = np.arange(min(int(12 * blow_down_samples), size // 2)) / blow_down_samples
        self._envelope = x * x * np.exp(-x)
        self._path = path[:: puff.stride] if 2 * x.size * puff.stride <= size else path
        self._size = 2 * (self._path.size - 1)
        energy = np.sum(self._envelope**2) * 2 * np.sum(np.abs(self._path) ** 2) / self._size  # expected
        self._gain = np.sqrt(puff.energy / energy) * ratio_from_db(level_db)
        self.length = _length(self._sound(0), NOISE_CUT_DB)

    def _sound(self, number: int) -> Floats:
        noise = self._envelope * chance.bell(number, np.arange(self._envelope.size))
        return np.asarray(np.fft.irfft(np.fft.rfft(noise, self._size) * self._path, self._size))

    def make(self, number: int) -> Singles:
        """Return one of the bursts, `number` from 0."""
        return _faded(self._gain * self._sound(number)[: self.length])


def noise_path(frequency_hz: Floats, response: Complexes) -> Complexes:
    """Return the path of flow noise: a broad band, and the pipes without the time derivative, as it arises in them."""
    low, high = (1j * frequency_hz / edge for edge in NOISE_BAND_HZ)
    return np.asarray(response / np.maximum(frequency_hz, 1.0) * (low / (1 + low)) ** 2 / (1 + high) ** 2)


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
