"""The speed through blips and other quick changes, once the lines of the steady stretch are known.

The first track looks for any rate, in long frames, so it loses its way where the speed runs away within a few cycles,
and may come back at another fraction of the cycle. Here only the known lines are looked for, in frames of eight
periods of their spacing and along steeper slopes, close together where the first track is in doubt. A best path joins
the frames, held to the first track in the steady stretch and as far as nothing doubtful parts it from there.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pulse_audio.analysis.fold import Lines, Phase
from pulse_audio.analysis.pieces import Span
from pulse_audio.analysis.prepare import WAVE_RATE_HZ, Signals
from pulse_audio.analysis.speedtrack import (
    Range,
    Spectra,
    Track,
    at_half_multiples,
    both_signs,
    line_evidence,
    pooled,
    refine,
    stretched_spectra,
)

Floats = NDArray[np.float64]

STEP = 0.004  # natural log between candidate rates
# Of the rate in the steady stretch, each with its own frame length; the outer ones where the first track goes so far.
RANGES = ((0.4, 1.3), (0.6, 2.4), (1.2, 3.6))
SLOWER, FASTER = ((0.2, 0.65), (0.1, 0.32)), ((2.4, 7.2), (4.8, 14.4))
PERIODS = 8.0  # in a frame, of the rate in the middle of its range
SLOPES = (0.1, 0.3, 0.6, 1.0)  # natural log of the rate over one frame
STEEPEST_PER_S = 7.0
TOP_HZ = 2000.0
HALF_STEPS = 24  # lines looked at: up to the twelfth multiple of the spacing, and midway between
CLEAR = 10.0  # power over noise at which a line is as likely there as not
CLOSE_S, APART_S = 0.04, 0.2  # between frames, where the first track is in doubt and where it is not
DOUBTFUL_SLOPE_PER_S = 0.3
DOUBTFUL_SHARE = 0.4  # of the median evidence in the steady stretch
MARGIN_S = 0.5  # about doubtful frames
REACH = 0.2  # natural log that the rate may move from one frame to the next
SLACK, SLACK_SHARE, PRICE, MOST_PRICE = 0.01, 0.5, 0.1, 40.0  # of a step that the slopes do not explain
FIRST_TRACK_ODDS, FIRST_TRACK_SD = 5.0, 0.015  # natural log of odds that the first track is right where clear
HELD = 0.03  # natural log about a rate within which another is the same: the steady stretch keeps to it
# Evidence for a rate above `RANGES` from which it counts: in frames as short as there, a pipe that rings at one pitch
# after each pulse looks like a line.
RINGING = 5.0
SURE = 100.0  # natural log of odds


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Comb:
    """What is known of the lines.

    Attributes
    ----------
    ratio : float
        Spacing of the lines as a multiple of the first track's rate.
    weights : ndarray, shape (HALF_STEPS,)
        At each half multiple of the spacing: 1 where a line certainly stands, -1 where none does.
    """

    ratio: float
    weights: Floats

    @classmethod
    def of(cls, lines: Lines, spacing: int, track_hz: float) -> "Comb":
        """Take the comb from the lines of one cycle, of which every `spacing`-th is strong."""
        clear = np.abs(lines.amplitude) ** 2 / lines.noise_power
        weights = np.full(HALF_STEPS, -1.0)
        for half in range(1, HALF_STEPS + 1):
            order, left = divmod(half * spacing, 2)
            if not left:
                weights[half - 1] = 2 * clear[order - 1] / (clear[order - 1] + CLEAR) - 1 if order <= len(clear) else 0
        return cls(ratio=spacing * lines.cycle_hz / track_hz, weights=weights)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Retraced:
    """The speed over the whole clip.

    Attributes
    ----------
    phase : Phase
        In cycles of the first track.
    time_s, margin : ndarray, shape (n_frames,)
        Natural log of how much likelier the speed is than the likeliest one elsewhere; at least about `SURE`
        where the first track was kept.
    """

    phase: Phase
    time_s: Floats
    margin: Floats


def retraced(heard: Signals, track: Track, phase: Phase, span: Span, comb: Comb) -> Retraced:
    """Return the first track led anew wherever it is in doubt or parted from the steady stretch by doubt.

    Parameters
    ----------
    heard : Signals
    track, phase : Track, Phase
        The first track, rough and sharpened.
    span : Span
        The steady stretch, where the phase is right.
    comb : Comb
        The lines that stand there.
    """
    known_hz = phase.rate_hz * comb.ratio
    steady = (phase.time_s >= span.start_s) & (phase.time_s <= span.end_s)
    base_hz = float(np.median(known_hz[steady]))
    clear = track.evidence / np.median(np.interp(phase.time_s[steady], track.time_s, track.evidence))
    ranges = _ranges(known_hz / base_hz)
    candidates_hz = base_hz * np.exp(np.arange(np.log(ranges[0][0]), np.log(ranges[-1][1]), STEP))
    doubtful = _doubtful(track, clear, span)
    held = _joined_to(span, track.time_s[doubtful])
    if phase.is_steady or (held.start_s <= 0.0 and held.end_s >= heard.duration_s):
        return Retraced(phase=phase, time_s=track.time_s, margin=np.full(len(track.time_s), SURE))
    centres = _centres(track.time_s[doubtful], heard.duration_s)
    hop_s = np.gradient(centres)
    lines, slope = _evidence(heard.wave, centres, hop_s, base_hz, candidates_hz, ranges, comb)
    off = np.log(candidates_hz / np.interp(centres, phase.time_s, known_hz)[:, None])
    trusted = FIRST_TRACK_ODDS * np.interp(centres, track.time_s, np.clip(clear, 0.0, 1.0))
    beforehand = trusted[:, None] * np.exp(-0.5 * (off / FIRST_TRACK_SD) ** 2)
    beforehand -= RINGING * (candidates_hz > RANGES[-1][1] * base_hz)
    evidence = lines + np.sqrt(hop_s / CLOSE_S)[:, None] * beforehand
    inside = (centres > held.start_s) & (centres < held.end_s)
    evidence[inside] -= SURE * (np.abs(off[inside]) > HELD)
    path, margin = _likeliest(evidence, slope, centres)
    led = refine(heard, Phase.from_rate(centres, candidates_hz[path], heard.duration_s, phase.step_s))
    kept = (phase.time_s > held.start_s) & (phase.time_s < held.end_s)
    rate_hz = np.where(kept, phase.rate_hz, np.interp(phase.time_s, led.time_s, led.rate_hz) / comb.ratio)
    return Retraced(
        phase=Phase.from_rate(phase.time_s, rate_hz, heard.duration_s, phase.step_s),
        time_s=centres,
        margin=margin,
    )


def _ranges(relative: Floats) -> tuple[tuple[float, float], ...]:
    """Return the ranges, slowest first, that a track needs, given over the rate in the steady stretch."""
    slower = [part for part in SLOWER if relative.min() < 0.75 * part[1]]
    faster = [part for part in FASTER if relative.max() > part[0] / 0.75]
    return (*slower[::-1], *RANGES, *faster)


def _doubtful(track: Track, clear: Floats, span: Span) -> NDArray[np.bool_]:
    """Frames in which the first track is faint or, but for the steady stretch, steep."""
    steep = np.abs(np.gradient(np.log(track.rate_hz), track.time_s)) if len(track.time_s) > 1 else np.zeros(1)
    outside = (track.time_s < span.start_s) | (track.time_s > span.end_s)
    return np.asarray((clear < DOUBTFUL_SHARE) | (outside & (steep > DOUBTFUL_SLOPE_PER_S)))


def _joined_to(span: Span, doubtful_s: Floats) -> Span:
    """Return the span as far as nothing doubtful parts its ends from it."""
    middle_s = (span.start_s + span.end_s) / 2
    return Span(
        start_s=float(doubtful_s[doubtful_s < middle_s].max(initial=-np.inf)) + MARGIN_S,
        end_s=float(doubtful_s[doubtful_s > middle_s].min(initial=np.inf)) - MARGIN_S,
    )


def _centres(doubtful_s: Floats, duration_s: float) -> Floats:
    """Return the times of the frames: close together about doubtful ones."""
    fine = np.arange(CLOSE_S / 2, duration_s, CLOSE_S)
    near = np.array([np.abs(doubtful_s - t).min(initial=np.inf) < MARGIN_S for t in fine])
    near[:: round(APART_S / CLOSE_S)] = True
    near[-1] = True
    return np.asarray(fine[near])


def _evidence(
    wave: Floats,
    centres: Floats,
    hop_s: Floats,
    base_hz: float,
    candidates_hz: Floats,
    ranges: tuple[tuple[float, float], ...],
    comb: Comb,
) -> tuple[Floats, Floats]:
    """Evidence of every candidate rate and its likeliest slope, both of shape (frames, candidates)."""

    def found() -> Iterator[tuple[int, Range, Spectra]]:
        for low, high in ranges:
            first, last = np.searchsorted(candidates_hz, (low * base_hz * 0.9999, high * base_hz))
            frame_s = PERIODS / (base_hz * np.sqrt(low * high))
            part = Range(
                frame_s=frame_s,
                low_hz=low * base_hz,
                high_hz=high * base_hz,
                top_hz=min(TOP_HZ, HALF_STEPS / 2 * high * base_hz),
                thinned=1,
                slopes_per_s=both_signs(*(s / frame_s for s in SLOPES if s / frame_s < STEEPEST_PER_S)),
            )
            lines = np.concatenate(
                [
                    _weighed(spectra, bin_hz, part.top_hz, candidates_hz[first:last], comb)
                    for spectra, bin_hz in stretched_spectra(wave, WAVE_RATE_HZ, centres, part)
                ]
            )
            # Frames overlap: as evidence they count by their number, as chance by its square root.
            yield int(first), part, lines * np.sqrt(hop_s / frame_s).astype(np.float32)[:, None, None]

    return pooled(found(), len(centres), len(candidates_hz))


def _weighed(spectra: Spectra, bin_hz: float, top_hz: float, candidates_hz: Floats, comb: Comb) -> Spectra:
    """Evidence of each candidate, shape (frames, slopes, candidates), from the lines that are known."""
    total = np.zeros((*spectra.shape[:2], len(candidates_hz)), np.float32)
    lines = at_half_multiples(line_evidence(spectra), bin_hz, top_hz, candidates_hz, STEP)
    for weight, found in zip(comb.weights.astype(np.float32), lines, strict=False):
        total[..., : found.shape[-1]] += weight * found
    return total


def _likeliest(evidence: Floats, slope: Floats, centres: Floats) -> tuple[NDArray[np.int64], Floats]:
    """Return the candidate of the best path in each frame, and by how much any path elsewhere is worse there."""
    ahead = _best_so_far(evidence, slope, centres)
    back = _best_so_far(evidence[::-1], -slope[::-1], -centres[::-1])[::-1]
    through = ahead + back - evidence  # the best path through each candidate
    path = through.argmax(axis=1)
    elsewhere = np.abs(np.arange(evidence.shape[1]) - path[:, None]) * STEP > HELD
    return path, through.max(axis=1) - np.where(elsewhere, through, -np.inf).max(axis=1)


def _best_so_far(evidence: Floats, slope: Floats, centres: Floats) -> Floats:
    """Sum of the best path up to each candidate: evidence less the cost of steps that the slopes do not explain."""
    frames, count = evidence.shape
    reach = int(REACH / STEP)
    rows = np.arange(count)
    nearby = np.clip(rows[:, None] + np.arange(-reach, reach + 1), 0, count - 1)
    moved = (rows[:, None] - nearby) * STEP
    total = evidence.copy()
    for frame in range(1, frames):
        hop_s = centres[frame] - centres[frame - 1]
        expected = 0.5 * (slope[frame - 1][nearby] + slope[frame][:, None]) * hop_s
        off = (moved - expected) / (SLACK + SLACK_SHARE * np.abs(expected))
        total[frame] += (total[frame - 1][nearby] - np.minimum(PRICE * off * off, MOST_PRICE)).max(axis=1)
    return total
