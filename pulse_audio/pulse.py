"""The sound of one firing: a puff of gas at the valve, sent through the exhaust, held ready at sub-sample shifts.

A puff is a volume velocity in two parts: the blow-down, when the valve opens on a full cylinder, and the gas that the
rising piston pushes out after it. Its spectrum times the exhaust response, brought to time, is a kernel; the sound of
an engine is the sum of its kernels.
"""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from pulse_audio import chance
from pulse_audio.exhaust import Exhaust
from pulse_audio.firing import SILENT_DB, Liveliness
from pulse_audio.layout import Layout
from pulse_audio.loudness import OFFSET_LU, k_gain
from pulse_audio.units import cycle_hz

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Complexes = NDArray[np.complex128]

SHIFTS = 64  # kernels a sample: a firing is placed to the nearest of them, within 1/128 sample
STEPS_PER_OCTAVE = 12  # a kernel's shape belongs to a speed step of 6 %
BURSTS = 32  # different noise bursts; each comes with either sign
CUT_DB = -80.0
LONGEST_RING_S = 1.3
CACHE_BYTES = 48_000_000
USUAL_NOISE_DB = -17.0  # energy of flow noise against that of the pulse, usual exhaust at half load


def shape_rpm(step: int) -> float:
    """Speed for which the pulses of a speed step are shaped."""
    return float(2.0 ** (step / STEPS_PER_OCTAVE))


def speed_step(rpm: float) -> int:
    """Return the speed step that a speed belongs to."""
    return round(STEPS_PER_OCTAVE * np.log2(rpm))


def puff_spectrum(frequency_hz: Floats, rpm: float, load: float, strokes: int) -> Complexes:
    """Return the spectrum of the volume velocity of one firing at the valve, for a puff of unit volume.

    Blow-down ``t^2 exp(-t / tau)`` with ``tau`` falling as the root of the speed, its front sharpened by a share of a
    pulse four times as short; then a raised-cosine push over the exhaust stroke (half a turn; a third of a turn for the
    ports of a two-stroke). Sizes are common practice; the shape is a model, not a measurement.
    """
    tau_s = (1.15e-3 - 0.3e-3 * load) * (1000.0 / rpm) ** 0.5
    i_omega = 2j * np.pi * frequency_hz
    sharp = 0.06 + 0.12 * load
    blow_down = (1 - sharp) / (1 + i_omega * tau_s) ** 3 + sharp / (1 + i_omega * tau_s / 4) ** 3
    push_deg, start_deg = (180.0, 50.0) if strokes == 4 else (120.0, 20.0)
    degree_s = 1.0 / (6.0 * max(rpm, 750.0))  # slower pushes are too soft to be heard, and would only last long
    x = frequency_hz * push_deg * degree_s
    near_one = np.abs(np.abs(x) - 1.0) < 1e-6
    push = np.where(near_one, 0.5, np.sinc(x) / np.where(near_one, 1.0, 1.0 - x * x))
    push = push * np.exp(-i_omega * (start_deg + push_deg / 2) * degree_s)
    share = 0.35 + 0.25 * load
    return np.asarray(share * blow_down + (1 - share) * push)


class PulseBank:
    """Kernels of one layout and exhaust at one sample rate, made when first needed and kept."""

    def __init__(self, layout: Layout, exhaust: Exhaust, life: Liveliness, *, sample_rate_hz: int, seed: int) -> None:
        self.layout, self.exhaust, self.life = layout, exhaust, life
        self.sample_rate_hz, self.seed = sample_rate_hz, seed
        self._size, responses = self._ringing_response()
        self.frequency_hz = np.fft.rfftfreq(self._size, 1 / sample_rate_hz)
        self.voice = self._voices(responses)
        self._response = [responses[self.voice.index(v)] for v in range(max(self.voice) + 1)]
        self._spectra: dict[tuple[int, int], tuple[NDArray[np.complex64], int]] = {}
        self._kernels: dict[tuple[int, int, int], Singles] = {}
        self._bursts: dict[tuple[int, int, int], Singles] = {}
        self._levels: dict[int, tuple[float, float]] = {}
        self._bytes = 0

    @property
    def has_noise(self) -> bool:
        """Whether firings carry flow noise."""
        return self.life.noise_db > SILENT_DB

    def _ringing_response(self) -> tuple[int, Complexes]:
        """Return an FFT size in which every kernel rings out, and the responses on its frequencies."""
        size = 1 << int(0.08 * self.sample_rate_hz).bit_length()
        while True:
            frequency = np.fft.rfftfreq(size, 1 / self.sample_rate_hz)
            response = np.zeros((len(self.layout.cylinders), frequency.size), dtype=np.complex128)
            response[:, 1:] = self.exhaust.response(self.layout, frequency[1:])
            response *= _near_nyquist(frequency, self.sample_rate_hz)
            spectrum = response * puff_spectrum(frequency, 750.0, self.life.load, self.layout.strokes)
            ring = np.abs(np.fft.irfft(spectrum, size)).max(axis=0)
            if (
                ring[size // 2 :].max() < 10 ** (CUT_DB / 20) * ring.max()
                or size > LONGEST_RING_S * self.sample_rate_hz
            ):
                return size, response
            size *= 2

    @staticmethod
    def _voices(responses: Complexes) -> tuple[int, ...]:
        """Number the cylinders that sound alike: one kernel serves them all."""
        seen: list[bytes] = []
        numbers = []
        for row in responses:
            key = row.tobytes()
            if key not in seen:
                seen.append(key)
            numbers.append(seen.index(key))
        return tuple(numbers)

    def _spectrum(self, step: int, voice: int) -> tuple[NDArray[np.complex64], int]:
        """Spectrum of a kernel, and its length in samples."""
        key = (step, voice)
        if key not in self._spectra:
            puff = puff_spectrum(self.frequency_hz, shape_rpm(step), self.life.load, self.layout.strokes)
            spectrum = (self._response[voice] * puff).astype(np.complex64)
            ring = np.abs(np.fft.irfft(spectrum, self._size))
            heard = np.flatnonzero(ring > 10 ** (CUT_DB / 20) * ring.max())
            self._spectra[key] = spectrum, min(int(heard[-1]) + 2 if heard.size else 1, self._size)
        return self._spectra[key]

    def kernel(self, step: int, voice: int, shift: int) -> Singles:
        """Return the sound of one firing, `shift` / `SHIFTS` of a sample late."""
        key = (step, voice, shift)
        found = self._kernels.get(key)
        if found is None:
            spectrum, length = self._spectrum(step, voice)
            turned = spectrum * _phase_ramp(self._size, shift)
            found = _faded(np.fft.irfft(turned, self._size)[:length].astype(np.float32))
            self._keep(self._kernels, key, found)
        return found

    def burst(self, step: int, voice: int, number: int) -> Singles:
        """Return the flow noise of one firing, one of `BURSTS`."""
        key = (step, voice, number)
        found = self._bursts.get(key)
        if found is None:
            found = self._new_burst(step, voice, number)
            self._keep(self._bursts, key, found)
        return found

    def _new_burst(self, step: int, voice: int, number: int) -> Singles:
        tau_s = (1.15e-3 - 0.3e-3 * self.life.load) * (1000.0 / shape_rpm(step)) ** 0.5
        time_s = np.arange(min(int(12 * tau_s * self.sample_rate_hz), self._size // 2)) / self.sample_rate_hz
        envelope = (time_s / tau_s) ** 2 * np.exp(-time_s / tau_s)
        noise = envelope * chance.bell(self.seed, 1000 + number, np.arange(time_s.size))
        frequency = self.frequency_hz
        path = self._response[voice] / np.maximum(frequency, 1.0)  # noise arises along the pipe: no d/dt
        path = path * (frequency / 400) ** 2 / (1 + (frequency / 400) ** 2) / (1 + (frequency / 3500) ** 2)
        sound = np.fft.irfft(np.fft.rfft(noise, self._size) * path, self._size)
        shape = np.abs(np.fft.rfft(envelope**2, self._size)[0])  # expected energy, so that bursts keep their scatter
        expected = shape * np.sum(np.abs(path) ** 2) / self._size * 2
        pulse = self.kernel(step, voice, 0)
        level_db = USUAL_NOISE_DB + self.life.noise_db + self.exhaust.noise_db + 8 * (self.life.load - 0.5)
        sound *= np.sqrt(float(np.sum(pulse.astype(np.float64) ** 2)) / expected) * 10 ** (level_db / 20)
        heard = np.flatnonzero(np.abs(sound) > 1e-3 * np.abs(sound).max())
        return _faded(sound[: int(heard[-1]) + 2].astype(np.float32))

    def _keep(self, shelf: dict[tuple[int, int, int], Singles], key: tuple[int, int, int], kernel: Singles) -> None:
        if self._bytes > CACHE_BYTES:
            self._kernels.clear()
            self._bursts.clear()
            self._bytes = 0
        shelf[key] = kernel
        self._bytes += kernel.nbytes

    def level(self, step: int) -> tuple[float, float]:
        """Return loudness (LUFS) and peak of the regular engine at a steady speed, for firings of strength 1."""
        if step not in self._levels:
            self._levels[step] = self._steady_level(step)
        return self._levels[step]

    def _steady_level(self, step: int) -> tuple[float, float]:
        rpm = max(shape_rpm(step), 120.0)  # slower, pulses stand alone and only come less often
        rate_hz = cycle_hz(rpm, self.layout.strokes)
        frames = round(self.sample_rate_hz / rate_hz)
        around = np.zeros(frames)
        noise_energy = 0.0
        for cylinder, place in enumerate(self.layout.cylinders):
            kernel = self.kernel(step, self.voice[cylinder], 0)
            for start, piece in _wrapped(kernel, round(place.firing_deg / self.layout.cycle_deg * frames), frames):
                around[start : start + piece.size] += piece
        frequency = np.fft.rfftfreq(frames, 1 / self.sample_rate_hz)
        power = 2 * np.sum(np.abs(np.fft.rfft(around) * k_gain(frequency)) ** 2) / frames**2
        if self.has_noise:
            for voice in self.voice:
                burst = self.burst(step, voice, 0)
                spectrum = np.fft.rfft(burst, self._size) * k_gain(self.frequency_hz)
                noise_energy += 2 * float(np.sum(np.abs(spectrum) ** 2)) / self._size
        power = (power + noise_energy / frames) * shape_rpm(step) / rpm
        return OFFSET_LU + 10 * float(np.log10(power + 1e-300)), float(np.abs(around).max())


def _near_nyquist(frequency_hz: Floats, sample_rate_hz: int) -> Floats:
    """Roll off smoothly over the last tenth below half the sample rate."""
    x = np.clip((frequency_hz / sample_rate_hz - 0.45) / 0.05, 0.0, 1.0)
    return np.asarray(0.5 + 0.5 * np.cos(np.pi * x))


def _phase_ramp(size: int, shift: int) -> NDArray[np.complex64]:
    """Spectrum of a delay by `shift` / `SHIFTS` samples: an outer product spares most of the exponentials."""
    step = -2j * np.pi * shift / (SHIFTS * size)
    count = size // 2 + 1
    coarse = np.exp(step * 64 * np.arange(count // 64 + 1))
    return np.outer(coarse, np.exp(step * np.arange(64))).ravel()[:count].astype(np.complex64)


def _faded(kernel: Singles) -> Singles:
    """End a kernel at zero over its last eighth."""
    count = max(kernel.size // 8, 1)
    kernel[-count:] *= (0.5 + 0.5 * np.cos(np.pi * np.arange(1, count + 1) / count)).astype(np.float32)
    return kernel


def _wrapped(kernel: Singles, start: int, frames: int) -> Iterator[tuple[int, Singles]]:
    """Cut a kernel that starts within a ring of frames into the pieces that lie on it."""
    at, start = 0, start % frames
    while at < kernel.size:
        piece = kernel[at : at + frames - start]
        yield start, piece
        at, start = at + piece.size, 0
