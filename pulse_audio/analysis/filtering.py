"""Filters without phase shift and changes of rate, both by way of the spectrum of the whole signal.

`scipy.signal` has all of it, but importing that takes nearly as long as analysing a short clip.
"""

from collections.abc import Callable
from math import ceil

import numpy as np
from numpy.typing import NDArray
from scipy.fft import ifft, irfft, next_fast_len, rfft

Floats = NDArray[np.float64]
Gain = Callable[[Floats], Floats]

EDGE_S = 0.25  # each end is continued by this, so that the filter finds no step there and the ends don't meet


def filtered(signal: Floats, rate_hz: float, gain: Gain | None = None, *, up: int = 1, down: int = 1) -> Floats:
    """Filter a signal and give it ``up / down`` times its rate; what the new rate can't hold is cut off.

    Parameters
    ----------
    signal : ndarray, shape (n,)
    rate_hz : float
        Rate of `signal`.
    gain : callable or None
        Amplitude gain at given frequencies in hertz.
    up, down : int
        Without a common divisor.

    Returns
    -------
    ndarray, shape (ceil(n * up / down),)
        Its first sample is at the time of the signal's first.
    """
    room, edge = _continued(signal, rate_hz, down)
    count = len(room) // down * up
    spectrum = np.asarray(rfft(room))[: count // 2 + 1]
    if gain is not None:
        spectrum = spectrum * _over(gain, len(spectrum), rate_hz / len(room))
    first = edge // down * up
    return np.asarray(irfft(spectrum, count))[first : first + ceil(len(signal) * up / down)] * (up / down)


def envelope_power(signal: Floats, rate_hz: float, gain: Gain) -> Floats:
    """Squared envelope of what passes a filter, by the analytic signal: no sum of frequencies folds back into it."""
    room, edge = _continued(signal, rate_hz, 1)
    spectrum = np.asarray(rfft(room))
    spectrum = 2 * spectrum * _over(gain, len(spectrum), rate_hz / len(room))
    analytic = np.asarray(ifft(spectrum, len(room)))[edge : edge + len(signal)]
    return np.asarray(analytic.real**2 + analytic.imag**2)


def _over(gain: Gain, bins: int, bin_hz: float) -> Floats:
    return gain(np.arange(bins, dtype=np.float64) * bin_hz)


def _continued(signal: Floats, rate_hz: float, multiple: int) -> tuple[Floats, int]:
    """Continue both ends by what lies before them, turned about, to a length that transforms fast."""
    edge = multiple * ceil(EDGE_S * rate_hz / multiple)
    length = multiple * next_fast_len(ceil(len(signal) / multiple) + 2 * edge // multiple, real=True)
    return np.pad(signal, (edge, length - len(signal) - edge), mode="reflect", reflect_type="odd"), edge


def high_pass(from_hz: float, order: int) -> Gain:
    """Butterworth high-pass of this order, run forwards and backwards."""
    return lambda hz: 1 / (1 + (from_hz / np.maximum(hz, 1e-6 * from_hz)) ** (2 * order))


def band_pass(low_hz: float, high_hz: float, order: int) -> Gain:
    """Butterworth band-pass with slopes of this order, run forwards and backwards."""
    width_hz, square = high_hz - low_hz, low_hz * high_hz
    return lambda hz: 1 / (1 + ((hz * hz - square) / (np.maximum(hz, 1e-6 * low_hz) * width_hz)) ** (2 * order))
