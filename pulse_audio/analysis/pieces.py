"""Which stretches of the recording the answer rests on: long, nearly steady, and with clear lines."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d

from pulse_audio.analysis.fold import Phase
from pulse_audio.analysis.prepare import WAVE_RATE_HZ, Signals
from pulse_audio.analysis.speedtrack import HOP_S, Track
from pulse_audio.analysis.steady import sharpness

Floats = NDArray[np.float64]

STEADY_SPREAD = 0.06  # natural log of speed: the pipes' answer to lines below 1 kHz is still the same
STEADY_BELOW_HZ = 12.0  # at a lower rate the lines that are looked at end lower, and the speed may change more
RACING_PER_S = 0.25  # natural log: where the speed changes faster, that does not hold
WIDEST_SPREAD = 0.35
LONGEST_S = 10.0
FEWEST_CYCLES = 10
CLEAR_EVIDENCE = 20.0
THIN = (0.25, 0.5, 0.8)  # of the median evidence: there the lines may be lost, and a stretch ends before it
LOUD_ENOUGH, SHORTEST_S = 0.1, 0.5  # of the power, and length, for a stretch to be taken for its sharper lines
SILENT = 1e-4  # of the power of the loud parts: 40 dB below them an engine stands still, or the recorder was off
LOUD = 0.9  # quantile
QUIET = 1e-2  # of the power of the loud parts: an engine idles hardly 20 dB below its own noise at speed
SILENCE_S, SILENCE_STEP_S = 0.35, 0.05  # the slowest single fires every 0.3 s
OTHER_SPEED = 0.1  # natural log: order 10 falls where 11 was, so that the exhaust is heard anew
EDGE_S = 0.2  # a stretch keeps so far from where the speed runs away and, if it changes, from the recording's ends


@dataclass(frozen=True, kw_only=True, slots=True)
class Span:
    """A stretch of time in seconds."""

    start_s: float
    end_s: float

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return self.end_s - self.start_s


def steady_spans(heard: Signals, track: Track, phase: Phase, most: int) -> tuple[Span, ...]:
    """Return one to `most` stretches at different speeds, the best first.

    A stretch is worth its length, less where evidence is thin or the sound far below the loud parts, less the more the
    speed changes in it, and less if it holds too few cycles. It holds no silence; where there is hardly anything else,
    the whole is returned. How thin evidence may be is not known, since a track that has lost its way finds some in
    noise: of a few answers the one with the sharpest lines counts, but none across a silence, where another engine may
    run, and none that is much quieter, as hum is heard where the rest falls silent.
    """
    frames = len(track.time_s)
    weight, audible = _weight_of_level(heard.wave, frames), _audible(heard.wave, frames)
    usual, *others = dict.fromkeys(_steady_spans(heard, track, phase, weight, audible, most, thin) for thin in THIN)
    if not others:
        return usual
    unbroken, _ = apart(heard, track, usual[0])
    others = [spans for spans in others if _may_replace(spans[0], usual[0], unbroken, heard.wave)]
    return max((usual, *others), key=lambda spans: sharpness(heard, phase, spans[0].start_s, spans[0].end_s))


def _weight_of_level(wave: Floats, frames: int) -> Floats:
    """1 for each frame but those far below the loud ones: there the hum of the room may be clearer than an engine."""
    power = np.array([np.mean(part**2) for part in np.array_split(wave, frames)])
    return np.asarray(np.sqrt(np.minimum(power / max(QUIET * float(np.quantile(power, LOUD)), 1e-30), 1.0)))


def _may_replace(span: Span, usual: Span, unbroken: Span, wave: Floats) -> bool:
    inside = span.start_s >= unbroken.start_s and span.end_s <= unbroken.end_s
    return inside and span.duration_s >= SHORTEST_S and _power(wave, span) > LOUD_ENOUGH * _power(wave, usual)


def _power(wave: Floats, span: Span) -> float:
    return float(np.mean(wave[int(span.start_s * WAVE_RATE_HZ) : int(span.end_s * WAVE_RATE_HZ)] ** 2))


def _steady_spans(
    heard: Signals, track: Track, phase: Phase, weight: Floats, audible: NDArray[np.bool_], most: int, thin: float
) -> tuple[Span, ...]:
    log_rate = np.log(np.interp(track.time_s, phase.time_s, phase.rate_hz))
    frames = len(log_rate)
    worth = (0.2 + np.clip(track.evidence / CLEAR_EVIDENCE, 0, 1)) * weight
    median = float(np.median(track.evidence))
    worth[track.evidence < min(thin * median, median)] = -0.2  # half of all frames stay, even if none speaks for a line
    slope_per_s = np.abs(np.gradient(log_rate, HOP_S)) if frames > 1 else np.zeros(frames)
    steady_spread = STEADY_SPREAD * np.maximum(1.0, STEADY_BELOW_HZ / np.exp(log_rate))
    free = audible.copy()
    spans: list[Span] = []
    while len(spans) < most:
        best, first, last = 0.0, 0, 0
        for start in np.flatnonzero(free):
            taken = np.flatnonzero(~free[start:])
            stop = start + (int(taken[0]) if len(taken) else frames - start)
            stop = min(stop, start + int(LONGEST_S / HOP_S))
            spread = np.maximum.accumulate(log_rate[start:stop]) - np.minimum.accumulate(log_rate[start:stop])
            racing = np.maximum.accumulate(slope_per_s[start:stop]) > RACING_PER_S
            allowed = np.where(racing, STEADY_SPREAD, steady_spread[start])
            cycles = np.cumsum(np.exp(log_rate[start:stop])) * HOP_S
            score = np.cumsum(worth[start:stop]) / np.sqrt(1 + (spread / allowed) ** 2)
            score *= np.minimum(1.0, cycles / FEWEST_CYCLES)
            score[spread > WIDEST_SPREAD] = 0
            pick = int(score.argmax())
            if score[pick] > best:
                best, first, last = float(score[pick]), int(start), int(start) + pick
        if best == 0.0:
            break
        free[first : last + 1] = False
        free &= np.abs(log_rate - log_rate[first : last + 1].mean()) > OTHER_SPEED
        length_s = (last + 1 - first) * HOP_S
        edge_s = min(EDGE_S, length_s / 6)
        changes = np.ptp(log_rate[first : last + 1]) > STEADY_SPREAD
        span = Span(
            start_s=float(track.time_s[first]) - HOP_S / 2 + edge_s if first or changes else 0.0,
            end_s=float(track.time_s[last]) + HOP_S / 2 - edge_s if last < frames - 1 or changes else heard.duration_s,
        )
        if spans and phase.at(span.end_s) - phase.at(span.start_s) < FEWEST_CYCLES:
            break
        spans.append(span)
    return tuple(spans) or (Span(start_s=0.0, end_s=heard.duration_s),)


def apart(heard: Signals, track: Track, span: Span) -> tuple[Span, float]:
    """Return the stretch about a span that no silence breaks, and how many seconds of sound lie outside it."""
    audible = _audible(heard.wave, len(track.time_s))
    silent_s, middle_s = track.time_s[~audible], (span.start_s + span.end_s) / 2
    unbroken = Span(
        start_s=float(silent_s[silent_s < middle_s].max(initial=-HOP_S / 2)) + HOP_S / 2,
        end_s=float(silent_s[silent_s > middle_s].min(initial=heard.duration_s + HOP_S / 2)) - HOP_S / 2,
    )
    outside = (track.time_s < unbroken.start_s) | (track.time_s > unbroken.end_s)
    return unbroken, HOP_S * int(np.count_nonzero(audible & outside))


def bursts(wave: Floats) -> int:
    """Return into how many parts silences cut the sound."""
    sounding = _sounding(wave)
    return int(sounding[0]) + int(np.count_nonzero(sounding[1:] & ~sounding[:-1]))


def _audible(wave: Floats, frames: int) -> NDArray[np.bool_]:
    """Whether there is sound all through each frame of the track."""
    sounding, parts = _sounding(wave), round(HOP_S / SILENCE_STEP_S)
    return np.array([bool(sounding[k * parts : (k + 1) * parts].all()) for k in range(frames)])


def _sounding(wave: Floats) -> NDArray[np.bool_]:
    """Whether there is sound, in steps of `SILENCE_STEP_S`: a gap no longer than slow pulses leave is no silence."""
    count = max(len(wave) // round(SILENCE_STEP_S * WAVE_RATE_HZ), 1)
    power = np.array([np.mean(part**2) for part in np.array_split(wave, count)])
    loudest = maximum_filter1d(power, round(SILENCE_S / SILENCE_STEP_S))
    return np.asarray(loudest >= SILENT * np.quantile(loudest, LOUD))
