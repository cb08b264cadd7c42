"""A running engine heard by a microphone: crank, cylinders, pipes and the air between."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, lfilter

from tests.clipmaker import gas, pipes
from tests.clipmaker.gas import Cylinder
from tests.clipmaker.layouts import Engine
from tests.clipmaker.motion import RUN_UP_S, Motion
from tests.clipmaker.pipes import OPEN, Pipe

Floats = NDArray[np.float64]
SIM_HZ = 24000
AIR_M_PER_S = 343.2
GAS_DENSITY = 0.55


@dataclass(frozen=True, kw_only=True, slots=True)
class Plumbing:
    """The exhaust: pipes, and for each open end its distances from the microphones."""

    pipes: tuple[Pipe, ...]
    mic_m: tuple[tuple[float, ...], ...]  # [microphone][open end]
    first_path_m: tuple[tuple[float, ...], ...]  # [cylinder]: lengths of pipe from valve to open end
    outlet_of: tuple[int, ...]  # [cylinder]: its nearest open end


@dataclass(frozen=True, kw_only=True, slots=True)
class Health:
    """How regularly the cylinders pull."""

    strength: tuple[float, ...]  # [cylinder]
    scatter: float = 0.05  # of strength from cycle to cycle
    timing_deg: float = 0.5  # scatter of the moment of opening
    misfire: tuple[float, ...] = ()  # [cylinder]: share of cycles without burning


@dataclass(frozen=True, kw_only=True, slots=True)
class Run:
    """Everything that the sound follows from."""

    engine: Engine
    motion: Motion
    cylinder: Cylinder
    plumbing: Plumbing
    health: Health
    opening_pa: float = 3.5e5  # cylinder pressure when the exhaust valve opens
    opening_k: float = 1250.0
    steepening: float = 0.5  # 1: as much as the theory of finite waves says
    swallow: float = 0.3  # admittance of the open valve, its area for area, over that of the pipe
    damping_hz: float = 3000.0  # absorbing wool and baffles take what lies above
    valve_noise: float = 0.1
    jet_noise: float = 0.1
    ground: float = 0.5  # strength of the reflection from the ground
    mic_height_m: float = 1.0
    ticks: float = 0.0  # mechanical clatter against the exhaust


def _openings(run: Run, cylinder: int, rng: np.random.Generator) -> tuple[Floats, Floats, Floats]:
    """Crank angle, pressure and temperature at each opening of one cylinder's valve."""
    engine, motion = run.engine, run.motion
    first = engine.firing_deg[cylinder] + run.cylinder.opens_deg - 2 * engine.cycle_deg
    angle = np.arange(first, motion.angle_deg[-1] - run.cylinder.open_for_deg, engine.cycle_deg)
    angle = angle[angle > motion.angle_deg[0]]
    n = len(angle)
    strength = run.health.strength[cylinder] * np.exp(run.health.scatter * rng.standard_normal(n))
    missed = rng.random(n) < (run.health.misfire[cylinder] if run.health.misfire else 0.0)
    pressure = gas.AMBIENT_PA + np.maximum(run.opening_pa * strength - gas.AMBIENT_PA, -0.4 * gas.AMBIENT_PA)
    pressure = np.where(missed, gas.AMBIENT_PA * rng.uniform(0.75, 1.1, n), pressure)
    kelvin = np.where(missed, 450.0, run.opening_k * strength**0.3)
    return angle + run.health.timing_deg * rng.standard_normal(n), pressure, kelvin


def gas_pulses(run: Run, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Volume velocity and open valve area of every cylinder at the simulation rate; shape (cylinders, samples)."""
    motion = run.motion
    duration = motion.time_s[-1] - motion.time_s[0]
    t = motion.time_s[0] + np.arange(int(duration * SIM_HZ)) / SIM_HZ
    since = np.arange(run.cylinder.open_for_deg)
    area = run.cylinder.valve_m2(since + 0.5)
    inflow, opened = np.zeros((2, len(run.engine.firing_deg), len(t)))
    for c in range(len(run.engine.firing_deg)):
        angle, pressure, kelvin = _openings(run, c, rng)
        rpm = motion.rpm_at(motion.time_at(angle))
        flow = gas.outflow(run.cylinder, pressure, kelvin, rpm)
        at = motion.time_at(angle[:, None] + since[None, :] + 0.5)
        order = np.maximum.accumulate(at.ravel())  # timing scatter never makes a valve open before it has shut
        inflow[c] = np.interp(t, order, flow.ravel()) / GAS_DENSITY
        opened[c] = np.interp(t, order, np.tile(area, len(angle)))
    return inflow, opened


def steepened(inflow: Floats, pipe: Pipe, amount: float) -> Floats:
    """Let the crests of a wave outrun its troughs over a pipe's length, as waves of finite size do.

    Speed of a crest c + (g + 1)/2 u with u = p/(rho c); the front stays single-valued (a shock) by a running maximum.
    """
    area = np.pi * pipe.radius_m**2
    velocity = inflow / area
    lead = amount * (gas.GAMMA + 1) / 2 * velocity / pipe.sound_m_per_s**2 * pipe.length_m * SIM_HZ
    n = np.arange(len(inflow), dtype=float)
    arrives = np.maximum.accumulate(n - np.clip(lead, -20, 40))
    return np.interp(n, arrives, inflow)


def _noise(rng: np.random.Generator, samples: int, low_hz: float, high_hz: float) -> Floats:
    b, a = butter(1, [low_hz / (SIM_HZ / 2), min(high_hz, 0.45 * SIM_HZ) / (SIM_HZ / 2)], "band")
    x = lfilter(b, a, rng.standard_normal(samples))
    return x / x.std()


def _one_pole(x: Floats, corner_hz: float) -> Floats:
    pole = np.exp(-2 * np.pi * corner_hz / SIM_HZ)
    return lfilter([1 - pole], [1, -pole], x)


def _delayed(x: Floats, delay_s: float) -> Floats:
    """Shift by a fraction of a sample with linear interpolation; nothing is lost but the last instants."""
    n = delay_s * SIM_HZ
    whole, part = int(n), n - int(n)
    out = np.zeros_like(x)
    stop = len(x) - whole
    out[whole:] = (1 - part) * x[:stop]
    out[whole + 1 :] += part * x[: stop - 1]
    return out


def outlet_pressure(run: Run, rng: np.random.Generator) -> Floats:
    """Pressure that each open end alone makes at 1 m, shape (open ends, samples), from the run-up on."""
    inflow, opened = gas_pulses(run, rng)
    for c in range(len(inflow)):
        pipe = run.plumbing.pipes[c]
        hiss = run.valve_noise * _noise(rng, inflow.shape[1], 400, 6000)
        inflow[c] = steepened(inflow[c], pipe, run.steepening) * (1 + hiss)
        opened[c] *= run.swallow / (np.pi * pipe.radius_m**2)
    waves = pipes.run(list(run.plumbing.pipes), inflow, opened, sample_rate_hz=SIM_HZ, density_kg_per_m3=GAS_DENSITY)
    tails = [p for p in run.plumbing.pipes if OPEN in (p.start, p.end)]
    out = []
    for flow, pipe in zip(waves.outflow, tails, strict=True):
        area = np.pi * pipe.radius_m**2
        tone = GAS_DENSITY / (4 * np.pi) * np.gradient(flow) * SIM_HZ
        tone = _one_pole(_one_pole(tone, pipe.sound_m_per_s / (2 * np.pi * pipe.radius_m)), run.damping_hz)
        speed = np.abs(_one_pole(flow, 1500)) / area
        jet = speed**2 / (speed**2).mean() * _noise(rng, len(flow), 300, 3000)
        out.append(tone + run.jet_noise * tone.std() / jet.std() * jet)
    return np.array(out)


def _clatter(run: Run, samples: int, rng: np.random.Generator) -> Floats:
    """Valve-gear clicks, twice a cycle for each cylinder, with sizes of their own."""
    out = np.zeros(samples)
    motion, engine = run.motion, run.engine
    ring = int(0.004 * SIM_HZ)
    t = np.arange(ring) / SIM_HZ
    for firing in engine.firing_deg:
        for offset in rng.uniform(0, engine.cycle_deg, 2):
            angle = np.arange(firing + offset, motion.angle_deg[-1], engine.cycle_deg)
            at = ((motion.time_at(angle + rng.normal(0, 1, len(angle))) - motion.time_s[0]) * SIM_HZ).astype(int)
            click = rng.uniform(0.3, 1) * np.sin(2 * np.pi * rng.uniform(1500, 6000) * t) * np.exp(-t * 1500)
            for i in at[(at >= 0) & (at < samples - ring)]:
                out[i : i + ring] += click * rng.uniform(0.6, 1.2)
    return out


def at_microphones(run: Run, rng: np.random.Generator) -> Floats:
    """Sound pressure at each microphone at ``SIM_HZ``, shape (samples, microphones); starts at time 0."""
    source = outlet_pressure(run, rng)
    samples = source.shape[1]
    clatter = _clatter(run, samples, rng) if run.ticks else np.zeros(samples)
    heard = []
    for distances in run.plumbing.mic_m:
        near = min(distances)
        p = np.zeros(samples)
        for x, d in zip(source, distances, strict=True):
            mirrored = np.sqrt(d**2 + 4 * 0.3 * run.mic_height_m)  # outlet 0.3 m above the ground
            p += _delayed(x, (d - near) / AIR_M_PER_S) * near / d
            p += run.ground * _delayed(x, (mirrored - near) / AIR_M_PER_S) * near / mirrored
        heard.append(p + run.ticks * p.std() * clatter / (np.abs(clatter).max() + 1e-12))
    start = round(RUN_UP_S * SIM_HZ)
    stop = start + round((run.motion.time_s[-1] - 0.2) * SIM_HZ)
    return np.array(heard).T[start:stop]


def heard_deg(run: Run, mean_rpm: float) -> list[float]:
    """Give the firing angles as the first microphone hears them: later by the way through pipes and air."""
    distances = run.plumbing.mic_m[0]
    travel = [
        length / sound + distances[outlet] / AIR_M_PER_S
        for (length, sound), outlet in zip(run.plumbing.first_path_m, run.plumbing.outlet_of, strict=True)
    ]
    late = [(t - min(travel)) * 6 * mean_rpm for t in travel]
    return [round(f + x, 2) for f, x in zip(run.engine.firing_deg, late, strict=True)]
