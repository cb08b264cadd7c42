"""What happens between the air and the file: room, noise, microphone and recorder."""

import io

import numpy as np
import soundfile
from numpy.typing import NDArray
from scipy.signal import butter, fftconvolve, resample_poly, sosfilt

Floats = NDArray[np.float64]


def resampled(x: Floats, from_hz: int, to_hz: int) -> Floats:
    """Band-limited change of rate along the first axis."""
    g = int(np.gcd(from_hz, to_hz))
    return x if from_hz == to_hz else resample_poly(x, to_hz // g, from_hz // g, axis=0)


def coloured(rng: np.random.Generator, samples: int, rate_hz: int, colour: str) -> Floats:
    """Noise of unit size: white, pink, brown, blue, violet, wind, traffic or crowd."""
    spectrum = np.fft.rfft(rng.standard_normal(samples))
    f = np.maximum(np.fft.rfftfreq(samples, 1 / rate_hz), 1.0)
    slope = {"white": 0.0, "pink": -0.5, "brown": -1.0, "blue": 0.5, "violet": 1.0}
    if colour in slope:
        spectrum *= np.maximum(f, 15.0) ** slope[colour]
    elif colour == "wind":
        spectrum /= 1 + (f / rng.uniform(15, 60)) ** 1.5
    elif colour == "traffic":
        spectrum /= (1 + (f / rng.uniform(150, 900)) ** 2) * (1 + (40 / f) ** 2)
    elif colour == "crowd":
        spectrum /= (1 + (f / 700) ** 2) * (1 + (250 / f) ** 3)
    else:
        raise ValueError(f"colour={colour}: no such noise")
    x = np.fft.irfft(spectrum, samples)
    if colour in ("wind", "crowd"):  # gusts and voices come and go
        knots = rng.standard_normal(int(samples / rate_hz * 3) + 3)
        x *= np.exp(0.7 * np.interp(np.arange(samples) / rate_hz * 3, np.arange(len(knots)), knots))
    return x / (x.std() + 1e-30)


def room(rng: np.random.Generator, x: Floats, rate_hz: int, decay_s: float, share: float) -> Floats:
    """Add a diffuse tail whose energy falls by 60 dB in `decay_s`; `share` is its energy against the direct sound."""
    t = np.arange(int(decay_s * rate_hz)) / rate_hz
    tail = rng.standard_normal(len(t)) * 10 ** (-3 * t / decay_s)
    tail[: int(0.004 * rate_hz)] = 0
    tail *= np.sqrt(share / (tail**2).sum())
    return x + fftconvolve(x, tail[:, None] if x.ndim == 2 else tail, axes=0)[: len(x)]


def band_limited(x: Floats, rate_hz: int, low_hz: float, high_hz: float, order: int = 2) -> Floats:
    """Pass only part of the band, as a telephone does; 0 or beyond half the rate means no limit."""
    if low_hz > 0:
        x = sosfilt(butter(order, low_hz, "high", fs=rate_hz, output="sos"), x, axis=0)
    if high_hz < 0.45 * rate_hz:
        x = sosfilt(butter(order + 1, high_hz, "low", fs=rate_hz, output="sos"), x, axis=0)
    return x


def gain_ridden(x: Floats, rate_hz: int, strength: float, hold_s: float) -> Floats:
    """Automatic gain: `strength` 1 evens out the level fully, over about `hold_s`."""
    power = np.mean(x**2, axis=1) if x.ndim == 2 else x**2
    n = max(1, int(hold_s * rate_hz))
    total = np.concatenate([[0.0], np.cumsum(power)])
    i = np.arange(len(x))
    low = np.maximum(i - n, 0)
    level = np.sqrt((total[i + 1] - total[low]) / (i + 1 - low)) + 1e-6
    gain = (level / level.mean()) ** -strength
    return x * (gain[:, None] if x.ndim == 2 else gain)


def through_codec(x: Floats, rate_hz: int, codec: str, squeeze: float) -> Floats:
    """Out to a lossy codec (``ogg`` or ``mp3``) in memory and back; `squeeze` from 0 (fine) to 1 (coarse)."""
    file = io.BytesIO()
    form, sub = {"ogg": ("OGG", "VORBIS"), "mp3": ("MP3", "MPEG_LAYER_III")}[codec]
    channels = 1 if x.ndim == 1 else x.shape[1]
    with soundfile.SoundFile(
        file, "w", samplerate=rate_hz, channels=channels, format=form, subtype=sub, compression_level=squeeze
    ) as out:
        for start in range(0, len(x), 8192):  # long single writes overflow the Vorbis encoder's stack
            out.write(x[start : start + 8192])
    file.seek(0)
    back, _ = soundfile.read(file, dtype="float64")
    shape = (len(x),) if x.ndim == 1 else (len(x), channels)
    out_x = np.zeros(shape)
    n = min(len(x), len(back))
    out_x[:n] = back[:n].reshape((n, *shape[1:]))
    return out_x


def hum(rng: np.random.Generator, samples: int, rate_hz: int) -> Floats:
    """Mains hum at 50 or 60 Hz with harmonics, of unit size."""
    t = np.arange(samples) / rate_hz
    base = rng.choice([50.0, 60.0]) * (1 + rng.normal(0, 2e-4))
    x = sum(rng.uniform(0.1, 1) / h * np.sin(2 * np.pi * base * h * t + rng.uniform(0, 6.28)) for h in range(1, 12))
    return x / x.std()


def rattle(rng: np.random.Generator, samples: int, rate_hz: int, rate_per_s: float) -> Floats:
    """Irregular knocks of loose parts, of unit peak."""
    x = np.zeros(samples)
    ring = np.arange(int(0.03 * rate_hz)) / rate_hz
    for at in rng.integers(0, max(1, samples - len(ring)), rng.poisson(rate_per_s * samples / rate_hz)):
        f = rng.uniform(300, 0.3 * rate_hz)
        n = min(len(ring), samples - at)
        x[at : at + n] += (
            rng.uniform(0.2, 1) * (np.sin(2 * np.pi * f * ring) * np.exp(-ring * rng.uniform(150, 900)))[:n]
        )
    return x / (np.abs(x).max() + 1e-30)
