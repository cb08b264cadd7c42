"""Shaking forces, rocking couples and crankcase breathing that follow from a layout's crank.

Rigid engine, equal pistons, rotating masses balanced. A piston of mass m on a crank of radius r and a rod of length l
pushes along its axis with ``m r omega^2 (cos t + lambda cos 2t)``, ``lambda = r / l`` (A. Ghosh, Dynamics of Machines,
module 4, lecture 3; the second term is a good approximation up to lambda 0.3). Each term is half a force that turns
with the crank and half one that turns against it. The halves of all pistons are added as arrows in the plane of the
crank's end view: real part up (bank_deg 0), imaginary part towards bank_deg 90.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pulse_audio import checks
from pulse_audio.drawing import MAX_ROD_RATIO, ROD_RATIO, piston_height
from pulse_audio.errors import LayoutError
from pulse_audio.layout import Layout

NOTHING = 5e-3  # of one cylinder's force: below this the angles' rounding, not the engine, is seen
SWING_STEPS = 3600


@dataclass(frozen=True, kw_only=True, slots=True)
class Shaking:
    """A force or couple of one order: the sum of an arrow that turns forwards and one that turns backwards.

    Attributes
    ----------
    forward, backward : float
        Lengths of the two arrows. Order 1 turns once a turn of the crank, order 2 twice.
    axis_deg : float or None
        Direction of the largest value, from bank_deg 0, ``0 <= axis_deg < 180``; None where it is equal all round.
    """

    forward: float
    backward: float
    axis_deg: float | None

    @property
    def largest(self) -> float:
        """Largest value during a turn."""
        return self.forward + self.backward

    @property
    def is_nothing(self) -> bool:
        """Whether it is absent."""
        return self.largest < NOTHING


@dataclass(frozen=True, kw_only=True, slots=True)
class Balance:
    """What one layout's moving parts do to the engine.

    Attributes
    ----------
    rod_ratio : float
        Crank radius over rod length, lambda.
    primary_force, secondary_force : Shaking
        In m r omega^2 of one cylinder, and in lambda times that.
    primary_couple, secondary_couple : Shaking
        The same times the cylinder spacing, about the middle of the crank. Where there is a force too, the couple
        depends on that choice of point.
    crankcase_swing : float
        Largest minus smallest volume under all pistons together, in volumes swept by one cylinder, from the exact
        motion of the pistons.
    crankcase_order : int
        How often in a turn that volume swings: the largest of its first four orders; 0 if it does not swing.
    """

    rod_ratio: float
    primary_force: Shaking
    secondary_force: Shaking
    primary_couple: Shaking
    secondary_couple: Shaking
    crankcase_swing: float
    crankcase_order: int

    @property
    def crankcase_is_still(self) -> bool:
        """Whether the volume under all pistons together stays as it is."""
        return self.crankcase_swing < NOTHING


def balance(layout: Layout, *, rod_ratio: float = ROD_RATIO) -> Balance:
    """Return forces, couples and crankcase swing of a layout.

    Parameters
    ----------
    layout : Layout
        With throws and banks.
    rod_ratio : float
        0 (an endless rod) to 0.5.

    Raises
    ------
    LayoutError
        The layout is given by its firing alone.
    """
    ratio = checks.number("rod_ratio", rod_ratio, low=0.0, high=MAX_ROD_RATIO)
    axis, pin = _angles_rad(layout)
    offset = np.array([c.offset for c in layout.cylinders])
    place = offset - (offset.max() + offset.min()) / 2
    everywhere = np.ones_like(place)
    volume = crankcase_volume(layout, np.arange(SWING_STEPS) * 360.0 / SWING_STEPS, rod_ratio=ratio)
    swing = float(np.ptp(volume))
    order = int(np.argmax(np.abs(np.fft.rfft(volume))[1:5])) + 1
    return Balance(
        rod_ratio=ratio,
        primary_force=_shaking(everywhere, axis, pin, order=1),
        secondary_force=_shaking(everywhere, axis, pin, order=2),
        primary_couple=_shaking(place, axis, pin, order=1),
        secondary_couple=_shaking(place, axis, pin, order=2),
        crankcase_swing=swing,
        crankcase_order=0 if swing < NOTHING else order,
    )


def crankcase_volume(
    layout: Layout, crank_deg: NDArray[np.float64], *, rod_ratio: float = ROD_RATIO
) -> NDArray[np.float64]:
    """Return the volume under all pistons at given crank angles, in volumes swept by one cylinder.

    Counted from all pistons at half their stroke; only differences matter. Exact for a straight slide.
    """
    axis, pin = _angles_rad(layout)
    after_tdc_deg = crank_deg[:, None] + np.degrees(pin - axis)
    return np.asarray((piston_height(after_tdc_deg, rod_ratio) - 0.5).sum(axis=1))


def _angles_rad(layout: Layout) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    if not layout.has_geometry:
        raise LayoutError(
            f"layout {layout.name!r} is given by its firing alone: balance needs the throws and banks; "
            "take a layout by name or from a TOML file"
        )
    pairs = [(c.bank_deg or 0.0, c.throw_deg or 0.0) for c in layout.cylinders]
    return np.radians([p[0] for p in pairs]), np.radians([p[1] for p in pairs])


def _shaking(
    weight: NDArray[np.float64], axis: NDArray[np.float64], pin: NDArray[np.float64], *, order: int
) -> Shaking:
    forward = complex((weight * np.exp(1j * (axis + order * (pin - axis)))).sum()) / 2
    backward = complex((weight * np.exp(1j * (axis - order * (pin - axis)))).sum()) / 2
    round_or_nothing = min(abs(forward), abs(backward)) < NOTHING
    direction = math.degrees(np.angle(forward) + np.angle(backward)) / 2 % 180.0
    return Shaking(
        forward=abs(forward),
        backward=abs(backward),
        axis_deg=None if round_or_nothing else round(direction, 6) % 180.0,
    )
