"""What the picture of an analysed recording draws: the crank angle at each sample, pulses, folded cycle, order lines.

Nothing is judged here: speed, intervals and readings come from the analysis, and only their places in the recording
are looked up again so that they can be drawn.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, uniform_filter1d
from scipy.signal import butter, resample_poly, sosfiltfilt

from pulse_audio.analysis.result import Analysis
from pulse_audio.catalogue import layout, layout_names
from pulse_audio.clip import Clip
from pulse_audio.orders import order_amplitudes
from pulse_audio.units import cycle_deg, rpm_to_deg_per_s

Floats = NDArray[np.float64]
RATE_HZ = 8000
BAND_HZ = (20.0, 2500.0)
BINS = 720
SMOOTH_CYCLES = 6.0  # over how many cycles the crank angle is brought into step with the sound
TOP_ORDER_FACTOR = 3.0
MOST_ORDERS = 12.0
FLOOR_DB = -40.0


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Folded:
    """A recording laid over its cycle.

    Attributes
    ----------
    time_s, wave : ndarray, shape (frames,)
        The recording at 8 kHz between 20 and 2500 Hz; time from the start of the file.
    pulse_s : ndarray
        Times of the pulses found.
    first_pulse : int
        Number within its cycle, from 0, of the first of them.
    cycle_deg : float
    angle_deg, mean_wave, mean_level : ndarray, shape (720,)
        Mean over all cycles of the wave and of its level, over the crank angle from the first pulse.
    pulse_deg : ndarray
        Angles of the pulses, the first at 0.
    order : ndarray
        Orders of the lines.
    found_db, fitted_db : ndarray
        Level of each line, and what the best reading's pattern gives with a smooth spectrum; 0 is the strongest found.
    pattern : str
        Name of the layout of the best reading, or its intervals.
    """

    time_s: Floats
    wave: Floats
    pulse_s: Floats
    first_pulse: int
    cycle_deg: float
    angle_deg: Floats
    mean_wave: Floats
    mean_level: Floats
    pulse_deg: Floats
    order: Floats
    found_db: Floats
    fitted_db: Floats
    pattern: str


def listened(span: Clip) -> Floats:
    """Return the sound as one channel at 8 kHz between 20 and 2500 Hz."""
    samples = span.mono()
    common = int(np.gcd(span.sample_rate_hz, RATE_HZ))
    up, down = RATE_HZ // common, span.sample_rate_hz // common
    mono = resample_poly(samples, up, down) if up != down else samples
    band = butter(2, BAND_HZ, "bandpass", fs=RATE_HZ, output="sos")
    return np.asarray(sosfiltfilt(band, mono, padlen=min(3 * RATE_HZ // 20, len(mono) - 1)))


def fold(span: Clip, found: Analysis) -> Folded | None:
    """Return what is drawn of a recording that could be read; None where there are no intervals or no speed.

    Parameters
    ----------
    span : Clip
        The part of the recording that the answer is about.
    found : Analysis
    """
    if not found.intervals_deg or not found.readings or not found.speed_track:
        return None
    whole_deg = cycle_deg(found.readings[0].strokes)
    gaps = np.asarray(found.intervals_deg, dtype=np.float64) * whole_deg / sum(found.intervals_deg)
    pulse_deg = np.concatenate(([0.0], np.cumsum(gaps)[:-1]))
    wave = listened(span)
    time_s = np.arange(len(wave)) / RATE_HZ + found.span_s[0]
    angle = _in_step(wave, _turned(time_s, found), whole_deg, len(gaps))
    level = np.sqrt(gaussian_filter1d(wave**2, RATE_HZ * _narrow_s(found)))
    folded_level = _mean_over_cycle(level, angle, whole_deg)
    start = _start(folded_level, pulse_deg, whole_deg)
    angle = angle - start
    mean_wave = _mean_over_cycle(wave, angle, whole_deg)
    pulses_at = _pulse_angles(angle, pulse_deg, whole_deg)
    order, found_db, fitted_db, pattern = _lines(mean_wave, found, pulse_deg, whole_deg)
    return Folded(
        time_s=time_s,
        wave=wave,
        pulse_s=np.interp(pulses_at, angle, time_s),
        first_pulse=int(np.argmin(np.abs(pulse_deg - pulses_at[0] % whole_deg))),
        cycle_deg=whole_deg,
        angle_deg=(np.arange(BINS) + 0.5) * whole_deg / BINS,
        mean_wave=mean_wave,
        mean_level=_mean_over_cycle(level, angle, whole_deg),
        pulse_deg=pulse_deg,
        order=order,
        found_db=found_db,
        fitted_db=fitted_db,
        pattern=pattern,
    )


def _turned(time_s: Floats, found: Analysis) -> Floats:
    """Return the crank angle turned since the first sample, from the speed track."""
    at_s, rpm = np.array(found.speed_track).T
    speed = rpm_to_deg_per_s(1.0) * np.interp(time_s, at_s, rpm)
    return np.concatenate(([0.0], np.cumsum((speed[1:] + speed[:-1]) / 2 / RATE_HZ)))


def _narrow_s(found: Analysis) -> float:
    """Return a smoothing time that keeps pulses apart: a twelfth of the mean gap."""
    rate = found.firing_rate_hz or found.readings[0].rpm / 60.0
    return min(1.0 / (12.0 * rate), 0.01)


def _in_step(wave: Floats, angle: Floats, whole_deg: float, pulses: int) -> Floats:
    """Bring the angle into step with the sound: follow the phase of its strongest line and take out its drift."""
    turns = angle / whole_deg
    frames_per_cycle = len(wave) / max(float(turns[-1]), 1e-9)
    window = max(int(SMOOTH_CYCLES * frames_per_cycle), 8)
    if window >= len(wave) / 2:
        return angle
    best, strength = np.ones(len(wave), dtype=np.complex128), 0.0
    chosen = 1
    for harmonic in range(1, 4 * pulses + 1):
        line = wave * np.exp(-2j * np.pi * harmonic * turns)
        line = uniform_filter1d(line.real, window) + 1j * uniform_filter1d(line.imag, window)
        size = float(np.mean(np.abs(line) ** 2))
        if size > strength:
            best, strength, chosen = line, size, harmonic
    drift = gaussian_filter1d(np.unwrap(np.angle(best)), window / 4) / (2 * np.pi * chosen)
    return np.asarray(angle + whole_deg * (drift - drift[len(drift) // 2]))


def _mean_over_cycle(values: Floats, angle: Floats, whole_deg: float) -> Floats:
    bins = np.floor((angle % whole_deg) * BINS / whole_deg).astype(int) % BINS
    counts = np.bincount(bins, minlength=BINS)
    sums = np.bincount(bins, weights=values, minlength=BINS)
    filled = np.flatnonzero(counts)
    mean = sums[filled] / counts[filled]
    return np.interp(np.arange(BINS), filled, mean, period=BINS)


def _start(level: Floats, pulse_deg: Floats, whole_deg: float) -> float:
    """Return the angle at which the pulses lie on the loudest places of the cycle."""
    at = np.round(pulse_deg * BINS / whole_deg).astype(int)
    score = sum(np.roll(level, -k) for k in at)
    return float(np.argmax(score)) * whole_deg / BINS


def _pulse_angles(angle: Floats, pulse_deg: Floats, whole_deg: float) -> Floats:
    first, last = int(np.floor(angle[0] / whole_deg)), int(np.ceil(angle[-1] / whole_deg))
    wanted = (np.arange(first, last + 1)[:, None] * whole_deg + pulse_deg[None, :]).ravel()
    return np.asarray(wanted[(wanted >= angle[0]) & (wanted <= angle[-1])])


def _lines(
    mean_wave: Floats, found: Analysis, pulse_deg: Floats, whole_deg: float
) -> tuple[Floats, Floats, Floats, str]:
    """Return orders, measured levels, levels of the best reading's pattern, and that pattern's name."""
    reading = found.readings[0]
    known = [name for name in reading.layouts if name in layout_names()]
    firing = np.array(layout(known[0]).firing_deg) if known else pulse_deg
    pattern = known[0] if known else "-".join(f"{gap:.0f}" for gap in found.intervals_deg or ())
    per_order = whole_deg / 360.0
    top = min(max(TOP_ORDER_FACTOR * len(firing) / per_order, 4.0), max(MOST_ORDERS, 1.5 * len(firing) / per_order))
    count = int(top * per_order)
    power = np.abs(np.fft.rfft(mean_wave))[1 : count + 1] ** 2
    comb = np.abs(order_amplitudes(firing, whole_deg, count=count))[1:] ** 2 / len(firing) ** 2
    width = max(len(firing) / 2.0, 2.0)
    # The smooth spectrum that both must share: line power over pattern power, averaged where the pattern has lines.
    ratio = np.log(power + 1e-12 * power.max()) - np.log(comb + 1e-6)
    weight = gaussian_filter1d(comb, width, mode="nearest") + 1e-12
    smooth = np.exp(gaussian_filter1d(ratio * comb, width, mode="nearest") / weight)
    top_power = float(power.max()) or 1.0
    shown = [10 * np.log10(np.maximum(p / top_power, 10 ** (FLOOR_DB / 10))) for p in (power, smooth * comb)]
    return np.arange(1, count + 1) / per_order, shown[0], shown[1], pattern
