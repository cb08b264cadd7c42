"""Exhaust pipes as travelling-wave delay lines (waveguides) joined by scattering at their ends.

Every pipe carries one pressure wave each way. Where pipes meet, pressure is common and volume velocity adds to zero;
a closed valve is a meeting of one pipe; an open end has no pressure but for what it radiates. Because a wave needs
time to cross a pipe, samples up to the shortest crossing are computed at once.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
TAPS = 6
OPEN = -1
END_CORRECTION = 0.6133  # of the radius; unflanged pipe, Dalmont, Nederveen & Joly, J. Sound Vib. 244 (2001) 505-534


@dataclass(frozen=True, kw_only=True, slots=True)
class Pipe:
    """A length of pipe from node `start` to node `end`; node ``OPEN`` is the outside."""

    start: int
    end: int
    length_m: float
    radius_m: float
    sound_m_per_s: float = 480.0
    loss: float = 1.5  # times the wall loss of a smooth pipe in still air
    open_loss: float = 0.95  # share of the wave that flow at the open end leaves to be reflected


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Waves:
    """What came out of the pipes."""

    outflow: Floats  # volume velocity at each open end, m^3/s, shape (open ends, samples)
    valve_pa: Floats  # pressure at each valve, shape (valves, samples)


def open_end_reflection(ka: Floats) -> Floats:
    """Size of the reflection at an unflanged open end (Davies et al., J. Sound Vib. 72 (1980) 543; ka < 1.5)."""
    k = np.minimum(ka, 1.5)
    poly = 1 + 0.01336 * k - 0.59079 * k**2 + 0.33576 * k**3 - 0.06432 * k**4
    return poly * np.exp(-0.9 * np.maximum(ka - 1.5, 0))


def wall_loss_np_per_m(frequency_hz: Floats, radius_m: float) -> Floats:
    """Kirchhoff's loss of a plane wave in a smooth wide pipe, air at 20 C."""
    return 2.964e-5 * np.sqrt(frequency_hz) / radius_m


def _crossing(pipe: Pipe, sample_rate_hz: float, from_open: bool) -> tuple[int, Floats]:
    """Whole samples and a short FIR filter that stand for one crossing of a pipe, least-squares fitted."""
    length = pipe.length_m + (END_CORRECTION * pipe.radius_m if OPEN in (pipe.start, pipe.end) else 0.0)
    delay = length / pipe.sound_m_per_s * sample_rate_hz
    whole = int(np.floor(delay)) - (TAPS // 2 - 1)
    f = np.linspace(0, 0.4, 60) * sample_rate_hz
    size = np.exp(-pipe.loss * wall_loss_np_per_m(np.maximum(f, 30.0), pipe.radius_m) * pipe.length_m)
    if from_open:
        size = size * pipe.open_loss * open_end_reflection(2 * np.pi * f * pipe.radius_m / pipe.sound_m_per_s)
    w = 2 * np.pi * f / sample_rate_hz
    wanted = size * np.exp(-1j * w * (delay - whole))
    basis = np.exp(-1j * np.outer(w, np.arange(TAPS)))
    taps = np.linalg.lstsq(np.vstack([basis.real, basis.imag]), np.r_[wanted.real, wanted.imag], rcond=None)[0]
    top = np.abs(np.fft.rfft(taps, 512)).max()
    return whole, taps * min(1.0, 0.9999 / top)


def _scattering(pipes: list[Pipe], admittance: Floats) -> Floats:
    """Waves leaving all pipe ends from the waves arriving there; ends 2i and 2i+1 belong to pipe i."""
    node = np.array([n for p in pipes for n in (p.start, p.end)])
    y = np.repeat(admittance, 2)
    meet = (node[:, None] == node[None, :]) & (node[:, None] != OPEN)
    share = np.where(meet, 2 * y[None, :], 0.0) / np.maximum((meet * y[None, :]).sum(axis=1, keepdims=True), 1e-30)
    return share - np.eye(len(node))


def run(
    pipes: list[Pipe], inflow: Floats, valve_open: Floats, *, sample_rate_hz: float, density_kg_per_m3: float = 0.55
) -> Waves:
    """Let gas pulses run through the pipes.

    Parameters
    ----------
    pipes : list of Pipe
        Pipe i starts at valve i, for as many as there are rows of `inflow`; the other nodes are joints.
    inflow : ndarray, shape (valves, samples)
        Volume velocity through each valve, m^3/s.
    valve_open : ndarray, shape (valves, samples)
        Admittance of the open valve over that of the pipe: 0 reflects all, 1 swallows all.
    """
    valves, samples = inflow.shape
    impedance = np.array([density_kg_per_m3 * p.sound_m_per_s / (np.pi * p.radius_m**2) for p in pipes])
    scatter = _scattering(pipes, 1 / impedance)
    ends = 2 * len(pipes)
    paths = [_crossing(p, sample_rate_hz, from_open=(n == OPEN)) for p in pipes for n in (p.end, p.start)]
    whole = np.array([d for d, _ in paths])  # entry e: the crossing that arrives at end e
    block = int(whole.min())
    if block < 1:
        raise ValueError("a pipe is shorter than the filters that stand for its crossing")
    lead = int(whole.max()) + TAPS
    length = lead + samples + block
    leaving = np.zeros((ends, length))
    # Arrival = sum over taps of leaving[n - whole - tap]: one gather, one product with a banded matrix per path.
    window = np.arange(-(TAPS - 1), block)
    from_end = np.arange(ends) ^ 1
    gather = from_end[:, None] * length + lead - whole[:, None] + window[None, :]
    band = np.zeros((ends, block + TAPS - 1, block))
    for e, (_, taps) in enumerate(paths):
        for k in range(TAPS):
            band[e, np.arange(block) + TAPS - 1 - k, np.arange(block)] = taps[k]
    arriving = np.empty((ends, 1, block))
    swallow = np.zeros((valves, samples + block))
    swallow[:, :samples] = 2 * valve_open / (1 + valve_open)
    push = np.zeros((valves, samples + block))
    push[:, :samples] = impedance[:valves, None] * inflow
    outlets = [2 * i + j for i, p in enumerate(pipes) for j, n in enumerate((p.start, p.end)) if n == OPEN]
    heard = np.zeros((len(outlets), samples + block))
    at_valve = np.zeros((valves, samples + block))
    flat = leaving.reshape(-1)
    valve_rows = slice(0, 2 * valves, 2)
    for n in range(0, samples, block):
        np.matmul(flat.take(gather + n)[:, None, :], band, out=arriving)
        arrived = arriving[:, 0, :]
        left = scatter @ arrived
        left[valve_rows] += push[:, n : n + block] - swallow[:, n : n + block] * arrived[valve_rows]
        leaving[:, lead + n : lead + n + block] = left
        heard[:, n : n + block] = arrived[outlets]
        at_valve[:, n : n + block] = left[valve_rows] + arrived[valve_rows]
    outlet_impedance = np.array([impedance[e // 2] for e in outlets])[:, None]
    return Waves(outflow=2 * heard[:, :samples] / outlet_impedance, valve_pa=at_valve[:, :samples])
