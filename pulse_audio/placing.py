"""Where sounds stand between left and right.

The mean of the two channels is the mono sound but for a constant, so that a mono sum stays level; the constant keeps
the loudness that the mono sound has.
"""

import numpy as np
from numpy.typing import NDArray

from pulse_audio.exhaust import Exhaust
from pulse_audio.layout import Layout

Floats = NDArray[np.float64]

FURTHEST = 0.7  # 1 is one channel alone


def spread(place: Floats) -> Floats:
    """Return the gains of two channels for places along a line, left to right, shape (n, 2); their mean power is 1."""
    width = np.ptp(place)
    side = FURTHEST * (2.0 * (place - place.min()) / width - 1.0) if width > 1e-9 else 0.0 * place
    gains = np.stack((1.0 - side, 1.0 + side), axis=1)
    return np.asarray(gains / np.sqrt(np.mean(np.sum(gains**2, axis=1))))


def outlet_gains(layout: Layout, exhaust: Exhaust) -> Floats:
    """Return the gains of two channels for each cylinder's open end, shape (cylinders, 2).

    Open ends stand left to right by bank, or along the crank where there is one bank.
    """
    banks = np.array([cylinder.bank_deg or 0.0 for cylinder in layout.cylinders])
    across = np.sin(np.radians(banks)) if np.ptp(banks) else np.array([c.offset for c in layout.cylinders])
    place = np.zeros(banks.size)
    for group in exhaust.groups(layout):
        place[list(group)] = across[list(group)].mean()
    return spread(place)
