"""The repeat rate over time: which rate's multiples hold the lines of the spectrum, frame by frame.

Each frame is stretched in time as if its rate rose or fell steadily (a few slopes are tried), so that a changing
speed still gives sharp lines. On its power spectrum, divided by the local noise level, every candidate rate collects
the evidence of lines at its multiples less that at the points midway between them. A best path through the frames
(dynamic programming) joins them. The path is then sharpened from the phases of the strongest multiples.

The rate found may be the working cycle, the firing rate or another small fraction or multiple: which of them is the
cycle is for `hypotheses` to say.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import next_fast_len, rfft

from pulse_audio.analysis.filtering import filtered
from pulse_audio.analysis.fold import Phase, frame_orders, peak_offset
from pulse_audio.analysis.prepare import WAVE_RATE_HZ, Signals
from pulse_audio.analysis.threads import side_by_side

Floats = NDArray[np.float64]
Spectra = NDArray[np.float32]

HOP_S = 0.2
STEP = (
    0.002  # candidate rates stand this far apart (natural logarithm): a quarter of a line's width at the 30th multiple
)
LOWEST_HZ, HIGHEST_HZ = 4.5, 160.0
MULTIPLES = 30
NOISE_BLOCK_HZ = 50.0
STRONGEST = 12.0  # a line 11 dB above the noise is certain; more must not outvote the other multiples
REFERENCE_FRAME_S = 0.45
FRAMES_AT_ONCE = 10  # what fits into a processor's cache is several times as fast


@dataclass(frozen=True, kw_only=True, slots=True)
class Range:
    """Candidate rates analysed with one frame length, six cycles or more, and lines up to `top_hz`.

    Of the samples one in `thinned` is kept: still four for a period at `top_hz`, as straight lines between them need.
    """

    frame_s: float
    low_hz: float
    high_hz: float
    top_hz: float
    thinned: int
    slopes_per_s: tuple[float, ...]


def both_signs(*slopes: float) -> tuple[float, ...]:
    """Slopes up and down, and none."""
    return (0.0, *(sign * s for s in slopes for sign in (1, -1)))


RANGES = (
    Range(
        frame_s=1.5,
        low_hz=LOWEST_HZ,
        high_hz=9.5,
        top_hz=300,
        thinned=4,
        slopes_per_s=both_signs(0.02, 0.05, 0.1, 0.18),
    ),
    Range(frame_s=0.8, low_hz=7.5, high_hz=17, top_hz=500, thinned=3, slopes_per_s=both_signs(0.03, 0.08, 0.16, 0.3)),
    Range(frame_s=0.45, low_hz=13.3, high_hz=33, top_hz=900, thinned=2, slopes_per_s=both_signs(0.06, 0.15, 0.3, 0.5)),
    Range(
        frame_s=0.25,
        low_hz=24,
        high_hz=HIGHEST_HZ,
        top_hz=1500,
        thinned=1,
        slopes_per_s=both_signs(0.1, 0.25, 0.5, 0.8),
    ),
)
CANDIDATES_HZ = np.exp(np.arange(np.log(LOWEST_HZ), np.log(HIGHEST_HZ), STEP))


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Track:
    """Rate over time.

    Attributes
    ----------
    time_s, rate_hz : ndarray, shape (n_frames,)
    evidence : ndarray, shape (n_frames,)
        How much better the lines explain the frame than noise does (log likelihood ratio, scaled alike for all rates).
    all_rates : tuple of ndarray, shape (n_frames, n_candidates), or None
        What `rate_evidence` gave, for another track of the same sound.
    """

    time_s: Floats
    rate_hz: Floats
    evidence: Floats
    all_rates: tuple[Floats, Floats] | None = None


def line_evidence(power: Spectra) -> Spectra:
    """Log likelihood ratio of "there may be a line" against "noise", for power in units of the noise level.

    Noise power is exponentially distributed with mean 1; a line of unknown strength s (2 to 50, about 5 dB
    apart) makes the mean 1 + s; half of all multiples carry no line.
    """
    strengths = np.array([2.0, 5.0, 15.0, 50.0])
    grid = np.arange(0.0, STRONGEST + 0.05, 0.05)
    ratio = np.mean(np.exp(grid[:, None] * strengths / (1 + strengths)) / (1 + strengths), axis=1)
    table = np.log(0.5 + 0.5 * ratio).astype(np.float32)
    return np.asarray(table[(np.minimum(power, STRONGEST) * 20).astype(np.int32)])


def stretched_spectra(signal: Floats, rate_hz: float, centres: Floats, part: Range) -> Iterator[tuple[Spectra, float]]:
    """Yield whitened power spectra of a few frames, shape (frames, slopes, bins), and the width of a bin in hertz."""
    frame = int(part.frame_s * rate_hz)
    padded = next_fast_len(2 * frame, real=True)
    bin_hz = rate_hz / padded
    bins = min(int(part.top_hz / bin_hz) + 2, padded // 2 + 1)
    offset_s = (np.arange(frame) + 0.5) / rate_hz - part.frame_s / 2
    # Time t at which a frame whose rate is proportional to 1 + slope t has gone through as much as a steady one.
    positions = [
        offset_s if slope == 0 else (np.sqrt(np.maximum(1 + 2 * slope * offset_s, 0.01)) - 1) / slope
        for slope in part.slopes_per_s
    ]
    limit = 0.65 * part.frame_s
    at = np.clip(np.array(positions), -limit, limit) * rate_hz + frame
    before = at.astype(np.int64)
    window = np.hanning(frame)
    # Straight lines between samples: each sample's share, windowed.
    share_after = ((at - before) * window).astype(np.float32)
    share_before = window.astype(np.float32) - share_after
    room = np.pad(signal.astype(np.float32), frame)
    starts = np.rint(centres * rate_hz).astype(int)
    for at_once in np.split(starts, range(FRAMES_AT_ONCE, len(starts), FRAMES_AT_ONCE)):
        spectra = np.empty((len(at_once), len(before), bins), np.float32)
        for index, first in enumerate(at_once):
            near = room[first : first + 2 * frame]
            pieces = near[before] * share_before
            pieces += near[1:][before] * share_after
            spectrum = np.asarray(rfft(pieces, padded, axis=1))[:, :bins]
            spectra[index] = spectrum.real**2 + spectrum.imag**2
        spectra /= _noise_level(spectra[:, 0], bin_hz)[:, None, :]
        yield spectra, float(bin_hz)


def frame_times(duration_s: float) -> Floats:
    """Centres of the frames."""
    return np.arange(HOP_S / 2, max(duration_s, HOP_S), HOP_S)


def _noise_level(power: Spectra, bin_hz: float) -> Spectra:
    """Noise level of unstretched spectra (frames, bins): the lower part of each block's power, smoothly joined.

    The 40 % quantile of exponentially distributed power is 0.51 of its mean; strong lines leave it alone.
    """
    frames, bins = power.shape
    block = max(8, int(NOISE_BLOCK_HZ / bin_hz))
    count = max(1, bins // block)
    trimmed = power[:, : count * block].reshape(frames, count, -1)
    place = int(0.4 * trimmed.shape[2])
    level = np.partition(trimmed, place, axis=2)[:, :, place] / 0.51
    if count >= 3:
        level = np.stack([level[:, np.clip(np.arange(count) + k, 0, count - 1)] for k in (-1, 0, 1)]).mean(axis=0)
    centre = np.clip((np.arange(bins) - (block - 1) / 2) / block, 0, count - 1)
    left = np.minimum(centre.astype(int), max(count - 2, 0))
    right = np.minimum(left + 1, count - 1)
    share = (centre - left).astype(np.float32)
    smooth = level[:, left] * (1 - share) + level[:, right] * share
    return np.asarray(np.maximum(smooth, 1e-9 * power.max(axis=1, keepdims=True) + 1e-30), np.float32)


def _comb_evidence(spectra: Spectra, bin_hz: float, part: Range, candidates_hz: Floats) -> Spectra:
    """Evidence of each candidate, shape (frames, slopes, candidates): lines at multiples less midway, best cut-off."""
    count = len(candidates_hz)
    total = np.zeros((*spectra.shape[:2], count), np.float32)
    best = np.full_like(total, -np.inf)
    lines = at_half_multiples(line_evidence(spectra), bin_hz, part.top_hz, candidates_hz, STEP)
    for half, found in zip(range(1, 2 * MULTIPLES + 1), lines, strict=False):
        width = found.shape[-1]
        if half % 2:
            total[..., :width] -= found
        else:
            total[..., :width] += found
            np.maximum(best, total, out=best)
    return best


def at_half_multiples(
    evidence: Spectra, bin_hz: float, top_hz: float, candidates_hz: Floats, step: float
) -> Iterator[Spectra]:
    """Yield the evidence (last axis: bins) of a line at 1/2, 1, 3/2.. of each candidate rate.

    Candidates are evenly spaced in the natural logarithm, by `step`: a multiple is a shift. It ends where no candidate
    has that multiple below `top_hz`.
    """
    start = np.log(candidates_hz[0] / 2) - step
    place = np.exp(np.arange(start, np.log(top_hz * 0.98), step)) / bin_hz
    left = np.minimum(place.astype(int), evidence.shape[-1] - 2)
    share = (place - left).astype(np.float32)
    on_grid = np.take(evidence, left, axis=-1) * (1 - share) + np.take(evidence, left + 1, axis=-1) * share
    origin = (np.log(candidates_hz[0]) - start) / step
    half = 0
    while True:
        half += 1
        shift = round(origin + np.log(half / 2) / step)
        width = min(len(candidates_hz), len(place) - shift)
        if width <= 0:
            return
        yield on_grid[..., shift : shift + width]


def rate_evidence(signal: Floats, rate_hz: int) -> tuple[Floats, Floats]:
    """Evidence of every candidate rate and its likeliest slope, both of shape (frames, candidates).

    Frames of different lengths are made comparable by the number of independent frames (1 / length) and the chance
    fluctuation of their evidence (its square root).
    """
    centres = frame_times(len(signal) / rate_hz)

    def found(part: Range) -> tuple[int, Range, Spectra]:
        first, last = np.searchsorted(CANDIDATES_HZ, (part.low_hz * 0.9999, part.high_hz))
        thin = filtered(signal, rate_hz, down=part.thinned) if part.thinned > 1 else signal
        lines = np.concatenate(
            [
                _comb_evidence(spectra, bin_hz, part, CANDIDATES_HZ[first:last])
                for spectra, bin_hz in stretched_spectra(thin, rate_hz / part.thinned, centres, part)
            ]
        )
        lines *= np.float32(HOP_S / np.sqrt(part.frame_s * REFERENCE_FRAME_S))
        return int(first), part, lines

    return pooled(side_by_side(found, RANGES), len(centres), len(CANDIDATES_HZ))


def pooled(found: Iterable[tuple[int, Range, Spectra]], frames: int, count: int) -> tuple[Floats, Floats]:
    """Evidence of every candidate and its likeliest slope, shape (frames, count), from ranges that overlap.

    In an overlap the better one is taken: the longer frame where the speed holds, the shorter where it swings.

    Parameters
    ----------
    found : iterable of (first, range, evidence)
        Number of the range's first candidate, and its evidence, shape (frames, slopes, candidates).
    frames, count : int
    """
    evidence, slope = np.full((frames, count), -np.inf), np.zeros((frames, count))
    for first, part, lines in found:
        here = np.s_[:, first : first + lines.shape[2]]
        pick = lines.argmax(axis=1)
        best = np.take_along_axis(lines, pick[:, None], axis=1)[:, 0]
        slope[here] = np.where(best > evidence[here], np.array(part.slopes_per_s)[pick], slope[here])
        evidence[here] = np.maximum(best, evidence[here])
    return evidence, slope


JUMP_COST = 40.0
CELL = 4  # candidates: a per cent
SLOPE_SLACK = 0.35  # the grid of slopes is coarse: a step may differ this much from the slopes' mean


def best_path(evidence: Floats, slope: Floats) -> NDArray[np.int64]:
    """Most likely candidate in each frame: evidence less the cost of steps that the slopes do not explain.

    Neighbouring candidates are taken together, each cell standing for its best one.
    """
    frames, count = evidence.shape
    cells = count // CELL
    grouped = evidence[:, : cells * CELL].reshape(frames, cells, CELL)
    inside = grouped.argmax(axis=2)
    place = inside + np.arange(cells) * CELL  # of each cell's best, on the grid of candidates
    best = np.take_along_axis(grouped, inside[:, :, None], axis=2)[:, :, 0]
    slopes = np.take_along_axis(slope, place, axis=1)
    reach = int(0.9 * HOP_S / STEP) // CELL
    total = best[0].copy()
    origin = np.zeros((frames, cells), np.int64)
    rows = np.arange(cells)
    nearby = np.clip(rows[:, None] + np.arange(-reach, reach + 1), 0, cells - 1)
    for frame in range(1, frames):
        moved = (place[frame][:, None] - place[frame - 1][nearby]) * STEP
        expected = 0.5 * (slopes[frame - 1][nearby] + slopes[frame][:, None]) * HOP_S
        off = (moved - expected) / (0.008 + SLOPE_SLACK * np.abs(expected) + 0.003)
        score = total[nearby] - np.minimum(0.1 * off * off, JUMP_COST)
        pick = score.argmax(axis=1)
        value = score[rows, pick]
        leap = int(total.argmax())
        leaps = total[leap] - JUMP_COST - 2 > value
        origin[frame] = np.where(leaps, leap, nearby[rows, pick])
        total = np.where(leaps, total[leap] - JUMP_COST - 2, value) + best[frame]
    path = np.zeros(frames, np.int64)
    path[-1] = total.argmax()
    for frame in range(frames - 1, 0, -1):
        path[frame - 1] = origin[frame, path[frame]]
    return np.asarray(place[np.arange(frames), path])


OTHERWISE = 0.03  # natural log: rates nearer to each other than this are one


def coarse_track(signals: Signals, besides: Track | None = None) -> Track:
    """Return the best path of the repeat rate through the clip, or the best besides one that was found before."""
    evidence, slope = (besides and besides.all_rates) or rate_evidence(signals.wave, WAVE_RATE_HZ)
    free = evidence
    if besides is not None:
        taken = np.abs(np.log(CANDIDATES_HZ / besides.rate_hz[:, None])) < OTHERWISE
        free = np.where(taken, evidence.min(axis=1, keepdims=True), evidence)
    path = best_path(free, slope)
    rows = np.arange(len(path))
    return Track(
        time_s=frame_times(signals.duration_s),
        rate_hz=CANDIDATES_HZ[path],
        evidence=evidence[rows, path],
        all_rates=(evidence, slope),
    )


DRIFT_SD = 0.08  # cycles from one frame to the next: the coarse track is hardly ever further off
ROOM = 5.0  # samples for a period of the highest multiple
HIGHEST_SHARE = 0.45  # of the sample rate: up to there a line and the noise beside it can be seen
LONGER_FRAMES_HZ = 16.0  # faster rates have frames as long as at this one
REFINEMENTS = ((6, 120.0), (4, 400.0), (4, 1200.0), (4, 1200.0))  # cycles a frame, highest multiple in hertz


def refine(signals: Signals, phase: Phase) -> Phase:
    """Sharpen a phase track from the phase drift of its multiples, lowest first so that no turn is miscounted."""
    for cycles, top_hz in REFINEMENTS:
        drift = _phase_drift(signals, phase, cycles, top_hz)
        if drift is None:
            break
        phase = phase.corrected(*drift)
    return phase


def finest_frame_s(rate_hz: float) -> float:
    """Length of the frames in which a track of this rate is sharpened last."""
    return REFINEMENTS[-1][0] / min(rate_hz, LONGER_FRAMES_HZ)


def _phase_drift(signals: Signals, phase: Phase, cycles: int, top_hz: float) -> tuple[Floats, Floats] | None:
    """Return times and relative rate errors between frames; None if the clip is too short, or the rate too high."""
    mean_hz = phase.mean_hz
    cycles = max(2, int(cycles * max(1.0, mean_hz / LONGER_FRAMES_HZ)))
    hop = max(1, cycles // 2)
    most = int(HIGHEST_SHARE * WAVE_RATE_HZ / mean_hz)
    multiples = np.arange(1, min(max(2, int(top_hz / mean_hz)), most) + 1)
    if not len(multiples):
        return None
    thinned = max(1, int(WAVE_RATE_HZ / (ROOM * max(top_hz, float(multiples[-1] * mean_hz)))))
    wave = filtered(signals.wave, WAVE_RATE_HZ, down=thinned) if thinned > 1 else signals.wave
    frames = frame_orders(wave, WAVE_RATE_HZ / thinned, phase, cycles=cycles, hop=hop, top_order=int(multiples[-1]))
    if frames is None:
        return None
    amplitude = frames.at_multiples
    advance = amplitude[1:] * np.conj(amplitude[:-1]) / frames.noise_power
    widest = 0.5 if top_hz < 200 else 0.25
    shift = np.arange(-widest, widest, 1 / (8 * len(multiples)))
    score = np.real(advance @ np.exp(-2j * np.pi * np.outer(multiples, shift)))
    score /= np.sqrt((np.abs(advance) ** 2).sum(axis=1, keepdims=True)) + 1e-9
    score -= 0.25 * (shift / DRIFT_SD) ** 2
    # One frame's neighbours share its drift: a light smoothing over frames steadies weak ones.
    padded = np.pad(score, ((1, 1), (0, 0)), mode="edge")
    score = 0.58 * score + 0.21 * (padded[:-2] + padded[2:])
    pick = np.clip(score.argmax(axis=1), 1, len(shift) - 2)
    rows = np.arange(len(pick))
    fraction = peak_offset(*(score[rows, pick + k] for k in (-1, 0, 1)))
    drift_cycles = shift[pick] + fraction * (shift[1] - shift[0])
    return 0.5 * (frames.time_s[1:] + frames.time_s[:-1]), drift_cycles / hop
