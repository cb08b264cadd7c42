"""Clips for single questions: even engines that limp, engines like no other, harmonics in noise, moving speeds."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.clipmaker.engine import Health
from tests.clipmaker.engine_clips import engine_clip
from tests.clipmaker.layouts import ENGINES, Engine

Floats = NDArray[np.float64]
Made = tuple[Floats, int, dict[str, Any]]
EVEN = tuple(e for e in ENGINES.values() if e.even and len(e.firing_deg) > 1)
LIMPS = ("unequal", "weak", "pipes")


def limping_even_clip(rng: np.random.Generator, index: int) -> Made:
    """Make an even engine limp: unequal cylinders, one weak cylinder, or pipes at different distances."""
    limp = LIMPS[index % len(LIMPS)]
    engine = EVEN[int(rng.integers(len(EVEN)))] if index % 2 else EVEN[int(rng.integers(3))]
    n = len(engine.firing_deg)
    strength = np.ones(n)
    fixed: dict[str, Any] = {"uneven_m": 0.0, "far_m": 0.0}
    if limp == "unequal":
        strength += rng.uniform(0.1, 0.4) * rng.uniform(-1, 1, n)
    elif limp == "weak":
        strength[rng.integers(n)] = rng.uniform(0.35, 0.75)
    else:
        fixed |= {"collector": False, "near_m": rng.uniform(0.25, 0.6), "far_m": rng.uniform(0.1, 0.5)}
    health = Health(strength=tuple(strength), scatter=rng.uniform(0.01, 0.1), timing_deg=rng.uniform(0, 1))
    said = {"limp": limp, "strength": [round(float(v), 2) for v in strength]}
    kind = str(rng.choice(["steady", "drift", "drift", "sweep"]))
    snr = float(rng.uniform(10, 30))
    return engine_clip(rng, engine=engine, kind=kind, snr_db=snr, health=(health, said), **fixed)


def weak_twin_clip(rng: np.random.Generator, index: int) -> Made:
    """Draw an idling uneven twin one of whose cylinders pulls with 0.6 of the other's pressure, the pipes alike."""
    engine = ENGINES[("v60", "v75", "ptwin270")[index % 3]]
    pulls = Health(strength=(0.6, 1.0) if index % 2 else (1.0, 0.6), scatter=0.05, timing_deg=0.5)
    sound = {"band": "idle", "kind": "steady", "snr_db": 25.0, "spoil": False, "uneven_m": 0.0, "far_m": 0.0}
    return engine_clip(rng, engine=engine, health=(pulls, {}), **sound)


def odd_clip(rng: np.random.Generator, index: int) -> Made:
    """Draw an engine of two to six cylinders that fires at random places, 60 degrees apart or more, and not evenly."""
    n = 2 + index % 5
    gaps = np.zeros(n)
    while gaps.min() < 60 or np.ptp(gaps) < 60:
        places = np.sort(rng.choice(72, n, replace=False)) * 10.0
        gaps = np.diff(np.append(places, places[0] + 720))
    firing_deg = tuple(float(p) for p in places - places[0])
    engine = Engine(name="odd", cycle_deg=720, firing_deg=firing_deg, bank=(0,) * n)
    return engine_clip(rng, engine=engine, kind=("steady", "drift")[int(rng.integers(2))])


def sample_clip(rng: np.random.Generator, _: int = 0) -> Made:
    """Make the shipped sample: an uneven twin with open pipes at idle, a light wind blowing."""
    engine = ENGINES["ptwin270"]
    pulls = Health(strength=(1.0, 0.93), scatter=0.05, timing_deg=0.4)
    motion = {"band": "idle", "kind": "drift", "rpm": 940.0, "wander": 0.002, "duration_s": 5.0}
    sound = {"rate_hz": 22050, "snr_db": 18.0, "noise": "wind", "spoil": False, "microphones": 1}
    return engine_clip(rng, engine=engine, collector=False, ticks=0.15, health=(pulls, {}), **motion, **sound)


def moving_clip(rng: np.random.Generator, index: int) -> Made:
    """Draw a sweep or a blip with the true speed every 0.02 s."""
    snr = float(rng.uniform(15, 30))
    return engine_clip(rng, kind=("sweep", "blip")[index % 2], dense=True, snr_db=snr, spoil=False, duration_s=6.0)


def rate_bound_hz(orders: Floats, amplitude: Floats, variance: float, *, samples: int, rate_hz: float) -> float:
    """Cramer-Rao bound of the standard deviation of a harmonic signal's base rate in white noise.

    var(w0) >= 24 s2 / (N (N^2 - 1) sum l^2 A_l^2), real data (Christensen & Jakobsson, Multi-Pitch Estimation, 2009,
    from memory).
    """
    information = samples * (samples**2 - 1) * (orders**2 * amplitude**2).sum()
    return float(np.sqrt(24 * variance / information) * rate_hz / (2 * np.pi))


def harmonic_clip(rng: np.random.Generator, index: int) -> Made:
    """Steady harmonics of a firing pattern in white noise, with the bound of the cycle rate."""
    names = ("ptwin270", "ptwin180", "v45", "single4", "four_cross", "ptwin360", "four_flat", "triple120")
    engine = ENGINES[names[index % len(names)]]
    rate = int(rng.choice([8000, 22050]))
    seconds, snr_db = float(rng.uniform(1, 5)), float(rng.uniform(0, 20))
    rpm = float(rng.uniform(800, 3000))
    cycle_hz = rpm * 6 / engine.cycle_deg
    samples = int(seconds * rate)
    n = np.arange(samples)
    orders = np.arange(1, int(min(900, 0.4 * rate) / cycle_hz))
    gains = np.exp(-2j * np.pi * np.outer(orders, engine.firing_deg) / engine.cycle_deg).sum(axis=1)
    corner_hz = rng.uniform(100, 500)
    pulse = np.exp(1j * rng.uniform(0, 6.28)) / (1 + 1j * orders * cycle_hz / corner_hz)
    lines = gains * pulse
    x = sum(np.real(a * np.exp(2j * np.pi * k * cycle_hz * n / rate)) for k, a in zip(orders, lines, strict=True))
    variance = float((np.abs(lines) ** 2).sum() / 2 / 10 ** (snr_db / 10))
    x = x + np.sqrt(variance) * rng.standard_normal(samples)
    x *= 0.9 / np.abs(x).max()
    truth = {
        "layout": engine.name,
        "cycle_deg": engine.cycle_deg,
        "firing_deg": list(engine.firing_deg),
        "intervals_deg": engine.intervals_deg,
        "rpm_mean": rpm,
        "rpm_track": [[round(float(t), 2), rpm] for t in np.arange(0.25, seconds, 0.25)],
        "kind": "steady",
        "band": "harmonics",
        "snr_db": round(snr_db, 2),
        "fs": rate,
        "duration_s": seconds,
        "cycle_hz": cycle_hz,
        "cycle_hz_bound": rate_bound_hz(orders, np.abs(lines), variance, samples=samples, rate_hz=rate),
    }
    return x, rate, truth
