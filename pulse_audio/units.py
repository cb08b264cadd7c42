"""Every conversion between speeds, rates, angles and levels.

Crank angle is in degrees and grows with rotation. A cycle is 720 degrees for a four-stroke, 360 for a two-stroke.
"""

import math
from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:  # what lists layouts needs no arrays
    import numpy as np
    from numpy.typing import NDArray

Number = TypeVar("Number", float, "NDArray[np.float64]")


def cycle_deg(strokes: int) -> float:
    """Crank degrees in one working cycle: 720 for four strokes, 360 for two."""
    return 180.0 * strokes


def rpm_to_deg_per_s(rpm: Number) -> Number:
    """Crank degrees per second at one or more speeds in revolutions per minute."""
    return 6.0 * rpm


def cycle_hz(rpm: float, strokes: int) -> float:
    """Working cycles per second: rpm / 120 for a four-stroke, rpm / 60 for a two-stroke."""
    return rpm_to_deg_per_s(rpm) / cycle_deg(strokes)


def firing_hz(rpm: float, cylinders: int, strokes: int) -> float:
    """Mean firings per second of all cylinders."""
    return cylinders * cycle_hz(rpm, strokes)


def rpm_from_cycle_hz(rate_hz: float, strokes: int) -> float:
    """Speed at which a working cycle repeats at the given rate."""
    return rate_hz * cycle_deg(strokes) / 6.0


def db_from_ratio(ratio: float) -> float:
    """Amplitude ratio in decibels; minus infinity for zero."""
    return 20.0 * math.log10(ratio) if ratio > 0 else -math.inf


def ratio_from_db(level_db: float) -> float:
    """Amplitude ratio of a level difference in decibels."""
    return float(10.0 ** (level_db / 20.0))
