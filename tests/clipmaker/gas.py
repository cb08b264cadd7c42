"""Gas flow out of a cylinder: blow-down through the valve, then displacement by the piston.

The gas left in the cylinder expands isentropically; the valve is an orifice, choked or not. Equations as in any
thermodynamics text (J. B. Heywood, Internal Combustion Engine Fundamentals, appendix C, from memory).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
GAMMA = 1.33
GAS_J_PER_KG_K = 288.7  # 8.314 / 0.0288 kg/mol
AMBIENT_PA = 101325.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Cylinder:
    """Bore, crank and exhaust valve (or port) of one cylinder."""

    bore_m: float = 0.08
    stroke_m: float = 0.07
    rod_ratio: float = 3.6  # rod length over crank radius
    compression: float = 9.0
    opens_deg: float = 128.0  # after top dead centre of firing
    open_for_deg: float = 240.0
    area_ratio: float = 0.16  # largest valve area over piston area
    sharpness: float = 2.0  # power of the sine that shapes the valve area: 2 for a cam, 1 for a port
    discharge: float = 0.7

    @property
    def piston_m2(self) -> float:
        """Piston area."""
        return np.pi * self.bore_m**2 / 4

    def volume_m3(self, angle_deg: Floats) -> Floats:
        """Gas volume at a crank angle after top dead centre."""
        a = np.radians(angle_deg)
        radius = self.stroke_m / 2
        down = radius * (1 - np.cos(a)) + radius * (self.rod_ratio - np.sqrt(self.rod_ratio**2 - np.sin(a) ** 2))
        return self.piston_m2 * (down + self.stroke_m / (self.compression - 1))

    def valve_m2(self, since_opening_deg: Floats) -> Floats:
        """Open area of the valve."""
        u = np.clip(since_opening_deg / self.open_for_deg, 0, 1)
        return self.area_ratio * self.piston_m2 * np.sin(np.pi * u) ** self.sharpness


def orifice_kg_per_s(area_m2: Floats, up_pa: Floats, up_k: Floats, down_pa: float | Floats) -> Floats:
    """Mass flow through an orifice from `up_pa` to `down_pa`; choked where the ratio is beyond critical."""
    g = GAMMA
    critical = (2 / (g + 1)) ** (g / (g - 1))
    ratio = np.clip(down_pa / up_pa, critical, 1.0)
    shape = ratio ** (1 / g) * np.sqrt(2 * g / (g - 1) * np.clip(1 - ratio ** ((g - 1) / g), 0, None))
    return area_m2 * up_pa / np.sqrt(GAS_J_PER_KG_K * up_k) * shape


def outflow(cylinder: Cylinder, start_pa: Floats, start_k: Floats, rpm: Floats, step_deg: float = 1.0) -> Floats:
    """Mass flow through the valve while it is open, for many cycles at once.

    Parameters
    ----------
    start_pa, start_k, rpm : ndarray, shape (cycles,)
        Cylinder pressure and temperature when the valve opens, and engine speed.

    Returns
    -------
    ndarray, shape (cycles, steps)
        kg/s, mean over each step of `step_deg` from the opening on; negative where gas flows back.
    """
    steps = round(cylinder.open_for_deg / step_deg)
    since = np.arange(steps + 1) * step_deg
    volume = cylinder.volume_m3(cylinder.opens_deg + since)
    area = cylinder.discharge * cylinder.valve_m2(since[:-1] + step_deg / 2)
    step_s = step_deg / (6 * rpm)
    pressure, kelvin = start_pa.copy(), start_k.copy()
    mass = pressure * volume[0] / (GAS_J_PER_KG_K * kelvin)
    flow = np.empty((len(rpm), steps))
    for i in range(steps):
        squeezed = pressure * (volume[i] / volume[i + 1]) ** GAMMA  # the piston moves first, then gas leaves
        high, low = np.maximum(squeezed, AMBIENT_PA), np.minimum(squeezed, AMBIENT_PA)
        through = np.sign(squeezed - AMBIENT_PA) * orifice_kg_per_s(area[i], high, kelvin, low) * step_s
        # One step may bring the cylinder to the pipe's pressure but not past it: the orifice law is stiff there.
        to_balance = mass * (1 - (AMBIENT_PA / squeezed) ** (1 / GAMMA))
        out = np.where(to_balance > 0, np.minimum(through, to_balance), np.maximum(through, to_balance))
        left = (mass - out) / mass
        new = squeezed * left**GAMMA
        kelvin = kelvin * (new / pressure) ** ((GAMMA - 1) / GAMMA)
        pressure, mass = new, mass - out
        flow[:, i] = out / step_s
    return flow
