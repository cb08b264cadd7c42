"""Order spectrum of a firing pattern: which multiples of the crank speed its pulses add up in, and which cancel.

Order 1 is once a turn of the crank. A four-stroke pattern repeats every second turn, so it holds half orders too.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pulse_audio.layout import Layout

DEFAULT_COUNT = 24
VANISHING = 1e-3  # of the full sum; angles typed to 0.01 degree leave this much at order 12
USUAL_ORDERS = 12.0


def order_amplitudes(
    firing_deg: ArrayLike, cycle_deg: float, gains: ArrayLike | None = None, count: int = DEFAULT_COUNT
) -> NDArray[np.complex128]:
    """Return the sum of all pulses at each harmonic of the cycle.

    ``S_m = sum_k g_k exp(-2 pi i m theta_k / cycle)``: the Fourier coefficients of a train of unit pulses, times the
    cycle (impulse train and time-shift property of the Fourier series).

    Parameters
    ----------
    firing_deg : array_like, shape (k,)
        Firing angles in the cycle.
    cycle_deg : float
        720 or 360.
    gains : array_like, shape (k,), optional
        Strength of each pulse, 1 if absent.
    count : int
        Highest harmonic.

    Returns
    -------
    ndarray of complex, shape (count + 1,)
        Element m belongs to order ``m * 360 / cycle_deg``; element 0 is the sum of the gains.
    """
    phases = pulse_phases(firing_deg, cycle_deg, count)
    weights = np.ones(phases.shape[1]) if gains is None else np.asarray(gains, dtype=np.float64)
    return np.asarray(phases @ weights)


def pulse_phases(firing_deg: ArrayLike, cycle_deg: float, count: int) -> NDArray[np.complex128]:
    """Return the phase of each pulse at each harmonic of the cycle from 0 to `count`, shape (count + 1, k)."""
    angles = np.asarray(firing_deg, dtype=np.float64)
    return np.asarray(np.exp(-2j * np.pi * np.outer(np.arange(count + 1), angles) / cycle_deg))


@dataclass(frozen=True, kw_only=True, slots=True)
class OrderTable:
    """Order spectrum of a layout with equal cylinders.

    Attributes
    ----------
    order : tuple of float
        Multiples of the crank speed, from the lowest that the cycle has.
    share : tuple of float
        Size of the sum at each order over the number of cylinders: 1 all pulses add up, 0 they cancel.
    """

    order: tuple[float, ...]
    share: tuple[float, ...]

    @property
    def vanishing(self) -> tuple[float, ...]:
        """Orders at which the pulses cancel."""
        return tuple(o for o, s in zip(self.order, self.share, strict=True) if s < VANISHING)

    @property
    def strongest(self) -> tuple[float, ...]:
        """Orders with the largest sum in the table, lowest first."""
        top = max(self.share)
        return tuple(o for o, s in zip(self.order, self.share, strict=True) if s > top - VANISHING)


def pulse_rate_order(layout: Layout) -> float:
    """Return how many pulses come in a turn of the crank: the order at which all of an even layout's add up."""
    return len(layout.pulse_intervals_deg) * 360.0 / layout.cycle_deg


def top_order(layout: Layout) -> float:
    """Return the highest order that is told of a layout: 12, or that of its pulses where they come more often."""
    return max(USUAL_ORDERS, pulse_rate_order(layout))


def order_table(layout: Layout, *, highest_order: float = 6.0) -> OrderTable:
    """Return how well the pulses of a layout add up at each order up to `highest_order`."""
    step = 360.0 / layout.cycle_deg
    count = int(highest_order / step)
    sizes = np.abs(order_amplitudes(layout.firing_deg, layout.cycle_deg, count=count)) / len(layout.cylinders)
    return OrderTable(
        order=tuple(step * m for m in range(1, count + 1)),
        share=tuple(float(s) for s in sizes[1:]),
    )
