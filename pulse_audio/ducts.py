"""Plane sound waves in ducts: four-pole matrices, wall loss, the open end, and the far field of an outlet.

Conventions
-----------
Time factor ``exp(+i omega t)``. A duct element joins the sound pressure p and volume velocity U at its upstream end to
those at its downstream end, ``[p1, U1] = [[A, B], [C, D]] [p2, U2]``. Every function is vectorised over frequency.
Sources: the four-pole method as in textbooks on duct acoustics (Munjal, *Acoustics of Ducts and Mufflers*; from
memory); the open end after Levine and Schwinger, Phys. Rev. 73 (1948) 383-406, with numbers evaluated for this project.
"""

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

GAS_CONSTANT = 8.314462618  # J/(mol K), CODATA
EXHAUST_MOLAR_MASS = 0.0288  # kg/mol, burnt petrol-air mixture
AIR_DENSITY = 1.204  # kg/m3, dry air at 20 C and 101325 Pa
PRESSURE = 101_325.0  # Pa
PRANDTL = 0.71  # near enough for air and exhaust gas alike
DB_PER_NEPER = 20.0 / math.log(10.0)


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
    """Matrix of a duct element, ``exp(travel)`` times its entries; each field is an array over frequency.

    `travel` is the loss (real part, nepers) and the phase lag of a wave that goes straight through. Without it the
    entries keep to a moderate size, however much a long and narrow pipe damps.
    """

    A: Complexes
    B: Complexes
    C: Complexes
    D: Complexes
    travel: Complexes

    def then(self, after: "FourPole") -> "FourPole":
        """Return the matrix of this element followed downstream by another."""
        return FourPole(
            self.A * after.A + self.B * after.C,
            self.A * after.B + self.B * after.D,
            self.C * after.A + self.D * after.C,
            self.C * after.B + self.D * after.D,
            self.travel + after.travel,
        )

    def input_impedance(self, load: Complexes) -> Complexes:
        """Return the impedance seen upstream when a load impedance stands downstream."""
        return (self.A * load + self.B) / (self.C * load + self.D)

    def velocity_gain(self, load: Complexes) -> Complexes:
        """Return U2 / U1 with a load impedance downstream."""
        return np.asarray(np.exp(-self.travel) / (self.C * load + self.D))

    def transmission_loss_db(self, impedance_in: float, impedance_out: float) -> Floats:
        """Return sound power lost between endless ducts of the given wave impedances, decibels."""
        total = self.A + self.B / impedance_out + self.C * impedance_in + self.D * impedance_in / impedance_out
        size_db = 20 * np.log10(np.abs(total) / 2) + DB_PER_NEPER * self.travel.real
        return np.asarray(size_db + 10 * np.log10(impedance_out / impedance_in))


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
    there_and_back: Complexes = np.exp(-2j * kl)
    cos, i_sin = (1 + there_and_back) / 2, (1 - there_and_back) / 2  # of kl, over exp(i kl)
    return FourPole(cos, z * i_sin, i_sin / z, cos, 1j * kl)


def side_branch(frequency_hz: Floats, admittance: Complexes) -> FourPole:
    """Return the matrix of a branch that hangs on the main duct with the given input admittance."""
    one = np.ones(frequency_hz.shape, dtype=np.complex128)
    return FourPole(one, np.zeros_like(one), admittance, one, np.zeros_like(one))


def series_resistance(frequency_hz: Floats, resistance: float) -> FourPole:
    """Return the matrix of a resistance that the volume velocity must pass, Pa s/m3."""
    one = np.ones(frequency_hz.shape, dtype=np.complex128)
    return FourPole(one, np.full_like(one, resistance), np.zeros_like(one), one, np.zeros_like(one))


def flow_resistance(mach: float, radius_m: float, gas: Gas, lost_heads: float) -> float:
    """Return the resistance to sound of a place where steady flow loses velocity heads, Pa s/m3.

    A loss of ``K rho u^2 / 2`` grows by ``K rho u du`` when sound adds du, so that p / U is ``K`` times the Mach number
    times the wave impedance of the duct that the velocity is taken in.
    """
    return lost_heads * mach * wave_impedance(radius_m, gas)


def lost_heads(area_before: float, area_after: float) -> float:
    """Velocity heads lost where the bore changes, heads of the faster side.

    A sudden widening ``(1 - S1/S2)^2`` (Borda and Carnot), a sudden narrowing ``(1 - S2/S1) / 2``: handbook values.
    """
    ratio = area_before / area_after
    return (1.0 - ratio) ** 2 if ratio <= 1 else 0.5 * (1.0 - 1.0 / ratio)


# Fits to the integrals of Levine and Schwinger for a thin-walled unflanged pipe, by docs/studies/open_end_fit.py:
# within 0.001 up to ka = 3.5, just below the first higher mode. Rising powers of ka.
_LOG_SIZE_OVER_KA2 = (-0.528208, 0.199438, -0.031889, -0.005758, 0.003026, -0.000331)
_END_OVER_RADIUS = (0.613624, -0.021051, -0.110571, 0.058305, -0.013308, 0.001056)
_FIT_LIMIT_KA = 3.5


def open_end_reflection(ka: Floats) -> tuple[Floats, Floats]:
    """Return |R| and the end correction over radius of an unflanged open pipe.

    Beyond ``ka = 3.5``, where a pipe carries more than plane waves, |R| falls on as it does there and the end
    correction stays.
    """
    x = np.minimum(ka, _FIT_LIMIT_KA)
    size = np.exp(x * x * _polynomial(x, _LOG_SIZE_OVER_KA2) - (ka - x))
    return np.asarray(size), _polynomial(x, _END_OVER_RADIUS)


def _polynomial(x: Floats, rising: tuple[float, ...]) -> Floats:
    total = np.full_like(x, rising[-1])
    for coefficient in rising[-2::-1]:
        total = total * x + coefficient
    return total


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
