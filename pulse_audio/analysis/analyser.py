"""The whole analysis in order, stage by stage."""

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from pulse_audio import checks
from pulse_audio.analysis import faults, presence
from pulse_audio.analysis.calibration import calibrated
from pulse_audio.analysis.describing import SHORTEST_S, Heard, described
from pulse_audio.analysis.fold import Phase, Piece, piece
from pulse_audio.analysis.hypotheses import (
    DIVISORS,
    SLOWEST_CYCLE_HZ,
    Hypothesis,
    Material,
    cycle_ratios,
    engines,
    fitted_to,
    weigh,
)
from pulse_audio.analysis.pieces import Span, bursts, steady_spans
from pulse_audio.analysis.prepare import ENVELOPE_RATE_HZ, WAVE_RATE_HZ, Signals, of_wave, signals
from pulse_audio.analysis.readings import Choice, choose, compare_with_layout, layout_not_compared
from pulse_audio.analysis.result import Analysis, Hints
from pulse_audio.analysis.speedtrack import Track, coarse_track, refine
from pulse_audio.analysis.steady import steadied, tone_hz, without_lines
from pulse_audio.catalogue import find_layout
from pulse_audio.clip import Clip
from pulse_audio.errors import ClipError
from pulse_audio.units import rpm_from_cycle_hz

Floats = NDArray[np.float64]

BLOCK_S = 60.0
MOST_PIECES = 3
DOUBTFUL = 0.5  # more likely wrong than right
LEAST_PRESENT = 0.05  # so few real engines were at hand, 49, that one in twenty may be like none of them
CLEARLY_SLOWER = 20.0  # evidence for a beat slower than any engine over that for an engine
CLEARLY_SLOWER_SHARE = 0.01
LEAST_LEFT = 1e-3  # of the power: what a tone leaves 30 dB below itself may be its own coarse steps or distortion


def analyse(clip: Clip, hints: Hints | None = None) -> Analysis:
    """Say how the engine in a clip fires.

    Parameters
    ----------
    clip : Clip
        Channels are averaged.
    hints : Hints or None
        What is known beforehand.

    Returns
    -------
    Analysis
        ``no-rhythm`` where no engine is heard, ``undetermined`` where one is but its pattern is not clear.

    Raises
    ------
    ClipError
        Less than half a second of sound, samples that are no numbers, or channels that cancel each other.
    LayoutError
        The layout hint names no layout.
    """
    checks.kind("clip", clip, Clip).check_channels()
    return analyse_blocks(_split(clip), hints)


def _split(clip: Clip) -> Iterator[Clip]:
    block = round(BLOCK_S * clip.sample_rate_hz)
    for start in range(0, max(len(clip.samples), 1), block):
        yield replace(clip, samples=clip.samples[start : start + block])


def analyse_blocks(blocks: Iterable[Clip], hints: Hints | None = None) -> Analysis:
    """Analyse a recording that comes in blocks, so that its length does not matter.

    Every block is tracked; the answer is about the one with the longest steady, clear stretch or, where no engine is
    heard in that (it may be the hum of the room before one is started), about the loudest.

    Parameters
    ----------
    blocks : iterable of Clip
        Consecutive parts of one recording, best of `BLOCK_S` seconds each.
    hints : Hints or None
    """
    hints = hints or Hints()
    best: Heard | None = None
    loudest: Heard | None = None
    start_s, sample_rate_hz, channels, count, silent = 0.0, 0, 1, 0, True
    for block in blocks:
        sample_rate_hz, channels = block.sample_rate_hz, math.prod(block.samples.shape[1:])
        mono = _mono(block)
        if len(mono) and not faults.is_silent(mono):
            silent = False
        if block.duration_s >= SHORTEST_S and (best is None or block.duration_s > 2.0) and not faults.is_silent(mono):
            heard = _listen(block, mono, start_s)
            if best is None or heard.worth > best.worth:
                best = heard
            if loudest is None or heard.power > loudest.power:
                loudest = heard
        start_s += block.duration_s
        count += 1
    if sample_rate_hz == 0 or start_s < SHORTEST_S:
        raise ClipError(f"there are {start_s:.2f} s of sound; give at least {SHORTEST_S:g} s, better several seconds")
    if best is None:
        return Analysis(
            duration_s=start_s,
            sample_rate_hz=sample_rate_hz,
            span_s=(0.0, start_s),
            verdict="no-rhythm" if silent else "undetermined",
            confidence=1.0 if silent else 0.0,
            notes=(faults.SILENT if silent else "no part of it is long enough",),
        )
    answer = _best_answer(best, hints, start_s, sample_rate_hz, blocks=count)
    if not answer.is_told and loudest is not None and loudest is not best:
        loud = _best_answer(loudest, hints, start_s, sample_rate_hz, blocks=count)
        if loud.is_told:
            return loud
    if channels > 1 and not answer.is_told:
        note = f"the mean of its {channels} channels was listened to: one alone may be clearer (--channel 1)"
        return replace(answer, notes=(*answer.notes, note))
    return answer


def _mono(clip: Clip) -> Floats:
    samples = clip.mono()
    if not np.all(np.isfinite(samples)):
        raise ClipError("the clip holds samples that are no numbers (NaN or infinite); export it again")
    return samples


def _listen(block: Clip, mono: Floats, start_s: float) -> Heard:
    heard = signals(mono, block.sample_rate_hz)
    track = coarse_track(heard)
    phase, spans = _followed(heard, track)
    first = spans[0]
    inside = (track.time_s >= first.start_s) & (track.time_s <= first.end_s)
    worth = float(track.evidence[inside].mean()) * math.sqrt(max(first.duration_s, 0.0)) if inside.any() else 0.0
    return Heard(
        heard,
        track,
        phase,
        spans,
        worth,
        float(np.mean(mono**2)),
        start_s,
        faults.recording_notes(block.samples, block.sample_rate_hz),
        faults.hum_hz(mono, block.sample_rate_hz),
    )


def _beneath(heard: Heard) -> Heard | None:
    """Take out mains hum, or else the strongest tone that stands still, and listen to what is left; None without.

    A hum or a whine that is no engine may be all that is followed, with an engine beneath it. In a short recording an
    engine is as steady.
    """
    wave = heard.signals.wave
    if heard.signals.duration_s < faults.SHORTEST_HUM_S:
        return None
    rate_hz = faults.mains_hz(wave, WAVE_RATE_HZ) or tone_hz(wave)
    if rate_hz is None:
        return None
    rest = without_lines(wave, rate_hz)
    if np.mean(rest**2) < LEAST_LEFT * np.mean(wave**2):
        return None
    left = of_wave(rest)
    track = coarse_track(left)
    phase, spans = _followed(left, track)
    note = f"a steady tone of {rate_hz:.1f} Hz with its multiples was taken out: with it no engine was heard"
    return replace(heard, signals=left, track=track, phase=phase, spans=spans, notes=(*heard.notes, note), hum_hz=None)


def _followed(heard: Signals, track: Track) -> tuple[Phase, tuple[Span, ...]]:
    """Sharpen a track, and find the stretches that the answer may rest on."""
    rough = Phase.from_rate(track.time_s, track.rate_hz, heard.duration_s)
    phase = steadied(heard, rough, refine(heard, rough))
    return phase, steady_spans(heard, track, phase, MOST_PIECES)


def _on_cycle(heard: Heard, ratio: float) -> Heard:
    """Follow the cycle itself, at `ratio` times the track's rate."""
    track = replace(heard.track, rate_hz=heard.track.rate_hz * ratio)
    phase, spans = _followed(heard.signals, track)
    return replace(heard, track=track, phase=phase, spans=spans)


@dataclass(frozen=True, slots=True, eq=False)
class _Weighed:
    """The clear stretches of a block and all patterns weighed on them; no choice if the hints allow none."""

    material: Material
    found: list[Hypothesis]
    running: list[Hypothesis]
    choice: Choice | None


def _weighed(heard: Heard, hints: Hints) -> _Weighed | None:
    """Weigh all patterns; None if no stretch is long enough."""
    material = _material(heard)
    if material is None:
        return None
    material, ratios = fitted_to(material, cycle_ratios(material.wave[0]))
    track_hz = material.wave[0].rate_hz
    found = weigh(material, ratios, None if hints.layout is None else find_layout(hints.layout))
    running = [h for h in found if h.ratio * track_hz >= SLOWEST_CYCLE_HZ]
    choice = choose(engines(running, track_hz), hints)
    return _Weighed(material, found, running, choice and calibrated(choice))


def _is_multiple(ratio: float) -> bool:
    """Whether a track's rate is a whole multiple, or a whole part, of the cycle's."""
    fraction = Fraction(ratio).limit_denominator(max(DIVISORS))
    return 1 in fraction.as_integer_ratio()


def _material(heard: Heard) -> Material | None:
    wave: list[Piece] = []
    hiss: list[Piece] = []
    for span in heard.spans:
        tone = piece(heard.signals.wave, WAVE_RATE_HZ, heard.phase, span.start_s, span.end_s)
        noise = piece(heard.signals.envelope, ENVELOPE_RATE_HZ, heard.phase, span.start_s, span.end_s)
        if tone is not None and noise is not None:
            wave.append(tone.normalised())
            hiss.append(noise.normalised())
    return Material(wave=tuple(wave), hiss=tuple(hiss)) if wave else None


def _clues(heard: Heard, material: Material, choice: Choice) -> presence.Clues:
    return presence.clues(heard.signals, heard.track, heard.phase, heard.spans[0], material, choice.best.hypothesis)


def _present(clues: presence.Clues, heard: Heard, hints: Hints) -> float:
    return presence.probability(clues, heard.hum_hz, said_to_be_one=hints.describe_engine)


def _best_answer(heard: Heard, hints: Hints, duration_s: float, sample_rate_hz: int, *, blocks: int) -> Analysis:
    """Answer about a block; where no engine is heard or the answer is doubtful, listen again.

    What is followed may be a hum with an engine beneath it, or a rate of which too few multiples are lines: of 769
    engines 10 were read at another rate only, and had odds of 0.13 to 0.86 at the first. At the least, none is tried.
    """

    def answered(heard: Heard) -> tuple[Analysis, float]:
        return _answer(heard, hints, duration_s, sample_rate_hz, blocks=blocks)

    first, present = answered(heard)
    if first.is_told and first.confidence >= DOUBTFUL:
        return first
    if not first.readings and (left := _beneath(heard)) and (beneath := answered(left)[0]).is_told:
        return beneath
    if present == LEAST_PRESENT:
        return first
    track = coarse_track(heard.signals, besides=heard.track)
    phase, spans = _followed(heard.signals, track)
    second, present_again = answered(replace(heard, track=track, phase=phase, spans=spans))
    if first.is_told or second.is_told:
        return max((first, second), key=lambda answer: answer.is_told * answer.confidence)
    return second if present < presence.PRESENT and present < present_again else first


def _answer(
    heard: Heard, hints: Hints, duration_s: float, sample_rate_hz: int, *, blocks: int
) -> tuple[Analysis, float]:
    """Answer, and say how likely an engine is at all; not a number if that was not weighed, or the beat is too slow."""
    weighed = _weighed(heard, hints)
    if weighed and weighed.choice and not _is_multiple(ratio := weighed.choice.best.hypothesis.ratio):
        # The track's multiples are only now and then lines of the cycle, as 8/3 of it are where pulses fall on eighths:
        # too few to follow it closely.
        closer = _on_cycle(heard, ratio)
        again = _weighed(closer, hints)
        if again and again.choice:
            odds, closer_odds = (
                choice.probability * _present(_clues(by, weights.material, choice), by, hints)
                for by, weights, choice in ((heard, weighed, weighed.choice), (closer, again, again.choice))
            )
            if closer_odds >= odds:
                heard, weighed = closer, again
    span = heard.spans[0]
    blank = Analysis(
        duration_s=duration_s,
        sample_rate_hz=sample_rate_hz,
        span_s=(heard.start_s + span.start_s, heard.start_s + span.end_s),
        verdict="no-rhythm",
        confidence=0.0,
        notes=heard.notes,
    )
    untold = layout_not_compared(hints)
    if weighed is None:
        needed = faults.shortest_needed_s(float(np.median(heard.track.rate_hz)))
        note = f"too short for this rhythm: at least {needed:.1f} s of steady sound are needed"
        return replace(blank, verdict="undetermined", layout_match=untold, notes=(*heard.notes, note)), math.nan
    material, choice = weighed.material, weighed.choice
    if choice is None:
        note = _no_engine_left(hints, heard.phase.mean_hz)
        return replace(blank, verdict="undetermined", layout_match=untold, notes=(*heard.notes, note)), math.nan
    clues = _clues(heard, material, choice)
    evidence = choice.best.hypothesis.evidence
    # However much the likelihood is damped: what an engine repeats from cycle to cycle, or two cycles, is only faint.
    slow = (float(np.min(h.evidence - evidence)) for h in weighed.found if h not in weighed.running)
    is_slower = max(slow, default=-math.inf) > max(CLEARLY_SLOWER, CLEARLY_SLOWER_SHARE * float(evidence[0]))
    present = 0.0 if is_slower else _present(clues, heard, hints)
    present = max(present, LEAST_PRESENT)
    if present < presence.PRESENT:
        match = compare_with_layout(choice, present, hints)
        if present >= presence.PERHAPS:
            note = presence.perhaps_note(clues, present, said_to_be_one=hints.describe_engine)
            return replace(blank, verdict="undetermined", layout_match=match, notes=(*heard.notes, note)), present
        notes = [_slower_note()] if is_slower else presence.notes(clues, bursts(heard.signals.wave))
        none = replace(blank, confidence=1 - present, layout_match=match, notes=(*heard.notes, *notes))
        return none, math.nan if is_slower else present
    if blocks > 1:
        note = "a long recording is gone through a minute at a time: the clearest with an engine was taken"
        heard = replace(heard, notes=(*heard.notes, note))
    return described(blank, heard, hints, material, choice, present), present


def _no_engine_left(hints: Hints, rate_hz: float) -> str:
    if hints.rpm and hints.rpm[1] < rpm_from_cycle_hz(SLOWEST_CYCLE_HZ, hints.strokes or 4):
        return _slower_note()
    return (
        f"the hints leave no engine that fits the beat heard, of {rate_hz:.1f} Hz with its parts and multiples: it may "
        "be another's, or a hint may be wrong; try without them, or another part of the recording"
    )


def _slower_note() -> str:
    four, two = (rpm_from_cycle_hz(SLOWEST_CYCLE_HZ, strokes) for strokes in (4, 2))
    return (
        f"engines are read from about {round(four, -1):.0f} rpm on, two-strokes from {round(two, -1):.0f}; "
        "a slower beat is for the ear to count"
    )
