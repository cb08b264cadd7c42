"""Ducts, the open end and the far field against published acoustics.

Values typed in here: the reflection of an unflanged pipe is Levine and Schwinger's integral (Phys. Rev. 73, 1948)
evaluated for these tests; the low-frequency end correction 0.6133 a is from Dalmont, Nederveen and Joly, J. Sound Vib.
244(3), 2001, introduction; wall loss 2.964e-5 sqrt(f)/r in SI units is Kirchhoff's formula for air at 20 C and 760 mm
as printed in "The theory of the propagation of plane sound waves in tubes", Imperial College, 1953.
"""

import importlib.util
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from pulse_audio import ducts
from pulse_audio.ducts import Gas

RIGID = {"wall_factor": 0.0}
AIR = Gas(sound_speed=343.2, density=1.204, viscosity=1.813e-5, gamma=1.4)  # dry, 20 C and 101325 Pa: handbook values


def _gas(sound_speed: float) -> Gas:
    return Gas(sound_speed=sound_speed, density=1.2, viscosity=1.8e-5, gamma=1.4)


@pytest.mark.parametrize(
    ("celsius", "gamma", "molar_mass", "metres_per_second"),
    [(20, 1.400, 0.028964, 343.2), (100, 1.38, 0.0288, 385.6), (500, 1.34, 0.0288, 546.9), (900, 1.30, 0.0288, 663.5)],
)
def test_sound_speed(celsius: float, gamma: float, molar_mass: float, metres_per_second: float) -> None:
    """Sound travels at sqrt(gamma R T / M): 343.2 m/s in air at 20 C (handbook), the others worked from the formula."""
    assert ducts.sound_speed(celsius, gamma, molar_mass) == pytest.approx(metres_per_second, abs=0.06)


@pytest.mark.parametrize(
    ("celsius", "metres_per_second"),
    # Worked from sqrt(gamma R T / M) with M = 28.8 g/mol and gamma falling from 1.38 at 100 C to 1.30 at 900 C (trend:
    # Heywood, Internal Combustion Engine Fundamentals, ch. 4, from memory); with air's 1.4, 900 C would be 3.5 % more.
    [(100, 385.6), (200, 432.6), (300, 474.4), (400, 512.2), (500, 546.9), (600, 579.0), (800, 637.1), (900, 663.5)],
)
def test_sound_speed_in_exhaust_gas(celsius: float, metres_per_second: float) -> None:
    """Burnt gas has a ratio of specific heats that falls with temperature."""
    assert ducts.exhaust_gas(celsius).sound_speed == pytest.approx(metres_per_second, abs=0.06)


def test_density_and_viscosity_of_exhaust_gas() -> None:
    """Density by the ideal gas law; viscosity as air's: handbook values for 20 C, 500 K and 800 K (from memory)."""
    assert ducts.exhaust_gas(500).density == pytest.approx(0.454, abs=0.0005)  # 101325 x 0.0288 / (8.314463 x 773.15)
    # Sutherland's law, the usual one, keeps within 2 % of the tables.
    for celsius, viscosity in ((20.0, 1.813e-5), (500 - 273.15, 2.70e-5), (800 - 273.15, 3.70e-5)):
        assert ducts.exhaust_gas(celsius).viscosity == pytest.approx(viscosity, rel=0.025)


# ka, |R|, end correction over radius: Levine and Schwinger's integrals, evaluated.
OPEN_END = [
    (0.1, 0.99507, 0.6110),
    (0.2, 0.98086, 0.6064),
    (0.3, 0.95868, 0.5996),
    (0.5, 0.89644, 0.5818),
    (0.75, 0.79920, 0.5555),
    (1.0, 0.69510, 0.5274),
    (1.5, 0.50079, 0.4713),
    (2.0, 0.34618, 0.4169),
    (3.0, 0.15433, 0.3083),
]


@pytest.mark.parametrize(("ka", "size", "end"), OPEN_END)
def test_open_end(ka: float, size: float, end: float) -> None:
    """Reflection and end correction of an unflanged end agree with the exact integrals to 0.003."""
    found_size, found_end = ducts.open_end_reflection(np.array([ka]))
    assert found_size[0] == pytest.approx(size, abs=0.003)
    assert found_end[0] == pytest.approx(end, abs=0.003)


def test_low_end_correction() -> None:
    """The end correction tends to 0.6133 radii (published; the integral itself gives 0.6127)."""
    assert ducts.open_end_reflection(np.array([1e-6]))[1][0] == pytest.approx(0.6133, abs=0.001)


def test_open_end_goes_on_smoothly_beyond_the_fit() -> None:
    """Beyond the first higher mode the reflection keeps falling and stays between 0 and 1."""
    size, end = ducts.open_end_reflection(np.linspace(0.0, 20.0, 400))
    assert np.all(np.diff(size) < 0)
    assert np.all((size >= 0) & (size <= 1))
    assert np.all(np.abs(np.diff(end)) < 0.02)


def test_fit_agrees_with_the_study() -> None:
    """The coefficients in the code are those whose fit the study makes, checked against its integrals between nodes."""
    study = _study("open_end_fit")
    ka = np.array([0.13, 0.87, 1.71, 2.63, 3.41])
    size, end = ducts.open_end_reflection(ka)
    assert size == pytest.approx([study.reflection(x) for x in ka], abs=0.001)
    assert end == pytest.approx([study.end_correction(x) for x in ka], abs=0.002)


def _study(name: str) -> ModuleType:
    path = Path(__file__).parents[1] / "docs" / "studies" / f"{name}.py"
    spec = importlib.util.spec_from_file_location(name, path)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("frequency_hz", [100.0, 1000.0])
def test_wall_loss_in_air(frequency_hz: float) -> None:
    """In air a smooth wall takes 2.964e-5 sqrt(f)/r Np/m; other tables of viscosity differ by 1 %."""
    published = 2.964e-5 * np.sqrt(frequency_hz) / 0.020
    found = ducts.wall_loss_np_m(np.array([frequency_hz]), 0.020, AIR)
    assert found[0] == pytest.approx(published, rel=0.01)


def test_wall_loss_in_hot_gas() -> None:
    """At 500 C, mu 3.55e-5, rho 0.454, c 546.9 a 40 mm pipe loses 0.0201 Np/m at 100 Hz (formula worked)."""
    hot = Gas(sound_speed=546.9, density=0.454, viscosity=3.55e-5, gamma=1.34)
    assert ducts.wall_loss_np_m(np.array([100.0]), 0.020, hot)[0] == pytest.approx(0.0201, abs=0.0002)


def test_wall_slows_the_wave() -> None:
    """A wave is slower in a narrow pipe: c' = c (1 - 0.162 / (r sqrt f)), r in cm (Kirchhoff, as printed)."""
    k = ducts.wavenumber(np.array([100.0]), 0.020, AIR)
    slowed = 2 * np.pi * 100.0 / k.real[0] / AIR.sound_speed
    assert slowed == pytest.approx(1 - 0.162 / (2.0 * np.sqrt(100.0)), abs=2e-4)


@pytest.mark.parametrize(
    ("sound_speed", "expected_hz"),
    [(343.2, (85.8, 257.4, 429.0, 600.6)), (550.0, (137.5, 412.5, 687.5, 962.5))],
)
def test_quarter_wave_series(sound_speed: float, expected_hz: tuple[float, ...]) -> None:
    """A pipe of 1 m, closed at one end and with no pressure at the other, rings at (2n - 1) c / 4L."""
    frequency = np.arange(50.0, 1000.0, 0.05)
    four_pole = ducts.pipe(frequency, 1.0, 0.020, _gas(sound_speed), **RIGID)
    assert _peaks(frequency, np.abs(four_pole.velocity_gain(np.zeros(frequency.shape))))[:4] == pytest.approx(
        expected_hz, abs=0.06
    )


def test_quarter_wave_series_with_end_correction() -> None:
    """With an open end of 20 mm radius the same pipe rings lower: (2n - 1) c / 4 (L + 0.6133 a).

    The end correction of the exact theory falls with ka: by 1 % of it, 0.1 Hz, at the third.
    """
    gas = _gas(550.0)
    frequency = np.arange(100.0, 700.0, 0.02)
    load = ducts.open_end_impedance(frequency, 0.020, gas)
    gain = np.abs(ducts.pipe(frequency, 1.0, 0.020, gas, **RIGID).velocity_gain(load))
    assert _peaks(frequency, gain) == pytest.approx([135.83, 407.50, 679.17], abs=0.15)


def _peaks(frequency: np.ndarray, size: np.ndarray) -> list[float]:
    inner = np.flatnonzero((size[1:-1] > size[:-2]) & (size[1:-1] >= size[2:])) + 1
    return [float(frequency[i]) for i in inner]


# Area ratio, length m, sound speed, frequency Hz, transmission loss dB: 10 log10[1 + (m - 1/m)^2 sin^2(kL) / 4].
# The first four have the parameters of Beranek and Ver, Noise and Vibration Control Engineering, 1992, Fig. 10.12.
CHAMBERS = [
    (16, 0.5, 343.24, 50.0, 11.2698),
    (16, 0.5, 343.24, 100.0, 16.1178),
    (16, 0.5, 343.24, 171.62, 18.0957),
    (16, 0.5, 343.24, 343.24, 0.0),
    (9, 0.3, 343.0, 100.0, 8.0541),
    (9, 0.3, 343.0, 200.0, 12.2205),
    (9, 0.3, 343.0, 285.8333333, 13.1708),
    (9, 0.3, 343.0, 400.0, 11.4444),
]


@pytest.mark.parametrize(("ratio", "length_m", "sound_speed", "frequency_hz", "loss_db"), CHAMBERS)
def test_expansion_chamber(
    ratio: float, length_m: float, sound_speed: float, frequency_hz: float, loss_db: float
) -> None:
    """An expansion chamber loses what the closed formula says."""
    gas, frequency = _gas(sound_speed), np.array([frequency_hz])
    four_pole = ducts.pipe(frequency, length_m, 0.020 * np.sqrt(ratio), gas, **RIGID)
    z = ducts.wave_impedance(0.020, gas)
    assert four_pole.transmission_loss_db(z, z)[0] == pytest.approx(loss_db, abs=0.01)


@pytest.mark.parametrize("ratio", [0.25, 1.0, 9.0])
def test_step_between_endless_pipes(ratio: float) -> None:
    """Where the bore steps from area S to m S, 10 log10[(1 + m)^2 / 4 m] are lost (textbooks of acoustics)."""
    gas, frequency = _gas(343.0), np.array([100.0])
    before, after = ducts.wave_impedance(0.020, gas), ducts.wave_impedance(0.020 * np.sqrt(ratio), gas)
    found = ducts.series_resistance(frequency, 0.0).transmission_loss_db(before, after)
    assert found[0] == pytest.approx(10 * np.log10((1 + ratio) ** 2 / (4 * ratio)), abs=1e-9)


@pytest.mark.parametrize(("ratio", "most_db"), [(2, 1.9382), (4, 6.5472), (16, 18.0957), (25, 21.9521), (64, 30.1051)])
def test_greatest_chamber_loss(ratio: float, most_db: float) -> None:
    """The most that a chamber can lose depends on its area ratio alone."""
    gas, frequency = _gas(343.0), np.linspace(50.0, 600.0, 2001)
    four_pole = ducts.pipe(frequency, 0.3, 0.020 * np.sqrt(ratio), gas, **RIGID)
    z = ducts.wave_impedance(0.020, gas)
    assert four_pole.transmission_loss_db(z, z).max() == pytest.approx(most_db, abs=0.01)


def test_matrices_of_lossless_ducts_are_reciprocal(rng: np.random.Generator) -> None:
    """The determinant of a passive chain is 1: it passes sound alike both ways (reciprocity)."""
    frequency = np.linspace(20.0, 4000.0, 50)
    chain = ducts.series_resistance(frequency, 3.0e4)
    for _ in range(4):
        length, radius = rng.uniform(0.05, 1.0), rng.uniform(0.01, 0.1)
        chain = chain.then(ducts.pipe(frequency, length, radius, ducts.exhaust_gas(400.0)))
    determinant = (chain.A * chain.D - chain.B * chain.C) * np.exp(2 * chain.travel)
    assert determinant == pytest.approx(np.ones(50), rel=1e-8)


def test_loss_far_beyond_what_a_float_holds() -> None:
    """A pipe between endless ones of its own bore loses 20 log10(e) alpha L (definition of the neper), however much.

    80 m of 5 mm bore with fifty times the loss of a smooth wall lose 23 600 dB at 4 kHz; a float holds 6000 dB.
    """
    frequency, gas = np.array([20.0, 250.0, 4000.0]), ducts.exhaust_gas(-40.0)
    chain = ducts.pipe(frequency, 20.0, 0.0025, gas, 50.0)
    for _ in range(3):
        chain = chain.then(ducts.pipe(frequency, 20.0, 0.0025, gas, 50.0))
    expected = 20 * np.log10(np.e) * 50.0 * ducts.wall_loss_np_m(frequency, 0.0025, gas) * 80.0
    assert expected[-1] > 20_000
    z = ducts.wave_impedance(0.0025, gas)
    assert chain.transmission_loss_db(z, z) == pytest.approx(expected, rel=1e-9)
    assert np.all(np.isfinite(chain.velocity_gain(np.full(3, z))))


def test_monopole() -> None:
    """0.01 m3/s at 100 Hz gives 0.602 Pa peak and 86.56 dB at 1 m: rho / (4 pi r) dQ/dt, worked."""
    peak = 0.01 * np.abs(ducts.monopole_pa(np.array([100.0]), 1.0))[0]
    assert peak == pytest.approx(0.602, abs=0.0005)
    assert 20 * np.log10(peak / np.sqrt(2) / 20e-6) == pytest.approx(86.56, abs=0.01)


def test_monopole_laws() -> None:
    """Twice as far is 6.02 dB less, twice the frequency at the same flow 6.02 dB more."""
    near, far = (np.abs(ducts.monopole_pa(np.array([100.0, 200.0]), r)) for r in (1.0, 2.0))
    assert 20 * np.log10(near / far) == pytest.approx([6.02, 6.02], abs=0.005)
    assert 20 * np.log10(near[1] / near[0]) == pytest.approx(6.02, abs=0.005)


@pytest.mark.parametrize(
    ("before", "after", "heads"), [(1.0, 4.0, 0.5625), (1.0, 1e9, 1.0), (4.0, 1.0, 0.375), (1, 1, 0)]
)
def test_lost_heads(before: float, after: float, heads: float) -> None:
    """Widening loses (1 - S1/S2)^2 heads, narrowing (1 - S2/S1) / 2 (Borda and Carnot; handbook values)."""
    assert ducts.lost_heads(before, after) == pytest.approx(heads, abs=1e-6)


def test_flow_resistance_is_the_slope_of_the_lost_head() -> None:
    """The resistance is d(K rho u^2 / 2) / dU, taken here by a difference."""
    gas, radius, mach, heads = AIR, 0.02, 0.1, 0.7
    area, u, step = np.pi * radius**2, mach * AIR.sound_speed, 1e-4
    low, high = (heads * gas.density * v**2 / 2 for v in (u - step, u + step))
    slope = (high - low) / (2 * step * area)
    assert ducts.flow_resistance(mach, radius, gas, heads) == pytest.approx(slope, rel=1e-6)
