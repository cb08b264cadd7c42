"""Plane sound waves in ducts: four-pole matrices, wall loss, the open end, and the far field of an outlet.

Conventions
-----------
Time factor ``exp(+i omega t)``. A duct element joins the sound pressure p and volume velocity U at its upstream end to
those at its downstream end, ``[p1, U1] = [[A, B], [C, D]] [p2, U2]``. Every function is vectorised over frequency.
Sources: the four-pole method as in textbooks on duct acoustics (Munjal, *Acoustics of Ducts and Mufflers*; from
memory); the open end after Levine and Schwinger, Phys. Rev. 73 (1948) 383-406, with numbers evaluated for this project.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

GAS_CONSTANT = 8.314462618  # J/(mol K), CODATA
EXHAUST_MOLAR_MASS = 0.0288  # kg/mol, burnt petrol-air mixture
AIR_DENSITY = 1.204  # kg/m3, dry air at 20 C and 101325 Pa
AIR_SOUND_SPEED = 343.2  # m/s, dry air at 20 C
PRESSURE = 101_325.0  # Pa
PRANDTL = 0.71  # near enough for air and exhaust gas alike


@dataclass(frozen=True, kw_only=True, slots=True)
class Gas:
    """Gas in a duct.

    Attributes
    ----------
    sound_speed : float, m/s
    density : float, kg/m3
    viscosity : float, Pa s
    gamma : float, ratio of specific heats
    """

    sound_speed: float
    density: float
    viscosity: float
    gamma: float


AIR = Gas(sound_speed=AIR_SOUND_SPEED, density=AIR_DENSITY, viscosity=1.813e-5, gamma=1.4)


def sound_speed(temperature_c: float, gamma: float, molar_mass: float = EXHAUST_MOLAR_MASS) -> float:
    """Speed of sound in an ideal gas, ``sqrt(gamma R T / M)``, m/s."""
    return float(np.sqrt(gamma * GAS_CONSTANT * (temperature_c + 273.15) / molar_mass))


def exhaust_gas(temperature_c: float) -> Gas:
    """Return burnt gas at a temperature in degrees Celsius (20 to 1200) and outside pressure.

    The ratio of specific heats falls from 1.39 at 0 C by 0.01 per 100 K to 1.30 at 900 C (trend as in Heywood,
    *Internal Combustion Engine Fundamentals*, ch. 4; from memory); viscosity by Sutherland's law for air.
    """
    kelvin = temperature_c + 273.15
    gamma = max(1.39 - 1e-4 * temperature_c, 1.28)
    return Gas(
        sound_speed=sound_speed(temperature_c, gamma),
        density=PRESSURE * EXHAUST_MOLAR_MASS / (GAS_CONSTANT * kelvin),
        viscosity=1.716e-5 * (kelvin / 273.15) ** 1.5 * (273.15 + 110.4) / (kelvin + 110.4),
        gamma=gamma,
    )


def wall_loss_np_m(frequency_hz: Floats, radius_m: float, gas: Gas) -> Floats:
    """Attenuation by friction and heat at the wall of a wide round duct (Kirchhoff), nepers per metre."""
    omega = 2 * np.pi * frequency_hz
    layer = np.sqrt(omega * gas.viscosity / (2 * gas.density))
    return np.asarray(layer * (1 + (gas.gamma - 1) / np.sqrt(PRANDTL)) / (radius_m * gas.sound_speed))


class FourPole(NamedTuple):
    """Matrix of a duct element, each entry an array over frequency."""

    A: Complexes
    B: Complexes
    C: Complexes
    D: Complexes

    def then(self, after: "FourPole") -> "FourPole":
        """Return the matrix of this element followed downstream by another."""
        return FourPole(
            self.A * after.A + self.B * after.C,
            self.A * after.B + self.B * after.D,
            self.C * after.A + self.D * after.C,
            self.C * after.B + self.D * after.D,
        )

    def input_impedance(self, load: Complexes) -> Complexes:
        """Return the impedance seen upstream when a load impedance stands downstream."""
        return (self.A * load + self.B) / (self.C * load + self.D)

    def velocity_gain(self, load: Complexes) -> Complexes:
        """Return U2 / U1 with a load impedance downstream."""
        return 1.0 / (self.C * load + self.D)

    def transmission_loss_db(self, impedance_in: float, impedance_out: float) -> Floats:
        """Return sound power lost between endless ducts of the given wave impedances, decibels."""
        total = self.A + self.B / impedance_out + self.C * impedance_in + self.D * impedance_in / impedance_out
        return np.asarray(20 * np.log10(np.abs(total) / 2) + 10 * np.log10(impedance_out / impedance_in))


def wave_impedance(radius_m: float, gas: Gas) -> float:
    """Wave impedance of a round duct, ``rho c / S``, Pa s/m3."""
    return gas.density * gas.sound_speed / (np.pi * radius_m**2)


def wavenumber(frequency_hz: Floats, radius_m: float, gas: Gas, wall_factor: float = 1.0) -> Complexes:
    """Return the complex wavenumber ``omega/c + (1 - i) alpha``: wall layers slow the wave as much as they damp it.

    `wall_factor` multiplies the loss of a smooth wall: 0 for none, above 1 for rough walls and turbulent flow.
    """
    alpha = wall_factor * wall_loss_np_m(frequency_hz, radius_m, gas)
    return np.asarray(2 * np.pi * frequency_hz / gas.sound_speed + (1 - 1j) * alpha)


def pipe(frequency_hz: Floats, length_m: float, radius_m: float, gas: Gas, wall_factor: float = 1.0) -> FourPole:
    """Return the matrix of a straight round duct."""
    kl = wavenumber(frequency_hz, radius_m, gas, wall_factor) * length_m
    z = wave_impedance(radius_m, gas)
    wave = np.exp(-1j * kl)
    back = 1.0 / wave
    cos, i_sin = (back + wave) / 2, (back - wave) / 2
    return FourPole(cos, z * i_sin, i_sin / z, cos)


def side_branch(frequency_hz: Floats, admittance: Complexes) -> FourPole:
    """Return the matrix of a branch that hangs on the main duct with the given input admittance."""
    one = np.ones_like(frequency_hz, dtype=np.complex128)
    return FourPole(one, 0 * one, admittance, one)


# Levine and Schwinger's integrals for a thin-walled unflanged pipe, evaluated numerically for this project at ka in
# steps of 0.25 up to the first higher mode: magnitude of the reflection, and end correction in radii.
_KA = np.arange(0.0, 3.7501, 0.25)


def open_end_reflection(ka: Floats) -> tuple[Floats, Floats]:
    """Return |R| and the end correction over radius of an unflanged open pipe, for ``ka >= 0``."""
    x = np.minimum(ka, 1.5)
    low = 1 + 0.01336 * x - 0.59079 * x**2 + 0.33576 * x**3 - 0.06432 * x**4
    high = 0.49833 * np.exp(-0.75 * (ka - 1.5))
    end = np.where(ka < 0.5, 0.6133 - 0.1168 * ka**2, np.maximum(0.6393 - 0.1104 * ka, 0.2))
    return np.asarray(np.where(ka <= 1.5, low, high)), np.asarray(end)


def open_end_impedance(frequency_hz: Floats, radius_m: float, gas: Gas) -> Complexes:
    """Return the radiation impedance of an unflanged open end, ``Z (1 + R) / (1 - R)``, Pa s/m3."""
    ka = 2 * np.pi * frequency_hz * radius_m / gas.sound_speed
    size, end = open_end_reflection(ka)
    reflection = -size * np.exp(-2j * ka * end)
    return np.asarray(wave_impedance(radius_m, gas) * (1 + reflection) / (1 - reflection))


def monopole_pa(frequency_hz: Floats, distance_m: float) -> Complexes:
    """Sound pressure at a distance per unit volume velocity of a small outlet, without the delay, Pa s/m3.

    ``p = rho / (4 pi r) dU/dt`` in the open, outside air at 20 C.
    """
    return np.asarray(2j * np.pi * frequency_hz * AIR_DENSITY / (4 * np.pi * distance_m))
