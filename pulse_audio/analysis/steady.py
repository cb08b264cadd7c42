"""A rate that does not change, found from all of the sound at once.

Where the speed is steady, one rate for the whole stretch puts the lines where they are more exactly than any track can:
the rate at which the multiples hold most power, each counted by the noise about it, is the maximum likelihood estimate
(Quinn & Thomson, Estimating the frequency of a periodic function, Biometrika 78, 1991; from memory).
"""

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft
from scipy.ndimage import uniform_filter1d

from pulse_audio.analysis.fold import Lines, Phase, peak_offset, piece
from pulse_audio.analysis.prepare import WAVE_RATE_HZ, Signals

Floats = NDArray[np.float64]

LONGEST_S = 15.0
NEARLY_STEADY = 0.02  # natural log of speed, over the middle nine tenths of the time
SHORT_S = 2.0  # less sound has so few frames that their rates alone scatter more
AS_SHARP = 0.98
TOP_HZ = 1200.0
BLOCK_S = 0.01  # within it, a rate that is a per cent off turns a line at `TOP_HZ` by a tenth
STAGES = ((150.0, 0.004), (TOP_HZ, 0.0006), (TOP_HZ, 0.00006))  # lines up to, and how far off the rate may be
FEWEST_TRIES = 21
TAPERED = 0.5
WINDOW_LOSS = 1.7  # variance of a rate through this window over that through none: sums of w^2 t^2 and w t^2


def steadied(heard: Signals, rough: Phase, refined: Phase) -> Phase:
    """Return the track of the sharper lines, or the best constant rate near either if its lines are as sharp.

    Refining may lead a track astray that runs at a fraction of the firing rate and shares few lines with it. A long
    recording is judged by its middle, and has no constant rate.
    """
    start_s = max((heard.duration_s - LONGEST_S) / 2, 0.0)
    sharp = {track: sharpness(heard, track, start_s, heard.duration_s - start_s) for track in (rough, refined)}
    best = rough if sharp[rough] > sharp[refined] else refined
    if start_s:
        return best
    widest = NEARLY_STEADY * max(1.0, SHORT_S / heard.duration_s)
    sharpest = AS_SHARP * sharp[best]
    for track in (rough, refined):
        low, middle, high = np.quantile(track.rate_hz, (0.05, 0.5, 0.95))
        lines = _whole_lines(heard, float(middle)) if np.log(high / low) < widest else None
        if lines is not None:
            rate_hz = constant_rate_hz(heard.wave, float(middle), lines.order.astype(np.float64), lines.noise_power)
            steady = _constant(rate_hz, heard.duration_s)
            if (found := sharpness(heard, steady)) > sharpest:
                best, sharpest = steady, found
    return best


FINER = 4  # points of the spectrum for each bin: so the peak of a tone is a parabola
TONE_SHARE = 0.03  # of all power: less hides nothing
TONE_BINS, AROUND_BINS, KEPT = 3, 20, 0.5  # either side: a tone that stands still keeps to few bins of those around
NOTCH_HZ, NOTCH_BINS = 0.5, 2.0  # taken out to either side of a line


def tone_hz(wave: Floats) -> float | None:
    """Return the frequency of the strongest tone that stands still, if it holds a fair part of the power, else None."""
    padded = next_fast_len(FINER * len(wave), real=True)
    power = np.abs(np.asarray(rfft(wave, padded))) ** 2
    held, around = (uniform_filter1d(power, 2 * FINER * bins + 1) for bins in (TONE_BINS, AROUND_BINS))
    held[held * TONE_BINS < KEPT * around * AROUND_BINS] = 0.0
    held[: FINER * AROUND_BINS] = held[-FINER * AROUND_BINS :] = 0.0
    strongest = int(held.argmax())
    if held[strongest] * FINER * 2 * TONE_BINS <= TONE_SHARE * power.sum():
        return None
    first = strongest - FINER * TONE_BINS
    peak = first + int(power[first : strongest + FINER * TONE_BINS + 1].argmax())
    offset = peak_offset(*np.log(power[peak - 1 : peak + 2] + 1e-300))
    return float((peak + offset) * WAVE_RATE_HZ / padded)


def without_lines(wave: Floats, rate_hz: float) -> Floats:
    """Take a steady tone and all its multiples out of a wave at `WAVE_RATE_HZ`."""
    turn = np.exp(2j * np.pi * rate_hz / WAVE_RATE_HZ * np.arange(len(wave)))
    phasor, left = turn.copy(), wave.copy()
    for _ in range(int(WAVE_RATE_HZ / 2 / rate_hz)):
        left -= 2 * np.real(np.vdot(phasor, left) / len(wave) * phasor)
        phasor *= turn
    # What is not quite steady stands close by. The rest went first, as its skirts would reach beyond any notch.
    spectrum = np.asarray(rfft(left))
    bin_hz = WAVE_RATE_HZ / len(wave)
    frequency_hz = np.arange(len(spectrum)) * bin_hz
    multiple = np.maximum(np.rint(frequency_hz / rate_hz), 1.0)
    spectrum[np.abs(frequency_hz - multiple * rate_hz) < max(NOTCH_HZ, NOTCH_BINS * bin_hz)] = 0.0
    return np.asarray(irfft(spectrum, len(wave)))


def _whole_lines(heard: Signals, rate_hz: float) -> Lines | None:
    return _lines(heard, _constant(rate_hz, heard.duration_s), 0.0, heard.duration_s)


def _constant(rate_hz: float, duration_s: float) -> Phase:
    return Phase.from_rate(np.array([0.0, duration_s]), np.array([rate_hz, rate_hz]), duration_s)


def _lines(heard: Signals, phase: Phase, start_s: float, end_s: float) -> Lines | None:
    """Lines at the multiples of a track's rate; None if it goes through too few cycles."""
    stretch = piece(heard.wave, WAVE_RATE_HZ, phase, start_s, end_s)
    return stretch.lines(1.0, TOP_HZ, int(TOP_HZ)) if stretch else None


def sharpness(heard: Signals, phase: Phase, start_s: float = 0.0, end_s: float | None = None) -> float:
    """How far the lines stand above the noise: the sum of the logarithms, so that no strong one outvotes the others."""
    lines = _lines(heard, phase, start_s, heard.duration_s if end_s is None else end_s)
    return float(np.log1p(np.abs(lines.amplitude) ** 2 / lines.noise_power).sum()) if lines else 0.0


def _taper(count: int) -> Floats:
    """Window that rises and falls as a cosine over `TAPERED` of its length in all (Tukey's)."""
    from_end = np.minimum(np.arange(count), np.arange(count)[::-1]) / (TAPERED / 2 * (count - 1))
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * np.minimum(from_end, 1.0)))


def constant_rate_hz(wave: Floats, near_hz: float, orders: Floats, noise_power: Floats) -> float:
    """Return the constant rate near a given one whose multiples hold most power over noise.

    Parameters
    ----------
    wave : ndarray, at `WAVE_RATE_HZ`
    near_hz : float
        Right within half a per cent.
    orders, noise_power : ndarray, shape (n_lines,)
        The multiples to look at, and the noise at each (of any scale).
    """
    block = round(BLOCK_S * WAVE_RATE_HZ)
    whole = len(wave) // block * block
    # Without a window, lines that lie some cycles apart would pull at each other; a full one would cost more noise.
    blocks = (wave[:whole] * _taper(whole)).reshape(-1, block)
    inside = (np.arange(block) - (block - 1) / 2) / WAVE_RATE_HZ
    middle_s = (np.arange(len(blocks)) - (len(blocks) - 1) / 2) * BLOCK_S
    duration_s = len(blocks) * BLOCK_S
    rate_hz = near_hz
    for top_hz, reach in STAGES:
        used = orders * near_hz <= max(top_hz, 3.5 * near_hz * orders[0])
        count = max(FEWEST_TRIES, int(8 * reach * duration_s * float(orders[used].max()) * near_hz))
        off_hz = rate_hz * np.linspace(-reach, reach, count)
        # Amplitude of each line in each block, turned back by the rate looked near: what is left turns slowly.
        turned = blocks @ np.exp(-2j * np.pi * rate_hz * np.outer(inside, orders[used]))
        turned *= np.exp(-2j * np.pi * rate_hz * np.outer(middle_s, orders[used]))
        held = np.zeros(count)
        for order, line, noise in zip(orders[used], turned.T, noise_power[used], strict=True):
            held += np.abs(np.exp(-2j * np.pi * order * np.outer(off_hz, middle_s)) @ line) ** 2 / noise
        pick = int(np.clip(held.argmax(), 1, count - 2))
        rate_hz += off_hz[pick] + float(peak_offset(*held[pick - 1 : pick + 2])) * (off_hz[1] - off_hz[0])
    return float(rate_hz)
