"""Sounds of things: weather, clocks, fans, rotors, drums, keys, bells, tools without cylinders, electric hum."""

import numpy as np
from numpy.typing import NDArray

from tests.clipmaker import recording
from tests.clipmaker.others_voices import add_at, resonance, smooth, tone

Floats = NDArray[np.float64]
Rng = np.random.Generator


def _noise(rng: Rng, samples: int, rate_hz: int, colours: tuple[str, ...]) -> Floats:
    return recording.coloured(rng, samples, rate_hz, str(rng.choice(colours)))


def noise(rng: Rng, samples: int, rate_hz: int) -> Floats:
    """Noise of one colour, or through one wide resonance."""
    x = _noise(rng, samples, rate_hz, ("white", "pink", "brown", "blue", "violet"))
    if rng.random() < 0.4:
        f = 10 ** rng.uniform(1.7, 3.5)
        x = resonance(x, f, f * rng.uniform(0.05, 1), rate_hz)
    return x


def wind(rng: Rng, samples: int, rate_hz: int) -> Floats:
    """Gusts, sometimes with a howl."""
    x = recording.coloured(rng, samples, rate_hz, "wind")
    howl = resonance(rng.standard_normal(samples), rng.uniform(200, 900), 15, rate_hz)
    return x + rng.choice([0, 0.3]) * howl / howl.std() * np.exp(smooth(rng, samples, rate_hz, 1))


def rain(rng: Rng, samples: int, rate_hz: int) -> Floats:
    """Hiss with single drops."""
    x = 0.1 * recording.coloured(rng, samples, rate_hz, "white")
    ring = np.arange(int(0.01 * rate_hz)) / rate_hz
    for at in rng.integers(0, samples, int(rng.uniform(10, 150) * samples / rate_hz)):
        f = rng.uniform(800, 0.4 * rate_hz)
        add_at(x, int(at), rng.exponential(0.6) * np.sin(2 * np.pi * f * ring) * np.exp(-ring * rng.uniform(300, 1500)))
    return x


def sea(rng: Rng, samples: int, rate_hz: int) -> Floats:
    """Waves that break every few seconds."""
    t = np.arange(samples) / rate_hz
    swell = np.exp(
        1.5 * np.sin(2 * np.pi * t / rng.uniform(3, 9) + rng.uniform(0, 6)) + 0.4 * smooth(rng, samples, rate_hz, 2)
    )
    return _noise(rng, samples, rate_hz, ("pink", "brown")) * swell


def fire(rng: Rng, samples: int, rate_hz: int) -> Floats:
    """Crackling over a low roar."""
    x = 0.1 * recording.coloured(rng, samples, rate_hz, "brown")
    return x + recording.rattle(rng, samples, rate_hz, rng.uniform(10, 60))


def hum(rng: Rng, samples: int, rate_hz: int) -> Floats:
    """Mains hum with harmonics, in noise."""
    return recording.hum(rng, samples, rate_hz) + 10 ** rng.uniform(-2, -0.3) * rng.standard_normal(samples)


def pure_tone(rng: Rng, samples: int, rate_hz: int) -> Floats:
    """One to four sines that have no common base."""
    f = 10 ** rng.uniform(1.4, np.log10(0.4 * rate_hz), rng.integers(1, 5))
    return sum(tone(float(v), samples, rate_hz) for v in f) + 10 ** rng.uniform(-4, -0.5) * rng.standard_normal(samples)


def harmonic_tone(rng: Rng, samples: int, rate_hz: int) -> Floats:
    """Buzz steadily: sawtooth, square or rectified sine, as from a transformer or a signal generator."""
    f = rng.uniform(30, 440)
    phase = np.mod(np.arange(samples) * f / rate_hz, 1)
    shape = [2 * phase - 1, np.sign(phase - 0.5), np.abs(np.sin(np.pi * phase))][rng.integers(3)]
    return shape + 10 ** rng.uniform(-3, -0.5) * rng.standard_normal(samples)


def chirp(rng: Rng, samples: int, rate_hz: int) -> Floats:
    """Sweeps over the band, once or again and again."""
    repeats = int(rng.integers(1, 6))
    u = np.mod(np.arange(samples) / samples * repeats, 1)
    low, high = np.sort(10 ** rng.uniform(1.5, np.log10(0.4 * rate_hz), 2))
    x = tone(low * (high / low) ** (u if rng.random() < 0.5 else 1 - u), samples, rate_hz)
    return x + 10 ** rng.uniform(-3, -0.5) * rng.standard_normal(samples)


def _train(rng: Rng, samples: int, rate_hz: int, hits: list[Floats], *, period_s: float, scatter_s: float) -> Floats:
    """Short sounds in turn at an even beat."""
    out = np.zeros(samples)
    for i in range(int(samples / rate_hz / period_s) + 1):
        at = (i + 0.3) * period_s + rng.normal(0, scatter_s)
        add_at(out, int(at * rate_hz), hits[i % len(hits)] * rng.uniform(0.85, 1.1))
    return out


def _knock(rng: Rng, rate_hz: int, low_hz: float, high_hz: float, decay_per_s: float) -> Floats:
    t = np.arange(int(6 / decay_per_s * rate_hz)) / rate_hz
    modes = [
        rng.uniform(0.2, 1) * np.sin(2 * np.pi * f * t + rng.uniform(0, 6)) for f in rng.uniform(low_hz, high_hz, 4)
    ]
    return sum(modes, 0.4 * rng.standard_normal(len(t))) * np.exp(-t * decay_per_s)


def clock(rng: Rng, samples: int, rate_hz: int) -> Floats:
    """Tick and tock."""
    ticks = [_knock(rng, rate_hz, 1500, 0.4 * rate_hz, rng.uniform(200, 900)) for _ in range(rng.choice([1, 2, 2, 4]))]
    period_s, scatter_s = 1 / rng.choice([1, 2, 4, 5, 6, 8]), rng.choice([0, 0.0005, 0.003])
    x = _train(rng, samples, rate_hz, ticks, period_s=period_s, scatter_s=scatter_s)
    return x + 10 ** rng.uniform(-3, -1.2) * rng.standard_normal(samples)


def metronome(rng: Rng, samples: int, rate_hz: int) -> Floats:
    """Beats at 40 to 240 a minute with a stressed one."""
    plain = _knock(rng, rate_hz, 500, 3000, rng.uniform(60, 300))
    beats = [1.6 * plain, *([plain] * int(rng.integers(0, 4)))]
    x = _train(rng, samples, rate_hz, beats, period_s=60 / rng.uniform(40, 240), scatter_s=0)
    return x + 0.003 * rng.standard_normal(samples)


def drums(rng: Rng, samples: int, rate_hz: int) -> Floats:
    """Loop a bar of bass drum, snare and hi-hat."""
    t = np.arange(int(0.25 * rate_hz)) / rate_hz
    kick = np.sin(2 * np.pi * (rng.uniform(40, 70) * t + 4 * (1 - np.exp(-t * 30)))) * np.exp(-t * rng.uniform(8, 25))
    snare = (rng.standard_normal(len(t)) + np.sin(2 * np.pi * 190 * t)) * np.exp(-t * rng.uniform(15, 40)) * 0.6
    hat = np.diff(rng.standard_normal(len(t)), prepend=0) * np.exp(-t * rng.uniform(30, 120)) * 0.3
    step = 60 / rng.uniform(70, 190) / 4
    out = np.zeros(samples)
    scatter = rng.choice([0, 0.002, 0.008])
    for sound, chance in ((kick, 0.3), (snare, 0.2), (hat, rng.uniform(0.3, 1))):
        bar = rng.random(16) < chance
        for i in range(int(samples / rate_hz / step) + 1):
            if bar[i % 16]:
                add_at(out, int((i * step + abs(rng.normal(0, scatter))) * rate_hz), sound * rng.uniform(0.8, 1))
    return out


def fan(rng: Rng, samples: int, rate_hz: int) -> Floats:
    """Blade-pass tones and broadband air, a little unbalanced."""
    turn = np.cumsum(rng.uniform(10, 60) * (1 + 0.003 * smooth(rng, samples, rate_hz, 1))) / rate_hz
    blades = int(rng.choice([3, 4, 5, 7, 9, 11]))
    x = sum(
        rng.uniform(0.3, 1) / h**1.3 * np.sin(2 * np.pi * blades * h * turn + rng.uniform(0, 6)) for h in range(1, 5)
    )
    x = x + rng.uniform(0, 0.4) * np.sin(2 * np.pi * turn)
    air = _noise(rng, samples, rate_hz, ("pink", "traffic", "white"))
    return x * 10 ** rng.uniform(-1.2, 0) + air * (1 + 0.3 * np.sin(2 * np.pi * turn * blades))


def rotor(rng: Rng, samples: int, rate_hz: int) -> Floats:
    """Helicopter-like: blade slap at 8 to 30 a second, a faster tail rotor, turbine hiss."""
    turn = np.cumsum(rng.uniform(8, 30) * (1 + 0.01 * smooth(rng, samples, rate_hz, 0.5))) / rate_hz
    width = rng.uniform(0.02, 0.12)
    u = np.mod(turn, 1) - 0.5
    slap = -u / width * np.exp(-((u / width) ** 2))
    tail = rng.uniform(0, 0.4) * np.sin(2 * np.pi * turn * rng.uniform(4, 7)) ** 3
    air = recording.coloured(rng, samples, rate_hz, "pink") * (0.15 + 0.2 * np.exp(-((u / width / 2) ** 2)))
    return (slap + tail + air) * np.exp(0.3 * smooth(rng, samples, rate_hz, 0.5))


def electric_motor(rng: Rng, samples: int, rate_hz: int) -> Floats:
    """Brush and gear whine that may run up, as in a drill or a vacuum cleaner."""
    f = rng.uniform(60, 300) * np.exp(rng.choice([0, 0.1, 0.8]) * np.tanh(smooth(rng, samples, rate_hz, 0.5)))
    turn = np.cumsum(f) / rate_hz
    x = sum(
        rng.uniform(0.1, 1) * np.sin(2 * np.pi * k * turn) for k in (1, 2, rng.integers(7, 24), rng.integers(25, 60))
    )
    return x + rng.uniform(0.3, 2) * _noise(rng, samples, rate_hz, ("white", "pink", "blue"))


def typing(rng: Rng, samples: int, rate_hz: int) -> Floats:
    """Keys struck in bursts."""
    out = 0.003 * rng.standard_normal(samples)
    keys = [_knock(rng, rate_hz, 800, 0.4 * rate_hz, rng.uniform(80, 250)) for _ in range(8)]
    at = 0.0
    while at < samples / rate_hz:
        add_at(out, int(at * rate_hz), keys[rng.integers(8)] * rng.uniform(0.4, 1))
        at += rng.gamma(3, 0.05) + (rng.random() < 0.1) * rng.uniform(0.2, 1)
    return out


def footsteps(rng: Rng, samples: int, rate_hz: int) -> Floats:
    """Left and right steps at a walk or a run."""
    steps = [_knock(rng, rate_hz, 60, 1200, rng.uniform(20, 80)) for _ in range(2)]
    x = _train(rng, samples, rate_hz, steps, period_s=1 / rng.uniform(1.4, 3.2), scatter_s=0.015)
    return x + 0.005 * rng.standard_normal(samples)


def hoofs(rng: Rng, samples: int, rate_hz: int) -> Floats:
    """Trot or gallop: three or four beats, then a rest."""
    out = 0.004 * rng.standard_normal(samples)
    foot = [_knock(rng, rate_hz, 300, 1500, 60) for _ in range(4)]
    stride, beats = 1 / rng.uniform(1.2, 2.4), np.sort(rng.uniform(0, 0.8, int(rng.integers(2, 5))))
    for i in range(int(samples / rate_hz / stride) + 1):
        for k, b in enumerate(beats):
            add_at(out, int((i + b + rng.normal(0, 0.01)) * stride * rate_hz), foot[k] * rng.uniform(0.7, 1))
    return out


def vinyl(rng: Rng, samples: int, rate_hz: int) -> Floats:
    """Play a record's hiss, rumble, and a scratch once a turn."""
    x = 0.2 * recording.coloured(rng, samples, rate_hz, "pink") + 0.1 * recording.coloured(
        rng, samples, rate_hz, "brown"
    )
    x += 3 * recording.rattle(rng, samples, rate_hz, rng.uniform(5, 40))
    scratch = [rng.uniform(0, 3) * _knock(rng, rate_hz, 500, 0.4 * rate_hz, 900)]
    return x + _train(rng, samples, rate_hz, scratch, period_s=float(rng.choice([1.8, 1.333, 0.769])), scatter_s=0.0005)


def bells(rng: Rng, samples: int, rate_hz: int) -> Floats:
    """Struck bells with inharmonic partials."""
    out = np.zeros(samples)
    ratio = np.array([0.5, 1, 1.183, 1.506, 2, 2.514, 2.662, 3.011, 4.166])
    at = 0.0
    while at < samples / rate_hz:
        f, n = rng.uniform(150, 1200), int(2.5 * rate_hz)
        t = np.arange(n) / rate_hz
        x = sum(
            rng.uniform(0.2, 1) * np.sin(2 * np.pi * f * r * t) * np.exp(-t * r * rng.uniform(0.8, 2))
            for r in ratio
            if f * r < rate_hz / 2
        )
        add_at(out, int(at * rate_hz), x)
        at += rng.uniform(0.2, 1.5)
    return out


def sewing_machine(rng: Rng, samples: int, rate_hz: int) -> Floats:
    """Needle strokes of a motor that is not steady, with its whine."""
    rate = rng.uniform(5, 18)
    strokes = [_knock(rng, rate_hz, 200, 3000, rng.uniform(60, 250)) for _ in range(int(rng.choice([1, 2, 2])))]
    whine = tone(rate * rng.integers(8, 20) * (1 + 0.02 * smooth(rng, samples, rate_hz, 2)), samples, rate_hz)
    x = _train(rng, samples, rate_hz, strokes, period_s=0.5 / rate, scatter_s=0.002)
    return x + 0.1 * whine + 0.05 * rng.standard_normal(samples)


def saw(rng: Rng, samples: int, rate_hz: int) -> Floats:
    """Saw by hand: gated, toothed noise."""
    t = np.arange(samples) / rate_hz
    stroke = np.abs(np.sin(np.pi * rng.uniform(1.5, 4) * t)) ** 1.5
    teeth = 1 + np.sin(2 * np.pi * np.cumsum(rng.uniform(80, 300) * stroke) / rate_hz)
    return stroke * teeth * _noise(rng, samples, rate_hz, ("pink", "white"))


def train_wheels(rng: Rng, samples: int, rate_hz: int) -> Floats:
    """Wheels over rail joints: pairs of knocks over a rumble."""
    out = 0.3 * recording.coloured(rng, samples, rate_hz, "brown")
    knock = _knock(rng, rate_hz, 80, 900, 40)
    period, gap = rng.uniform(0.35, 1.2), rng.uniform(0.08, 0.2)
    for i in range(int(samples / rate_hz / period) + 1):
        for k in (0, gap, gap * 2.6, gap * 3.6):
            add_at(out, int((i * period + k) * rate_hz), knock * rng.uniform(0.6, 1))
    return out


def dial_tones(rng: Rng, samples: int, rate_hz: int) -> Floats:
    """Telephone dialling, engaged and ringing tones."""
    t = np.arange(samples) / rate_hz
    if rng.random() < 0.5:
        gate = (np.mod(t, 2 * rng.uniform(0.05, 1)) < rng.uniform(0.04, 1)) * 1.0
        return gate * sum(tone(float(f), samples, rate_hz) for f in rng.choice([350, 400, 425, 440, 450, 480, 620], 2))
    out = np.zeros(samples)
    n = int(rng.uniform(0.05, 0.2) * rate_hz)
    for at in range(0, samples, 2 * n):
        add_at(
            out,
            at,
            tone(float(rng.choice([697, 770, 852, 941])), n, rate_hz)
            + tone(float(rng.choice([1209, 1336, 1477])), n, rate_hz),
        )
    return out


def applause(rng: Rng, samples: int, rate_hz: int) -> Floats:
    """Hands of many people, each at a pace of their own."""
    out = np.zeros(samples)
    for _ in range(int(rng.integers(3, 40))):
        clap = [_knock(rng, rate_hz, 700, 2500, rng.uniform(100, 300))]
        pace_s = 1 / rng.uniform(2.5, 5.5)
        out += rng.uniform(0.2, 1) * _train(rng, samples, rate_hz, clap, period_s=pace_s, scatter_s=0.02)
    return out
