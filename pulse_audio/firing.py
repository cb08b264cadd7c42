"""When each cylinder fires: a layout and a speed curve make a list of firing events."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pulse_audio.layout import Layout
from pulse_audio.speed import SpeedCurve


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class FiringEvents:
    """Firings in order of time; all arrays have shape (n_events,).

    Attributes
    ----------
    time_s : ndarray of float, increasing
    cylinder : ndarray of int, from 0 (cylinder 1 is 0)
    cycle : ndarray of int, from 0
    crank_deg : ndarray of float, crank angle turned since time 0
    strength : ndarray of float, 1 for a firing of average strength, 0 for a misfire
    """

    time_s: NDArray[np.float64]
    cylinder: NDArray[np.int64]
    cycle: NDArray[np.int64]
    crank_deg: NDArray[np.float64]
    strength: NDArray[np.float64]


def firing_events(layout: Layout, speed: SpeedCurve, *, duration_s: float, start_deg: float = 0.0) -> FiringEvents:
    """Return every firing with ``0 <= time_s < duration_s`` of a perfectly regular engine.

    Parameters
    ----------
    layout : Layout
    speed : SpeedCurve
    duration_s : float
    start_deg : float
        Crank angle in the cycle at time 0.

    Returns
    -------
    FiringEvents
        Times are exact for the piecewise-linear speed (to rounding, below 1e-9 s in an hour).
    """
    turned_deg = float(speed.crank_deg(duration_s)[0])
    last_cycle = int((start_deg + turned_deg) // layout.cycle_deg) + 1
    order = np.argsort([c.firing_deg for c in layout.cylinders], kind="stable")
    in_cycle_deg = np.array([layout.cylinders[i].firing_deg for i in order])
    cycles = np.arange(last_cycle + 1)
    angle_deg = (cycles[:, None] * layout.cycle_deg + in_cycle_deg[None, :]).ravel() - start_deg
    time_s = speed.time_at_deg(angle_deg)
    inside = (angle_deg >= 0) & (time_s < duration_s)
    return FiringEvents(
        time_s=time_s[inside],
        cylinder=np.tile(order, cycles.size)[inside].astype(np.int64),
        cycle=np.repeat(cycles, order.size)[inside].astype(np.int64),
        crank_deg=angle_deg[inside],
        strength=np.ones(int(inside.sum())),
    )
