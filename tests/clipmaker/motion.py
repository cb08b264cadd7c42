"""Crank motion: speed curves and the crank angle that follows from them."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
STEP_S = 5e-4
RUN_UP_S = 0.6  # lets the pipes ring up and the valves find their rhythm before the clip starts


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Motion:
    """Crank angle over time, from ``-RUN_UP_S`` to the clip's end."""

    time_s: Floats
    rpm: Floats
    angle_deg: Floats

    def time_at(self, angle_deg: Floats) -> Floats:
        """Time at which the crank stands at an angle."""
        return np.interp(angle_deg, self.angle_deg, self.time_s)

    def rpm_at(self, time_s: Floats) -> Floats:
        """Speed at a time."""
        return np.interp(time_s, self.time_s, self.rpm)


def _slow_noise(rng: np.random.Generator, time_s: Floats, corner_hz: float) -> Floats:
    """Noise of unit size with no faster part than about `corner_hz`."""
    knots = max(4, int((time_s[-1] - time_s[0]) * corner_hz * 2) + 4)
    smooth = np.convolve(rng.standard_normal(knots), [0.25, 0.5, 0.25], "same") / 0.61
    return np.interp(np.linspace(0, 1, len(time_s)), np.linspace(0, 1, knots), smooth)


def speed_curve(rng: np.random.Generator, kind: str, base_rpm: float, duration_s: float, wander: float) -> Motion:
    """Draw a speed curve of one kind: ``steady``, ``drift``, ``hunt``, ``sweep`` or ``blip``.

    `wander` is the relative size of the unsteadiness that comes on top.
    """
    t = np.arange(-RUN_UP_S, duration_s + 0.2, STEP_S)
    late = np.clip(t, 0, duration_s)
    if kind == "steady":
        shape = np.ones_like(t)
    elif kind == "drift":
        shape = 1 + rng.uniform(0.008, 0.03) * _slow_noise(rng, t, rng.uniform(0.2, 1.0))
    elif kind == "hunt":
        shape = 1 + rng.uniform(0.02, 0.08) * np.sin(2 * np.pi * rng.uniform(0.3, 1.4) * t + rng.uniform(0, 6.28))
    elif kind == "sweep":
        ratio = rng.uniform(1.3, 2.3)
        bend = rng.uniform(0.7, 1.4)
        shape = ratio ** ((late / duration_s) ** bend)
        shape = shape[::-1] if rng.random() < 0.35 else shape
        shape = shape / np.sqrt(ratio)
    elif kind == "blip":
        shape = np.ones_like(t)
        for _ in range(1 if duration_s < 5 else int(rng.integers(1, 3))):
            start, rise, fall = rng.uniform(0.1, 0.8) * duration_s, rng.uniform(0.12, 0.45), rng.uniform(0.35, 1.1)
            since = t - start
            up = 0.5 - 0.5 * np.cos(np.pi * np.clip(since / rise, 0, 1))
            shape = shape + rng.uniform(0.3, 0.9) * up * np.exp(-np.clip(since - rise, 0, None) / fall)
    else:
        raise ValueError(f"kind={kind}: no such speed curve")
    rpm = base_rpm * shape * (1 + wander * _slow_noise(rng, t, 4.0))
    angle = np.concatenate([[0], np.cumsum(3 * (rpm[1:] + rpm[:-1]) * STEP_S)])
    return Motion(time_s=t, rpm=rpm, angle_deg=angle)


def with_torque_ripple(motion: Motion, firing_deg: tuple[float, ...], cycle_deg: float, size: float) -> Motion:
    """Let the crank speed up after each firing and slow down before the next.

    Torque pulses of unit area at the firings, integrated twice: order m of the angle swing is S_m / m^2.
    `size` is the relative speed ripple of a single-cylinder engine at order one of the cycle.
    """
    turn = 2 * np.pi * motion.angle_deg / cycle_deg
    swing = np.zeros_like(turn)
    for m in range(1, 7):
        s_m = np.exp(-2j * np.pi * m * np.asarray(firing_deg) / cycle_deg).sum() / len(firing_deg)
        swing -= size / m**2 * np.real(s_m * np.exp(1j * m * turn)) * cycle_deg / (2 * np.pi)
    return Motion(time_s=motion.time_s, rpm=motion.rpm, angle_deg=motion.angle_deg + swing)
