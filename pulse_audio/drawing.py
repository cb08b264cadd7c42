"""What the pictures and the teaching page both draw: pins, banks, piston heights and the strip of firings.

Conventions: the crank is seen from the end from which it turns clockwise; angles are measured clockwise from straight
up, in degrees; lengths are in crank radii.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pulse_audio import checks
from pulse_audio.errors import LayoutError
from pulse_audio.layout import Layout, together

ROD_RATIO = 0.25  # crank radius over rod length; road engines lie at 0.25 to 0.33 (common practice)
MAX_ROD_RATIO = 0.5
WIDEST_HALF_BORE = 0.95
BORE_BELOW, BORE_ABOVE = 0.3, 0.8  # how far the bore reaches past the piston pin's lowest and highest place


@dataclass(frozen=True, kw_only=True, slots=True)
class Spoke:
    """A direction in the end view and the cylinders (numbers from 1) that lie on it."""

    angle_deg: float
    cylinders: tuple[int, ...]


def pins(layout: Layout) -> tuple[Spoke, ...]:
    """Return the crankpins in the end view at crank angle 0, those that stand behind one another as one."""
    return _spokes(layout, "throw_deg")


def banks(layout: Layout) -> tuple[Spoke, ...]:
    """Return the cylinder banks in the end view, those that stand behind one another as one."""
    return _spokes(layout, "bank_deg")


def _spokes(layout: Layout, field: str) -> tuple[Spoke, ...]:
    if not layout.has_geometry:
        raise LayoutError(f"layout {layout.name!r} has no crank geometry; its crank cannot be drawn")
    return _merged([getattr(c, field) % 360.0 for c in layout.cylinders], 360.0)


def firings(layout: Layout) -> tuple[Spoke, ...]:
    """Return firing angles in the cycle in rising order, cylinders that fire together as one."""
    return _merged([c.firing_deg for c in layout.cylinders], layout.cycle_deg)


def _merged(angles_deg: list[float], turn_deg: float) -> tuple[Spoke, ...]:
    return tuple(
        Spoke(angle_deg=angles_deg[group[0]], cylinders=tuple(k + 1 for k in group))
        for group in together(angles_deg, turn_deg)
    )


def piston_height(after_tdc_deg: ArrayLike, rod_ratio: float = ROD_RATIO) -> NDArray[np.float64]:
    """Return the height of the piston above bottom dead centre as a share of the stroke, 0 to 1.

    Parameters
    ----------
    after_tdc_deg : array_like
        Crank angle since the piston's top dead centre, degrees.
    rod_ratio : float
        Crank radius over connecting-rod length, 0 (an endless rod) to 0.5.

    Returns
    -------
    ndarray
        The slider-crank of any mechanics text, ``(1 + cos t + (sqrt(1 - (L sin t)**2) - 1) / L) / 2``, in a form that
        holds for L = 0.
    """
    ratio = checks.number("rod_ratio", rod_ratio, low=0.0, high=MAX_ROD_RATIO)
    t = np.deg2rad(np.asarray(after_tdc_deg, dtype=np.float64))
    lean = ratio * np.sin(t) ** 2 / (1.0 + np.sqrt(1.0 - (ratio * np.sin(t)) ** 2))
    return np.asarray((1.0 + np.cos(t) - lean) / 2.0)


def piston_distance(after_tdc_deg: ArrayLike, rod_ratio: float = ROD_RATIO) -> NDArray[np.float64]:
    """Return the distance of the piston pin from the crank centre in crank radii; rods are drawn 10 radii at most."""
    drawn_ratio = max(rod_ratio, 0.1)
    return 2.0 * piston_height(after_tdc_deg, drawn_ratio) + 1.0 / drawn_ratio - 1.0


def half_bore(layout: Layout, rod_ratio: float = ROD_RATIO) -> float:
    """Return half the drawn bore: narrower where neighbouring banks would cut into each other."""
    directions = [b.angle_deg for b in banks(layout)]
    if len(directions) < 2:
        return WIDEST_HALF_BORE
    gap_deg = min(np.diff([*directions, directions[0] + 360.0]).min(), 170.0)
    skirt = float(piston_distance(180.0, rod_ratio)) - BORE_BELOW
    return float(min(WIDEST_HALF_BORE, 0.92 * skirt * np.tan(np.deg2rad(gap_deg) / 2.0)))


def rows(text: str) -> list[str]:
    """Break a list such as ``1, 3, 5, 7`` into rows of three where it has more than that."""
    listed = text.split(", ")
    cut = [", ".join(listed[k : k + 3]) for k in range(0, len(listed), 3)]
    return [row + "," for row in cut[:-1]] + cut[-1:]


def beyond_head(names: list[str], angle_deg: float) -> tuple[float, float]:
    """Return how far past the piston pin's highest place a bank's name, clear of the head, has its middle and end."""
    tilt = np.deg2rad(angle_deg)
    half_height, half_width = 0.25 * len(names), 0.13 * max(map(len, names))
    half = float(half_height * abs(np.cos(tilt)) + half_width * abs(np.sin(tilt)))
    return BORE_ABOVE + 0.25 + half, BORE_ABOVE + 0.3 + 2 * half


def numbers_text(cylinders: tuple[int, ...]) -> str:
    """Return cylinder numbers as a short label: ``1, 6``; runs of three and more as ``1-6``."""
    parts: list[str] = []
    run: list[int] = []
    for number in (*sorted(cylinders), None):
        if run and (number is None or number != run[-1] + 1):
            parts += [f"{run[0]}-{run[-1]}"] if len(run) > 2 else [str(n) for n in run]
            run = []
        if number is not None:
            run.append(number)
    return ", ".join(parts)
