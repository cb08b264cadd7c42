"""Sounds of throats and instruments: speech-like, song, music, birds, insects, whistles, sirens."""

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

Floats = NDArray[np.float64]
Rng = np.random.Generator


def smooth(rng: Rng, samples: int, rate_hz: int, per_s: float) -> Floats:
    """Draw a smooth random curve of about unit size with `per_s` turns a second."""
    knots = rng.standard_normal(max(4, int(samples / rate_hz * per_s) + 4))
    return np.interp(np.linspace(0, len(knots) - 1, samples), np.arange(len(knots)), knots)


def tone(frequency_hz: Floats | float, samples: int, rate_hz: int) -> Floats:
    """Sine whose frequency may change."""
    return np.sin(2 * np.pi * np.cumsum(np.broadcast_to(frequency_hz, samples)) / rate_hz)


def resonance(x: Floats, centre_hz: float, width_hz: float, rate_hz: int) -> Floats:
    """Two-pole resonance of unit gain at its peak."""
    r = np.exp(-np.pi * width_hz / rate_hz)
    w = 2 * np.pi * min(centre_hz, 0.45 * rate_hz) / rate_hz
    a = [1, -2 * r * np.cos(w), r * r]
    gain = abs(np.polyval(a[::-1], np.exp(-1j * w)))
    return lfilter([gain], a, x)


def add_at(out: Floats, start: int, x: Floats) -> None:
    """Add a short sound where it begins, cut at the clip's ends."""
    if 0 <= start < len(out):
        n = min(len(x), len(out) - start)
        out[start : start + n] += x[:n]


def _bell(samples: int, rate_hz: int, attack_s: float, decay_s: float) -> Floats:
    t = np.arange(samples) / rate_hz
    return np.minimum(t / attack_s, 1) * np.exp(-t / decay_s)


def speech(rng: Rng, samples: int, rate_hz: int) -> Floats:
    """Syllables: glottal pulses or hiss through three formants, the pitch wandering."""
    out = np.zeros(samples)
    pitch = rng.uniform(75, 280)
    at = 0
    while at < samples:
        n = int(rng.uniform(0.07, 0.4) * rate_hz)
        if rng.random() < 0.75:
            glide = pitch * np.exp(0.12 * rng.standard_normal() + np.linspace(0, 0.25 * rng.standard_normal(), n))
            phase = np.cumsum(glide * (1 + 0.008 * rng.standard_normal(n)) / rate_hz)
            x = np.diff(np.floor(phase), prepend=0) + 0.02 * rng.standard_normal(n)
            x = lfilter([1], [1, -0.95], x)
            formants = rng.uniform([250, 800, 2200], [850, 2200, 3200])
            syllable = sum(resonance(x, f, f * 0.1 + 40, rate_hz) / (k + 1) for k, f in enumerate(formants))
        else:
            syllable = 0.3 * resonance(rng.standard_normal(n), rng.uniform(2500, 6000), 2000, rate_hz)
        add_at(out, at, syllable * np.hanning(n) * rng.uniform(0.4, 1))
        at += n + int(rng.exponential(0.04) * rate_hz) + int((rng.random() < 0.12) * rng.uniform(0.2, 0.7) * rate_hz)
    return out


def crowd(rng: Rng, samples: int, rate_hz: int) -> Floats:
    """Many talk at once."""
    return sum((speech(rng, samples, rate_hz) * rng.uniform(0.3, 1) for _ in range(6)), np.zeros(samples))


def singing(rng: Rng, samples: int, rate_hz: int) -> Floats:
    """Sustained vowels with vibrato."""
    out = np.zeros(samples)
    at, pitch = 0, rng.uniform(90, 400)
    while at < samples:
        n = int(rng.uniform(0.4, 2.0) * rate_hz)
        t = np.arange(n) / rate_hz
        f = pitch * 2 ** (rng.integers(-5, 8) / 12) * (1 + 0.012 * np.sin(2 * np.pi * rng.uniform(4, 6.5) * t))
        x = sum(tone(h * f, n, rate_hz) / h for h in range(1, 15))
        x = resonance(x, rng.uniform(300, 900), 120, rate_hz) + 0.5 * resonance(
            x, rng.uniform(1000, 2500), 200, rate_hz
        )
        add_at(out, at, x * np.minimum(np.minimum(t / 0.08, 1), (t[-1] - t) / 0.1))
        at += n
    return out


def _note(rng: Rng, f: float, seconds: float, rate_hz: int, kind: str) -> Floats:
    n = int(seconds * rate_hz)
    if kind == "pluck":
        period = max(2, round(rate_hz / f))
        burst = np.zeros(n)
        burst[:period] = rng.standard_normal(min(period, n)) if period <= n else 0
        a = np.zeros(period + 2)
        a[0], a[period], a[period + 1] = 1, -0.5 * 0.996, -0.5 * 0.996
        return lfilter([1], a, burst)
    partials = {
        "organ": (1, 0.6, 0.4, 0.3, 0.2, 0.15),
        "strings": tuple(1 / h for h in range(1, 12)),
        "flute": (1, 0.2),
    }
    x = sum(g * tone((h + 1) * f, n, rate_hz) for h, g in enumerate(partials[kind]) if (h + 1) * f < rate_hz / 2)
    t = np.arange(n) / rate_hz
    return x * np.minimum(t / 0.02, 1) * np.minimum((seconds - t) / 0.05, 1)


def music(rng: Rng, samples: int, rate_hz: int) -> Floats:
    """Melody and chords at a tempo, plucked or sustained."""
    out = np.zeros(samples)
    kind = str(rng.choice(["pluck", "organ", "strings", "flute"]))
    beat_s, root = 60 / rng.uniform(60, 180), rng.uniform(80, 330)
    scale = np.array([0, 2, 4, 5, 7, 9, 11, 12])
    at = 0.0
    while at < samples / rate_hz:
        steps = beat_s * rng.choice([0.25, 0.5, 0.5, 1, 2])
        for _ in range(rng.choice([1, 1, 1, 3])):
            f = root * 2 ** (rng.choice(scale) / 12) * rng.choice([1, 1, 2])
            add_at(out, int(at * rate_hz), _note(rng, f, steps * 1.05, rate_hz, kind))
        if rng.random() < 0.5:
            add_at(out, int(at * rate_hz), _note(rng, root / 2, steps, rate_hz, "organ"))
        at += steps
    return out


def drone(rng: Rng, samples: int, rate_hz: int) -> Floats:
    """Hold a chord as an organ does, steady for the whole clip."""
    root = rng.uniform(40, 260)
    chord = root * 2 ** (np.array(rng.choice([(0, 4, 7), (0, 3, 7), (0, 7, 12), (0, 5, 9), (0, 0, 0)])) / 12)
    seconds = (samples + 1) / rate_hz  # rounding must not cost the last sample
    x = sum(_note(rng, f * (1 + 1e-3 * rng.standard_normal()), seconds, rate_hz, "organ")[:samples] for f in chord)
    return x + np.zeros(samples) + 0.01 * rng.standard_normal(samples)


def bird(rng: Rng, samples: int, rate_hz: int) -> Floats:
    """Sung phrases of quick glides."""
    out = np.zeros(samples)
    at = 0
    while at < samples:
        low = rng.uniform(1200, 0.3 * rate_hz)
        for _ in range(rng.integers(1, 9)):
            n = int(rng.uniform(0.02, 0.2) * rate_hz)
            f = low * np.exp(
                np.linspace(0, rng.uniform(-0.5, 0.5), n) + 0.1 * np.sin(np.linspace(0, rng.uniform(0, 40), n))
            )
            add_at(out, at, tone(np.minimum(f, 0.45 * rate_hz), n, rate_hz) * np.hanning(n))
            at += n + int(rng.uniform(0.01, 0.1) * rate_hz)
        at += int(rng.uniform(0.1, 1.0) * rate_hz)
    return out


def cricket(rng: Rng, samples: int, rate_hz: int) -> Floats:
    """Chirps made of a few pulses of a high tone, evenly repeated."""
    t = np.arange(samples) / rate_hz
    pulses = 0.5 + 0.5 * np.sin(2 * np.pi * rng.uniform(18, 60) * t)
    chirps = (
        np.mod(t * rng.uniform(0.8, 4) + 0.03 * smooth(rng, samples, rate_hz, 2), 1) < rng.uniform(0.3, 1.0)
    ) * 1.0
    return tone(min(rng.uniform(2500, 5500), 0.4 * rate_hz), samples, rate_hz) * pulses**2 * chirps


def whistle(rng: Rng, samples: int, rate_hz: int) -> Floats:
    """Whistle a tune: one gliding tone with breath."""
    f = rng.uniform(500, 1500) * np.exp(0.2 * np.round(2 * smooth(rng, samples, rate_hz, 3)) / 2)
    f = lfilter([0.002], [1, -0.998], f - f[0]) + f[0]
    return tone(f, samples, rate_hz) * (
        0.6 + 0.4 * np.tanh(2 * smooth(rng, samples, rate_hz, 2))
    ) + 0.05 * rng.standard_normal(samples)


def siren(rng: Rng, samples: int, rate_hz: int) -> Floats:
    """Wail, or two tones in turn."""
    t = np.arange(samples) / rate_hz
    turn = np.sin(2 * np.pi * rng.uniform(0.2, 4) * t)
    shape = turn if rng.random() < 0.6 else np.sign(turn)
    f = rng.uniform(400, 900) * np.exp(rng.uniform(0.15, 0.45) * shape)
    return sum(tone(h * f, samples, rate_hz) / h**1.5 for h in range(1, 5))


def dog(rng: Rng, samples: int, rate_hz: int) -> Floats:
    """Barks in irregular groups."""
    out = np.zeros(samples)
    at = int(rng.uniform(0, 0.4) * rate_hz)
    f0 = rng.uniform(180, 600)
    while at < samples:
        n = int(rng.uniform(0.1, 0.25) * rate_hz)
        f = f0 * np.exp(0.3 * np.sin(np.linspace(0, np.pi, n)))
        x = sum(tone(h * f, n, rate_hz) / h for h in range(1, 9)) + 0.8 * rng.standard_normal(n)
        add_at(out, at, resonance(x, rng.uniform(500, 1400), 300, rate_hz) * _bell(n, rate_hz, 0.01, 0.07))
        at += n + int(rng.uniform(0.1, 0.9) * rate_hz)
    return out
