"""Draws engine clips: machine, speed, place and recording faults, with the truth about each."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.clipmaker import recording
from tests.clipmaker.engine import SIM_HZ, Health, Plumbing, Run, at_microphones, heard_deg
from tests.clipmaker.gas import Cylinder
from tests.clipmaker.layouts import ENGINES, Engine
from tests.clipmaker.motion import Motion, speed_curve, with_torque_ripple
from tests.clipmaker.pipes import OPEN, Pipe

Floats = NDArray[np.float64]
Rng = np.random.Generator
BANDS = ("idle", "low", "high")
TWINS = ("ptwin360", "ptwin180", "ptwin270", "boxer", "v45", "v52", "v60", "v75", "v90")
RATES_HZ = (8000, 11025, 16000, 22050, 22050, 22050, 32000, 44100, 44100, 48000)


def draw_engine(rng: Rng) -> Engine:
    """Half the common twins, the rest anything."""
    names = TWINS if rng.random() < 0.45 else tuple(ENGINES)
    return ENGINES[names[rng.integers(len(names))]]


def draw_rpm(rng: Rng, band: str, engine: Engine) -> float:
    """Draw the base speed of a band; two-strokes and many-cylinder engines turn faster."""
    low, high = {"idle": (680, 1300), "low": (1300, 2500), "high": (2500, 6500)}[band]
    factor = 1.35 if engine.cycle_deg == 360 else 1.0
    return float(factor * np.exp(rng.uniform(np.log(low), np.log(high))))


def _groups(engine: Engine, collector: bool, rng: Rng) -> list[list[int]]:
    """Which cylinders share an outlet."""
    cylinders = list(range(len(engine.firing_deg)))
    if not collector:
        return [[c] for c in cylinders]
    banks = sorted(set(engine.bank))
    if len(banks) > 1 and (len(cylinders) >= 4 and rng.random() < 0.35):
        return [[c for c in cylinders if engine.bank[c] == b] for b in banks]
    return [cylinders]


def plumbing(
    rng: Rng,
    engine: Engine,
    *,
    collector: bool,
    muffler: bool,
    microphones: int,
    uneven_m: float,
    far_m: float,
    near_m: float = 0.0,
) -> Plumbing:
    """Pipes for every cylinder. `uneven_m` spreads the primaries' lengths, `far_m` the outlets' distances.

    `near_m` is the distance of the nearest outlet; drawn if 0.
    """
    sound = rng.uniform(440, 560)
    radius = rng.uniform(0.016, 0.026)
    loss = rng.uniform(1.2, 4.0)
    open_loss = 1 - 10 ** rng.uniform(-2.2, -0.8)
    length = rng.uniform(0.5, 1.1) if collector else rng.uniform(0.8, 2.2)
    groups = _groups(engine, collector, rng)
    outlet_of = [next(g for g, members in enumerate(groups) if c in members) for c in range(len(engine.firing_deg))]
    valves = len(engine.firing_deg)
    joint = valves
    heads: list[Pipe] = []
    tails: list[Pipe] = []
    tail_m = []
    ends: dict[int, int] = {}
    for g, _ in enumerate(groups):
        parts: list[tuple[float, float, float]] = []  # length, radius, extra loss
        if collector:
            parts.append((rng.uniform(0.45, 1.3), radius * rng.uniform(1.0, 1.35), 1.0))
        if muffler:
            parts.append((rng.uniform(0.45, 0.8), radius * rng.uniform(2.0, 3.4), rng.uniform(1.0, 40.0)))
            parts.append((rng.uniform(0.45, 0.7), radius * rng.uniform(0.8, 1.1), 1.0))
        ends[g] = joint if parts else OPEN
        for i, (part_m, part_radius, extra) in enumerate(parts):
            last = i == len(parts) - 1
            tails.append(
                Pipe(
                    start=joint,
                    end=OPEN if last else joint + 1,
                    length_m=part_m,
                    radius_m=part_radius,
                    sound_m_per_s=sound * (1 - 0.06 * i),
                    loss=loss * extra,
                    open_loss=open_loss,
                )
            )
            joint += 1
        tail_m.append(sum(p[0] for p in parts))
    first_path = []
    for c in range(valves):
        own_m = max(0.46, length + rng.uniform(-0.5, 0.5) * uneven_m)
        heads.append(
            Pipe(
                start=c,
                end=ends[outlet_of[c]],
                length_m=own_m,
                radius_m=radius,
                sound_m_per_s=sound,
                loss=loss,
                open_loss=open_loss,
            )
        )
        first_path.append((own_m + tail_m[outlet_of[c]], sound))
    if ends[0] == OPEN:  # outlets are counted in the order of the pipes: one a cylinder
        outlet_of = list(range(valves))
    base = near_m or rng.uniform(0.5, 5.0)
    mics = tuple(tuple(float(base + rng.uniform(0, far_m)) for _ in range(len(groups))) for _ in range(microphones))
    return Plumbing(pipes=(*heads, *tails), mic_m=mics, first_path_m=tuple(first_path), outlet_of=tuple(outlet_of))


def health(rng: Rng, engine: Engine, *, hard: bool) -> tuple[Health, dict[str, Any]]:
    """Cylinder strengths, scatter and misfires, and what is wrong in words."""
    n = len(engine.firing_deg)
    spread = rng.uniform(0, 0.30 if hard else 0.15)
    strength = np.clip(1 + spread * rng.uniform(-1, 1, n), 0.3, None)
    misfire = np.zeros(n)
    said: dict[str, Any] = {"spread": round(float(spread), 3), "weak": None, "misfire": 0.0}
    fault = rng.random()
    if n > 1 and fault < (0.12 if hard else 0.05):
        said["weak"] = int(rng.integers(n))
        strength[said["weak"]] *= rng.uniform(0.45, 0.75)
    elif fault < (0.25 if hard else 0.10):
        misfire[:] = said["misfire"] = round(float(rng.uniform(0.01, 0.12 if hard else 0.05)), 3)
    scatter = rng.uniform(0.01, 0.15 if hard else 0.08)
    timing = rng.uniform(0.0, 2.0 if hard else 1.0)
    said |= {"scatter": round(float(scatter), 3), "timing_deg": round(float(timing), 2)}
    return Health(strength=tuple(strength), scatter=scatter, timing_deg=timing, misfire=tuple(misfire)), said


def draw_run(rng: Rng, engine: Engine, motion: Motion, band: str, fixed: dict[str, Any]) -> tuple[Run, dict[str, Any]]:
    """Draw a machine to run at a speed; `fixed` may set collector, muffler, microphones, ticks...."""
    hard = fixed.get("hard", False)
    collector = fixed.get("collector", bool(rng.random() < 0.5))
    muffler = fixed.get("muffler", bool(collector and rng.random() < 0.65))
    unequal = rng.random() < 0.6
    built = plumbing(
        rng,
        engine,
        collector=collector,
        muffler=muffler,
        microphones=fixed.get("microphones", 1),
        uneven_m=fixed.get("uneven_m", (0.5 if hard else 0.25) * unequal),
        near_m=fixed.get("near_m", 0.0),
        far_m=fixed.get("far_m", (1.2 if hard else 0.4) * (rng.random() < 0.6)),
    )
    pulls, said = fixed["health"] if "health" in fixed else health(rng, engine, hard=hard)
    two_stroke = engine.cycle_deg == 360
    cylinder = Cylinder(
        bore_m=rng.uniform(0.055, 0.095),
        stroke_m=rng.uniform(0.05, 0.09),
        opens_deg=rng.uniform(85, 105) if two_stroke else rng.uniform(110, 140),
        open_for_deg=float(rng.integers(150, 185)) if two_stroke else float(rng.integers(220, 275)),
        sharpness=1.0 if two_stroke else rng.uniform(1.4, 2.2),
        area_ratio=rng.uniform(0.05, 0.2),
        compression=rng.uniform(7, 11),
    )
    low_pa, high_pa = {"idle": (1.5e5, 3.0e5), "low": (1.8e5, 4.2e5), "high": (2.2e5, 6.0e5)}[band]
    run = Run(
        engine=engine,
        motion=motion,
        cylinder=cylinder,
        plumbing=built,
        health=pulls,
        opening_pa=rng.uniform(low_pa, high_pa),
        steepening=rng.uniform(0.2, 1.0),
        swallow=rng.uniform(0.05, 0.5),
        damping_hz=10 ** rng.uniform(1.8, 3.5),
        valve_noise=10 ** rng.uniform(-2.6, -0.9),
        jet_noise=10 ** rng.uniform(-2.0, -0.4),
        ground=rng.uniform(0, 0.9),
        mic_height_m=rng.uniform(0.3, 1.6),
        ticks=fixed.get("ticks", rng.uniform(0.05, 0.6) * (rng.random() < 0.5)),
    )
    return run, said | {"collector": collector, "muffler": muffler}


def _recorded(
    rng: Rng, x: Floats, rate_hz: int, *, snr_db: float, colour: str, hard: bool
) -> tuple[Floats, dict[str, Any]]:
    """Room, noise and recorder faults on a clean sound; the truth about them."""
    said: dict[str, Any] = {"noise": colour, "faults": []}

    def happens(easy: float, difficult: float, name: str) -> bool:
        yes = bool(rng.random() < (difficult if hard else easy))
        if yes:
            said["faults"].append(name)
        return yes

    if happens(0.1, 0.3, "room"):
        x = recording.room(rng, x, rate_hz, rng.uniform(0.15, 0.9), 10 ** rng.uniform(-1.5, 0.2))
    size = x.std()
    for channel in range(x.shape[1]):
        x[:, channel] += size * 10 ** (-snr_db / 20) * recording.coloured(rng, len(x), rate_hz, colour)
    if happens(0.0, 0.15, "rattle"):
        x += (size * rng.uniform(0.5, 2.5) * recording.rattle(rng, len(x), rate_hz, rng.uniform(1, 20)))[:, None]
    if happens(0.03, 0.12, "hum"):
        x += (size * 10 ** rng.uniform(-1.5, -0.5) * recording.hum(rng, len(x), rate_hz))[:, None]
    if happens(0.03, 0.15, "phone"):
        x = recording.band_limited(x, rate_hz, rng.uniform(80, 280), rng.uniform(3000, 8000))
    if happens(0.03, 0.12, "agc"):
        x = recording.gain_ridden(x, rate_hz, rng.uniform(0.3, 0.9), rng.uniform(0.05, 1.0))
    x *= min(0.95 / np.abs(x).max(), 0.25 / x.std())
    said["clipped"] = happens(0.03, 0.12, "clipped")
    if said["clipped"]:
        limit = np.quantile(np.abs(x), rng.uniform(0.9, 0.995))
        x = np.clip(x / limit, -1, 1) * 0.999
    said["codec"] = ("ogg", "mp3")[int(rng.random() < 0.3)] if happens(0.06, 0.2, "codec") else None
    if said["codec"] == "mp3" and rate_hz not in (16000, 22050, 24000, 32000, 44100, 48000):
        said["codec"] = "ogg"
    if said["codec"]:
        x = recording.through_codec(0.9 * x, rate_hz, said["codec"], rng.uniform(0.3, 0.95))
    return x, said


def track(motion: Motion, duration_s: float, step_s: float = 0.25) -> list[list[float]]:
    """Read the true speed at even steps."""
    t = np.arange(step_s, duration_s - step_s / 2, step_s)
    return [[round(float(a), 3), round(float(b), 2)] for a, b in zip(t, motion.rpm_at(t), strict=True)]


def engine_clip(rng: Rng, *, hard: bool = False, **fixed: Any) -> tuple[Floats, int, dict[str, Any]]:
    """One engine clip, drawn at random but for what `fixed` names.

    Returns
    -------
    samples : ndarray, shape (frames, channels)
    sample_rate_hz : int
    truth : dict
        Layout, firing angles, speed over time, and how the clip was spoilt.
    """
    engine = fixed["engine"] if "engine" in fixed else draw_engine(rng)
    band = fixed.get("band", BANDS[int(rng.choice(3, p=[0.4, 0.27, 0.33]))])
    kinds = ("steady", "drift", "sweep", "blip", "hunt")
    kind = fixed.get("kind", str(rng.choice(kinds, p=[0.17, 0.33, 0.18, 0.24, 0.08])))
    usual = 6.0 if rng.random() < (0.6 if hard else 0.8) else float(rng.uniform(1.5, 12.0))
    duration = float(fixed.get("duration_s", usual))
    wander = fixed.get("wander", rng.uniform(0, 0.004) * (rng.random() < 0.7))
    base_rpm = fixed.get("rpm", draw_rpm(rng, band, engine))
    motion = speed_curve(rng, kind, base_rpm, duration, wander)
    ripple = fixed.get("ripple", rng.uniform(0, 0.012 if hard else 0.005) * (1.0 if band == "idle" else 0.3))
    moving = with_torque_ripple(motion, engine.firing_deg, engine.cycle_deg, ripple)
    microphones = int(1 + (rng.random() < 0.12))
    run, said = draw_run(rng, engine, moving, band, {"microphones": microphones, "hard": hard, **fixed})
    clean = at_microphones(run, rng)
    rate = int(fixed.get("rate_hz", rng.choice(RATES_HZ)))
    clean = recording.resampled(clean, SIM_HZ, rate)
    snr = float(fixed.get("snr_db", rng.uniform(3, 30) if hard else rng.choice([12.0, 20.0, 30.0])))
    colour = fixed.get("noise", str(rng.choice(["white", "pink", "wind", "traffic"], p=[0.35, 0.35, 0.15, 0.15])))
    if fixed.get("spoil", True):
        x, spoilt = _recorded(rng, clean, rate, snr_db=snr, colour=colour, hard=hard)
    else:
        noise = np.column_stack([recording.coloured(rng, len(clean), rate, colour) for _ in clean.T])
        x = clean + clean.std() * 10 ** (-snr / 20) * noise
        x *= min(0.95 / np.abs(x).max(), 0.25 / x.std())
        spoilt = {"noise": colour, "faults": [], "clipped": False, "codec": None}
    inside = (motion.time_s >= 0) & (motion.time_s <= duration)
    rpm = motion.rpm[inside]
    truth = {
        "layout": engine.name,
        "cycle_deg": engine.cycle_deg,
        "firing_deg": list(engine.firing_deg),
        "rpm_mean": float(rpm.mean()),
        "rpm_min": float(rpm.min()),
        "rpm_max": float(rpm.max()),
        "heard_deg": heard_deg(run, float(rpm.mean())),
        "intervals_deg": engine.intervals_deg,
        "kind": kind,
        "band": band,
        "snr_db": round(snr, 1),
        "fs": rate,
        "duration_s": duration,
        "ripple": round(float(ripple), 4),
        "rpm_track": track(motion, duration),
    }
    if fixed.get("dense"):
        truth["rpm_dense"] = track(motion, duration, 0.02)
    return x, rate, truth | said | spoilt
