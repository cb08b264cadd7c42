"""From what was chosen to what is told: rates with their deviation, intervals, levels, the speed over time, notes."""

import math
from dataclasses import dataclass, replace

import numpy as np

from pulse_audio import checks
from pulse_audio.analysis import faults, pattern
from pulse_audio.analysis.fold import Lines, Phase, Piece
from pulse_audio.analysis.hypotheses import CRANK_SD, MOST_LINES, TOP_HZ, Hypothesis, Material
from pulse_audio.analysis.pieces import Span, apart
from pulse_audio.analysis.placing import PROPOSED_SD, place_pulses, pulse_levels, weak_shares
from pulse_audio.analysis.prepare import Signals
from pulse_audio.analysis.readings import Choice, compare_with_layout, readings
from pulse_audio.analysis.result import Analysis, Hints
from pulse_audio.analysis.retrace import Comb, Retraced, retraced
from pulse_audio.analysis.speedtrack import Track, finest_frame_s
from pulse_audio.analysis.steady import WINDOW_LOSS, constant_rate_hz
from pulse_audio.units import cycle_deg, db_from_ratio, rpm_from_cycle_hz

TRACK_STEP_S = 0.25
DOUBTFUL_HINTS = 0.01
UNDECIDED = 0.2  # an answer less likely than this is not given
LEAST_MARGIN = math.log(20)  # of a speed over the likeliest one elsewhere: where it is less, it is not told
WEAK_SHARE_TOLD = 0.05  # fewer are a healthy engine's scatter
STEEPEST = 0.1  # natural log of speed from one period of the lines to the next: more can't be placed in time
SHORTEST_S = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class Heard:
    """One block, tracked.

    Attributes
    ----------
    signals : Signals
    track, phase : Track, Phase
        The rate that was followed, rough and sharpened.
    spans : tuple of Span
        Stretches that the answer may rest on, the one that it names first.
    worth, power : float
        How long and clear the first of them is; mean square of the samples.
    start_s : float
        Where the block begins in the recording.
    notes : tuple of str
    hum_hz : float or None
        Mains hum, if that is most of the sound.
    """

    signals: Signals
    track: Track
    phase: Phase
    spans: tuple[Span, ...]
    worth: float
    power: float
    start_s: float
    notes: tuple[str, ...]
    hum_hz: float | None


def described(
    blank: Analysis, heard: Heard, hints: Hints, material: Material, choice: Choice, present: float
) -> Analysis:
    """Fill in an answer: rates, intervals, levels, speed, readings.

    Parameters
    ----------
    blank : Analysis
        What is known of the recording itself.
    heard : Heard
    hints : Hints
    material : Material
        Its clear stretches, first the one that the answer names.
    choice : Choice
        The most probable pattern.
    present : float
        Probability that an engine runs.
    """
    # Hints that the sound speaks against may be wrong, or the listener is: then nothing is sure.
    present *= min(1.0, choice.hinted / DOUBTFUL_HINTS)
    main = material.wave[0]  # the span that the answer names; elsewhere another engine may run
    confidence = choice.probability * present
    hypothesis = choice.best.hypothesis
    ratio, candidate = hypothesis.ratio, hypothesis.candidate
    lines = main.lines(ratio, TOP_HZ, MOST_LINES)
    span, all_lines = heard.spans[0], main.lines(ratio, TOP_HZ, int(TOP_HZ))
    comb = Comb.of(all_lines, candidate.pulses if choice.answer.even else 1, main.rate_hz)
    led = retraced(heard.signals, heard.track, heard.phase, span, comb)
    part = _certain_part(led, span)
    cycle_hz = float(led.phase.at(part.end_s) - led.phase.at(part.start_s)) / part.duration_s * ratio
    if led.phase.is_steady:
        orders = all_lines.order.astype(np.float64)
        cycle_hz = constant_rate_hz(heard.signals.wave, cycle_hz, orders, all_lines.noise_power)
    unbroken, outside_s = apart(heard.signals, heard.track, span)
    notes = [*heard.notes, *_pattern_notes(heard, part, hypothesis)]
    if outside_s >= SHORTEST_S:
        notes.append(
            f"silence parts the recording: {outside_s:.1f} s of sound before or after it may be another engine, and no "
            "speed is told there; analyse it by its own start and end"
        )
    # The other stretches had their say about the pattern; what is told of its pulses is read from this one alone.
    nominal = candidate.fractions
    if not choice.answer.even:
        nominal = np.append(0.0, np.cumsum(choice.answer.intervals)[:-1])
    fit = pattern.fits([lines], pattern.Shapes.of([pattern.Way(nominal)]), pattern.SHARES, pattern.WAVE)[0]
    if choice.hinted < DOUBTFUL_HINTS:
        notes.append(
            f"without the hints, what they allow would have odds of under {100 * DOUBTFUL_HINTS:g} %: are they right, "
            "and is it that engine?"
        )
    shown = readings(choice, cycle_hz / ratio, hints, present)
    if choice.answer.even and candidate.pulses == 1 and len({r.cylinders for r in shown if r.agrees}) > 1:
        notes.append("an even rhythm hides the cylinder count: engines that fire equally often sound alike")
    strokes, rpm = choice.best.strokes, rpm_from_cycle_hz(cycle_hz, choice.best.strokes)
    if shown:
        strokes, rpm = shown[0].strokes, shown[0].rpm
    pulses = round(cycle_hz * candidate.pulses * rpm_from_cycle_hz(1.0, strokes) / rpm)
    if choice.answer.even:
        intervals, interval_sd = np.full(pulses, 1 / pulses), np.zeros(pulses)
        places = nominal
    else:
        placed = place_pulses(lines, nominal, fit, CRANK_SD if candidate.is_listed else PROPOSED_SD)
        places, intervals, interval_sd = placed.fractions, placed.intervals, np.hypot(placed.interval_sd, choice.spread)
        times = max(pulses // len(places), 1)  # that the pattern comes in the cycle of the first reading
        intervals, interval_sd = np.tile(intervals, times) / times, np.tile(interval_sd, times) / times
    levels = pulse_levels(lines, places, fit) if len(places) > 1 else np.ones(1)
    weak = None
    if levels is not None:
        weak = weak_shares(heard.signals, heard.phase, main, ratio, places, levels, fit)
    each_told = len(places) == len(intervals)
    if weak and not each_told and (share := sum(weak) / len(weak)) >= WEAK_SHARE_TOLD:
        notes.append(f"about {100 * share:.0f} % of the pulses are missing or weak; whose they are can't be told")
    verdict = ("even" if choice.answer.even else "uneven") if confidence >= UNDECIDED else "undetermined"
    if verdict == "undetermined":
        notes.append("there is a rhythm like an engine's, but no pattern explains it well; what is listed is a guess")
    return replace(
        blank,
        span_s=(heard.start_s + part.start_s, heard.start_s + part.end_s),
        verdict=verdict,
        confidence=confidence,
        firing_rate_hz=cycle_hz * candidate.pulses,
        firing_rate_sd_hz=_rate_sd(all_lines, main, heard, ratio, part.duration_s) * candidate.pulses,
        cycle_rate_hz=None if choice.answer.even and candidate.pulses == 1 else cycle_hz,
        intervals_deg=tuple((intervals * cycle_deg(strokes)).tolist()),
        intervals_sd_deg=tuple((interval_sd * cycle_deg(strokes)).tolist()),
        pulse_level_db=tuple(map(db_from_ratio, levels)) if levels is not None and each_told else None,
        weak_share=weak if each_told else None,
        speed_track=_speed_track(heard, led, comb, rpm * ratio / cycle_hz, unbroken),
        readings=shown,
        layout_match=compare_with_layout(choice, present, hints, intervals),
        notes=tuple(notes),
    )


def _rate_sd(lines: Lines, main: Piece, heard: Heard, ratio: float, duration_s: float) -> float:
    """Return the standard deviation of the mean cycle rate over a part of the piece that lasts so long.

    It is the bound for lines of known strength in noise (Kay, Fundamentals of Statistical Signal Processing: Estimation
    Theory, 1993, from memory), written for the signal to noise ratio at each line, with what the window costs. And no
    engine turns like clockwork: parts of the span stand before or behind the track, and at the span's ends, half a
    frame of it, the speed goes on changing unseen.
    """
    above = np.abs(lines.amplitude) ** 2 / lines.noise_power
    information = float((lines.order**2 * np.maximum(above - 1, 0.0)).sum())
    bound = math.sqrt(WINDOW_LOSS * 6 / max(information, 1e-9)) / (2 * math.pi)
    astray = main.astray(lines, ratio)
    within = float(np.std(astray)) if len(astray) > 2 else 0.0
    unseen_s = finest_frame_s(main.rate_hz) / 2
    times = np.arange(heard.spans[0].start_s, heard.spans[0].end_s - unseen_s, unseen_s)
    at = heard.phase.at(times) * ratio
    change = np.diff(at, 2)
    ends = float(np.sqrt(np.mean(change**2))) if len(change) else 0.0
    return math.hypot(bound, math.sqrt(2) * within, math.sqrt(2) * ends) / duration_s


def _certain_part(led: Retraced, span: Span) -> Span:
    """Return the longest part of the span in which no other speed is likely; all of it if there is none.

    A blip that starts or ends within the span leaves its speed in doubt there.
    """
    edges_s = np.clip(
        np.concatenate(([-np.inf], (led.time_s[1:] + led.time_s[:-1]) / 2, [np.inf])), span.start_s, span.end_s
    )
    certain = np.flatnonzero(led.margin >= LEAST_MARGIN)
    runs = np.split(certain, np.flatnonzero(np.diff(certain) > 1) + 1) if len(certain) else []
    parts = [Span(start_s=float(edges_s[run[0]]), end_s=float(edges_s[run[-1] + 1])) for run in runs]
    longest = max(parts, key=lambda part: part.duration_s, default=span)
    return longest if longest.duration_s > 0 else span


def _speed_track(
    heard: Heard, led: Retraced, comb: Comb, rpm_per_hz: float, unbroken: Span
) -> tuple[tuple[float, float], ...]:
    times = np.arange(TRACK_STEP_S, heard.signals.duration_s, TRACK_STEP_S)
    grid_s, log_rate = led.phase.time_s, np.log(led.phase.rate_hz)
    logs = np.interp(times, grid_s, log_rate)
    period_s = np.exp(-logs) / comb.ratio
    rise = np.interp(times + period_s, grid_s, log_rate) - np.interp(times - period_s, grid_s, log_rate)
    told = (np.interp(times, led.time_s, led.margin) >= LEAST_MARGIN) & (np.abs(rise) / 2 <= STEEPEST)
    told &= (times >= unbroken.start_s) & (times <= unbroken.end_s) & (np.exp(logs) * rpm_per_hz <= checks.RPM_MAX)
    times, rates = times[told], np.exp(logs[told])
    return tuple((heard.start_s + float(t), float(r) * rpm_per_hz) for t, r in zip(times, rates, strict=True))


def _pattern_notes(heard: Heard, part: Span, hypothesis: Hypothesis) -> list[str]:
    span = heard.spans[0]
    notes = []
    if not hypothesis.candidate.is_listed:
        notes.append(
            "nothing known fires like this: each pulse stands where it explains the sound best, and may be an echo"
        )
    if part.duration_s < heard.signals.duration_s - 0.5:
        notes.append(f"the answer is about {part.duration_s:.1f} s of it, the longest stretch of nearly steady speed")
    cycle_hz = hypothesis.ratio * heard.phase.mean_hz
    if span.duration_s < faults.shortest_needed_s(cycle_hz):
        notes.append(faults.too_short_note(span.duration_s, cycle_hz))
    return notes
