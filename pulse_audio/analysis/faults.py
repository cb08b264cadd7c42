"""What is wrong with a recording, if it can change an answer, and what the recordist can do about it.

What this can not do: tell wind from another irregular rumble that grows towards low frequency; tell mains hum from an
engine that fires evenly 50 or 60 times a second and as steadily as a power station turns; see that a wave was clipped
if it was filtered, resampled, mixed or coded with loss afterwards.
"""

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.fft import rfft

from pulse_audio.analysis.filtering import filtered
from pulse_audio.analysis.prepare import LOWEST_HZ
from pulse_audio.units import db_from_ratio

Floats = NDArray[np.float64]

STEP_16_BIT = 2.0**-15
# Half a step of 24 bits, the finest whole numbers in use: less than this is rounding.
SILENT_BELOW = 2.0**-24
# Rounding to 16 bits makes noise of step / sqrt(12), -101 dB (textbook). A line 30 dB below the whole, the weakest that
# still shapes a pattern, then stands 10 dB above it.
QUIET_BELOW_DB = -60.0
# So far off zero, a wave has lost 0.9 dB of headroom on one side; less is harmless, since the analysis filters it out.
OFFSET_ABOVE = 0.1
# A part with a hundredth of the power is a tenth of the amplitude: it can move a line by 1 dB, as cylinders differ.
HARMFUL_SHARE = 0.01
LEAST_RATE_HZ = 8000  # the hiss that marks each pulse is read up to 3600 Hz (`prepare.HISS_BAND_HZ`)

SILENT = "digital silence: nothing was recorded; check the input, and which channel the microphone is on"


def is_silent(mono: Floats) -> bool:
    """Whether there is nothing but a constant."""
    return not len(mono) or float(np.ptp(mono)) < SILENT_BELOW


def recording_notes(samples: Floats, sample_rate_hz: int) -> tuple[str, ...]:
    """Say what is wrong with a recording: a sentence for each fault, with what to do. Empty for a good one.

    Parameters
    ----------
    samples : ndarray, shape (n,) or (n, channels), finite, full scale 1
        Clipping is looked for in each channel, all else in their mean.
    sample_rate_hz : int
        Rate of `samples`.
    """
    mono = samples if samples.ndim == 1 else samples.mean(axis=1)
    if is_silent(mono):
        return (SILENT,)
    notes = []
    if clipped := max(clipped_share(channel) for channel in samples.reshape(len(mono), -1).T):
        notes.append(
            f"clipped: {100 * clipped:.2g} % of the samples lie at a flat ceiling, which makes pulses more alike than "
            "they are; turn the input down and record again"
        )
    offset, size = float(mono.mean()), float(mono.std())
    if (level_db := db_from_ratio(size)) < QUIET_BELOW_DB:
        notes.append(f"too quiet: {level_db:.0f} dB of full scale, near the recorder's own noise; turn the input up")
    if gaps := dropouts(mono, sample_rate_hz):
        notes.append(
            f"sound was lost in {gaps} place{'s' if gaps > 1 else ''}, where the recording breaks off and goes on; "
            "close other programs, or take another memory card, and record again"
        )
    if abs(offset) > OFFSET_ABOVE:
        notes.append(f"the wave sits {offset:+.2f} of full scale off zero and clips early; try another input or cable")
    if sample_rate_hz < LEAST_RATE_HZ:
        notes.append(
            f"sample rate of {sample_rate_hz} Hz: what lies above {sample_rate_hz / 2:g} Hz is lost, with it hiss that "
            f"marks each pulse; record at {2 * LEAST_RATE_HZ} Hz or more"
        )
    if sample_rate_hz >= LOW_RATE_HZ and len(mono) >= SHORTEST_S * sample_rate_hz:
        notes += _low_notes(*_low_part(mono, sample_rate_hz), size**2, sample_rate_hz / 2)
    return tuple(notes)


# A crest of a smooth wave is a parabola: within d of its top it stays for a time that goes with the root of d. Of the
# samples within 20 d of the top, 1 / sqrt(20) or 22 % lie within d; of noise fewer. More than half there: a ceiling.
# A tone with a period of a few whole samples meets its crest at the same few places, but never three times in a row.
CEILING_SHARE, CEILING_ZONE, CEILING_RUNS = 1e-3, 20, 3


def clipped_share(mono: Floats) -> float:
    """Return the share of samples cut off at a ceiling, wherever the ceiling now lies; 0 if the wave is whole."""
    count, mean, size = 0, float(mono.mean()), float(mono.std())
    for sign, ceiling in ((1, float(mono.max())), (-1, -float(mono.min()))):
        depth = max(CEILING_SHARE * ceiling, 1.5 * STEP_16_BIT)
        zone = ceiling - CEILING_ZONE * depth
        if zone < 0 or ceiling - sign * mean < size:
            continue  # too few steps; or the rest level of one-sided pulses: crests lie above the root mean square
        near = np.flatnonzero(mono > zone if sign > 0 else mono < -zone)
        top = near[sign * mono[near] > ceiling - depth]
        if 2 * len(top) > len(near) and np.count_nonzero(top[2:] - top[:-2] == 2) >= CEILING_RUNS:
            count += len(top)
    return count / len(mono)


# A wave of 20 Hz that swings over 8 steps either way stays within half a step of zero for 1 / (2 pi 20 * 8) s = 1 ms.
# Pulses that die away to nothing, as made-up engines may, leave zeros too, but not with loud sound on both sides; and
# in coarse steps, of 8 bits or of a quiet recording, what moves by a step or two beside zeros is not loud.
DROPOUT_S, DROPOUT_EDGE, DROPOUT_STEPS = 2e-3, 0.1, 8


def dropouts(mono: Floats, sample_rate_hz: int) -> int:
    """Return how often the sound turns into zeros and back without dying away before."""
    width = max(2, round(DROPOUT_S * sample_rate_hz))
    zeros = np.flatnonzero(mono == 0.0)
    step = np.min(np.abs(mono), where=mono != 0.0, initial=np.inf)
    ends = np.flatnonzero(np.diff(zeros, prepend=-2, append=len(mono) + 2) > 1)
    first, last = zeros[ends[:-1]], zeros[ends[1:] - 1]
    inside = (last - first + 1 >= width) & (first >= width) & (last + width < len(mono))
    reach = np.arange(1, width + 1)
    edges = (np.abs(mono[at[inside, None] + side * reach]).mean(axis=1) for at, side in ((first, -1), (last, 1)))
    return int(np.count_nonzero(np.minimum(*edges) > max(DROPOUT_EDGE * mono.std(), DROPOUT_STEPS * step)))


LOW_RATE_HZ = 1000  # enough for all that follows; sampled at this to nearly double of it


def _low_part(mono: Floats, sample_rate_hz: int) -> tuple[Floats, float]:
    """Slow samples of what lies below 450 Hz, mean 0; plain averages first, as that is quick, down to 8 kHz."""
    first = max(1, sample_rate_hz // 8000)
    whole = len(mono) // first * first
    slow = mono[:whole].reshape(-1, first) @ np.full(first, 1 / first)
    second = max(1, sample_rate_hz // first // LOW_RATE_HZ)
    return filtered(slow - slow.mean(), sample_rate_hz / first, down=second), sample_rate_hz / first / second


def _spectra(wave: Floats, rate_hz: float, frame_s: float) -> tuple[Floats, float]:
    """Power in each bin of half-overlapping Hann frames, shape (frames, bins), adding up to that of the wave."""
    length = min(len(wave), round(frame_s * rate_hz))
    window = np.hanning(length + 1)[:-1]
    frames = np.lib.stride_tricks.sliding_window_view(wave, length)[:: length // 2] * window
    return 2 * np.abs(rfft(frames, axis=1)) ** 2 / (length * (window**2).sum()), rate_hz / length


# Hardly any engine runs below 600 rpm (common practice), so no cycle is slower than 5 a second: what sounds between 2
# and 5 Hz is none. Noise of wind follows the speed of turbulent air (stagnation pressure: Lyons, Hart & Raspet,
# Acoustics Today, winter 2021, p. 22), whose spectrum falls with f^(-5/3) (Kolmogorov, from memory): it is nowhere
# denser than in any band below, as an engine's lines are, be they smeared or not.
RUMBLE_EDGES_HZ = (2.0, 5.0, 8.0, LOWEST_HZ, 16.0, 24.0, 32.0, 48.0, 64.0)
RUMBLE_WIDTH_HZ = RUMBLE_EDGES_HZ[-1] - LOWEST_HZ
RUMBLE_OVER_HISS = 2.0  # hiss without colour has that band's share of its power there, too
RUMBLE_FRAME_S, SHORTEST_S = 2.0, 1.0  # a Hann line is 4 / length wide (Harris, Proc. IEEE 66, 1978, from memory)
# A telephone passes 300 to 3400 Hz (ITU-T P.310, summary). A small source loses at most 12 dB an octave towards low
# frequency (monopole: pressure goes with the rate of change of flow; Pierce, Acoustics, from memory), 16 dB between
# the middles of these bands, 350 and 56 Hz. More is a filter's doing.
FEW_LOWS_HZ, PLAIN_HZ, FILTERED_BELOW_DB = (LOWEST_HZ, 100.0), (300.0, 400.0), -20.0


def _low_notes(low: Floats, rate_hz: float, whole_power: float, top_hz: float) -> list[str]:
    power, bin_hz = _spectra(low, rate_hz, RUMBLE_FRAME_S)
    hz = np.arange(power.shape[1], dtype=np.float64) * bin_hz
    whole = max(whole_power - float(power[:, hz < LOWEST_HZ].sum(axis=1).mean()), 1e-30)
    rumble, hum = _rumble_power(power, hz) / whole, _hum(low, rate_hz)
    notes = []
    if rumble > max(HARMFUL_SHARE, RUMBLE_OVER_HISS * RUMBLE_WIDTH_HZ / top_hz):
        notes.append(
            f"wind, or a rumble like it: about {100 * min(rumble, 1):.0f} % of the power, between {LOWEST_HZ:.0f} and "
            f"{RUMBLE_EDGES_HZ[-1]:.0f} Hz, where it hides low orders; shield the microphone or record in the lee"
        )
    if hum is not None and hum[1] > HARMFUL_SHARE * whole:
        notes.append(
            f"mains hum at {hum[0]:.0f} Hz and its multiples: about {100 * min(hum[1] / whole, 1):.0f} % of the power; "
            "its lines can pass for firings; run the recorder on battery, away from mains leads and transformers"
        )
    lows, plain = (power[:, (hz >= a) & (hz < b)].mean(axis=0) for a, b in (FEW_LOWS_HZ, PLAIN_HZ))
    fall_db = 10 * np.log10(max(float(np.median(lows)), 1e-30) / max(float(np.median(plain)), 1e-30))
    if lows.sum() < HARMFUL_SHARE * whole and fall_db < FILTERED_BELOW_DB:
        notes.append(
            f"hardly anything below {FEW_LOWS_HZ[1]:.0f} Hz, as over a telephone: orders down there are lost; switch "
            "low-cut and voice settings off, or use another microphone"
        )
    return notes


def _rumble_power(power: Floats, hz: Floats) -> float:
    """Power above `LOWEST_HZ` of what is irregular and nowhere denser than in any band below."""
    # The median passes over lines; for noise, whose power is spread exponentially, it is ln 2 of the mean.
    bands = [power[:, (hz >= a) & (hz < b)] for a, b in pairwise(RUMBLE_EDGES_HZ)]
    density = [np.median(band, axis=1).mean() / np.log(2) for band in bands]
    bins = np.diff(RUMBLE_EDGES_HZ) / hz[1]
    return float((np.minimum.accumulate(density) * bins)[RUMBLE_EDGES_HZ.index(LOWEST_HZ) :].sum())


MAINS_HZ = (50.0, 60.0)
MAINS_OFF_HZ = 0.2  # power stations keep within it (ENTSO-E operation handbook, as quoted at mainsfrequency.com)
HUM_FRAME_S, SHORTEST_HUM_S = 8.0, 3.0  # lines of 3 s are 4 / 3 Hz wide; in less, any engine is steady enough
HIGHEST_HUM_HZ, FEWEST_HUM_LINES = 450.0, 3
LINE_BINS, SKIRT_BINS = 1, 12  # either side; 3 bins hold at least 98 % of a Hann line
CLEAR_LINE = 10.0  # three bins of its skirt hold at most a tenth of a line: a wandering speed would fill them
FRACTIONS = range(2, 9)


def hum_hz(mono: Floats, sample_rate_hz: int) -> float | None:
    """Return 50 or 60 if most of the sound is mains hum of that frequency, else None; needs 3 s at 1 kHz or more."""
    hum = _hum_in(mono, sample_rate_hz)
    return hum[0] if hum is not None and hum[1] > 0.5 * mono.var() else None


def mains_hz(mono: Floats, sample_rate_hz: int) -> float | None:
    """Return the mains' frequency as measured if so much hum is heard that the recording's notes tell it, else None."""
    hum = _hum_in(mono, sample_rate_hz)
    return hum[2] if hum is not None and hum[1] > HARMFUL_SHARE * mono.var() else None


def _hum_in(mono: Floats, sample_rate_hz: int) -> tuple[float, float, float] | None:
    if sample_rate_hz < LOW_RATE_HZ or len(mono) < SHORTEST_HUM_S * sample_rate_hz or is_silent(mono):
        return None
    return _hum(*_low_part(mono, sample_rate_hz))


def _hum(low: Floats, rate_hz: float) -> tuple[float, float, float] | None:
    """Mains frequency, power of the lines at its multiples (steady, all off by one factor), frequency as measured."""
    if len(low) < SHORTEST_HUM_S * rate_hz:
        return None
    power, bin_hz = _spectra(low, rate_hz, HUM_FRAME_S)
    total = np.concatenate(([0.0], np.cumsum(np.median(power, axis=0))))  # median over time: hum is always there
    best = (0, 0.0, 0.0, 0.0)
    for mains in MAINS_HZ:
        orders = np.arange(1, int(HIGHEST_HUM_HZ / mains) + 1)
        for real in np.arange(mains - MAINS_OFF_HZ, mains + MAINS_OFF_HZ, bin_hz / 2 / len(orders)):
            lines = _clear_lines(total, real * orders / bin_hz)
            best = max(best, (int(np.count_nonzero(lines)), float(lines.sum()), mains, float(real)))
    count, found, mains, real = best
    if count < FEWEST_HUM_LINES:
        return None
    # An engine in step with the mains has lines at multiples of a fraction of its frequency as well.
    for fraction in FRACTIONS:
        orders = np.arange(1, int(HIGHEST_HUM_HZ / real * fraction))
        places = orders[orders % fraction > 0] * real / fraction / bin_hz
        lines = _clear_lines(total, places[places > SKIRT_BINS])
        if np.count_nonzero(lines) / len(lines) > 0.5 * count / int(HIGHEST_HUM_HZ / mains):
            return None
    return mains, found, real


def _clear_lines(total: Floats, places: Floats) -> Floats:
    """Power of each line that stands clear of its surroundings, from running sums over bins; 0 for the others."""
    middle = np.rint(places).astype(int)
    line, wide = (total[middle + half + 1] - total[middle - half] for half in (LINE_BINS, SKIRT_BINS))
    skirt = (wide - line) * (2 * LINE_BINS + 1) / (2 * (SKIRT_BINS - LINE_BINS))
    return np.where(line > CLEAR_LINE * np.maximum(skirt, 1e-30), line - skirt, 0.0)


# A Hann frame must hold 4 cycles to keep neighbouring multiples of the cycle rate apart (a line is 4 / length wide),
# and three frames are the fewest whose scatter tells a line from noise. Over 12 cycles, noise loses 10.8 dB against
# what repeats (1 / sqrt(12): Hochmann & Sadok, IEEE Aerospace Conference 2004).
CYCLES_A_FRAME, FEWEST_FRAMES = 4, 3


def shortest_needed_s(cycle_hz: float) -> float:
    """Return how long sound of nearly steady speed must last to read the pattern at this cycle rate: 12 cycles."""
    return CYCLES_A_FRAME * FEWEST_FRAMES / cycle_hz


def too_short_note(duration_s: float, cycle_hz: float) -> str:
    """Say how much sound there is, and how long it should last."""
    cycles = round(duration_s * cycle_hz)
    return (
        f"short: {duration_s:.1f} s of steady speed hold {cycles} cycle{'' if cycles == 1 else 's'}, fewer than the "
        f"odds can be trusted for; record at least {np.ceil(10 * shortest_needed_s(cycle_hz)) / 10:.1f} s of it"
    )
