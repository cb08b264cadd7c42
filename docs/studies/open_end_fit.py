"""Fit of the unflanged open end used in `pulse_audio/ducts.py` to the integrals of Levine and Schwinger (1948).

Run: python docs/studies/open_end_fit.py. It prints the coefficients and the largest errors up to ka = 3.5, just below
the first higher mode (3.83).
"""

import numpy as np
from numpy.polynomial import polynomial
from scipy.integrate import quad
from scipy.special import i1e, j1, k1e, y1

TERMS, HIGHEST_KA = 6, 3.5


def reflection(ka: float) -> float:
    """Return |R|: exp of -(2 ka / pi) times the integral of atan(-J1 / N1) / (x sqrt(ka^2 - x^2)) from 0 to ka."""

    def part(t: float) -> float:
        x = ka * np.sin(t)
        return float(np.arctan2(j1(x), -y1(x)) / x)

    return float(np.exp(-2 * ka / np.pi * quad(part, 1e-9, np.pi / 2, limit=200)[0]))


def end_correction(ka: float) -> float:
    """Return the end correction over the radius."""

    def near(t: float) -> float:
        x = ka * np.sin(t)
        return float(np.log(np.pi * j1(x) * np.hypot(j1(x), y1(x))) / x)

    def far(x: float) -> float:
        return float(np.log(1 / (2 * i1e(x) * k1e(x))) / (x * np.hypot(x, ka)))

    total = quad(near, 1e-9, np.pi / 2, limit=400)[0]
    total += quad(far, 1e-12, 1, limit=400)[0] + quad(far, 1, np.inf, limit=400)[0]
    return float(total / np.pi)


def main() -> None:
    """Print the fit."""
    ka = HIGHEST_KA * (1 - np.cos(np.linspace(0, np.pi, 121))) / 2
    ka[0] = 1e-4
    size = np.array([reflection(x) for x in ka])
    end = np.array([end_correction(x) for x in ka])
    powers = np.vander(ka, TERMS, increasing=True)
    log_fit = np.linalg.lstsq(powers * (ka**2 * size)[:, None], np.log(size) * size, rcond=None)[0].round(6)
    end_fit = np.linalg.lstsq(powers, end, rcond=None)[0].round(6)
    size_error = np.abs(np.exp(ka**2 * polynomial.polyval(ka, log_fit)) - size).max()
    print("ln|R| / ka^2, rising powers of ka:", ", ".join(f"{c:.6f}" for c in log_fit))
    print("end correction / radius:          ", ", ".join(f"{c:.6f}" for c in end_fit))
    print(f"largest error up to ka = {HIGHEST_KA}: |R| {size_error:.1e}, ", end="")
    print(f"end correction {np.abs(polynomial.polyval(ka, end_fit) - end).max():.1e} radii")


if __name__ == "__main__":
    main()
