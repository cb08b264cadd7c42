"""Is there an engine at all? Odds from a few measures that have a physical reason.

An engine's pulses put lines on many multiples of their rate at once, carry flow noise that swells in the same rhythm,
and never pause: its level is steady, or follows its speed smoothly. Its speed wanders a little and cannot leap. Speech
and music swell and fade and leap from note to note; a word, a string or a drum is soon gone; a clock's beat stands
still; a tone or a bell rings too clean; a fan or hum has few lines; noise has none.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pulse_audio.analysis.fold import Phase, Piece
from pulse_audio.analysis.hypotheses import Hypothesis, Material
from pulse_audio.analysis.pieces import Span
from pulse_audio.analysis.prepare import WAVE_RATE_HZ, Signals
from pulse_audio.analysis.speedtrack import Track

LINES_TOP_HZ, HISS_TOP_HZ = 1000.0, 300.0
CLEAR = 10.0  # of the noise's power
LEAP = 0.1  # natural log of the rate in a fifth of a second
LEVEL_STEP_S = 0.1  # or one cycle, if that is longer: within it, pulses come and go
NEAR_S = 1.0  # a syllable, a struck string or a drum has faded within it
MOST_FALL_DB = 15.0  # a pause is no more of one for being deeper


@dataclass(frozen=True, kw_only=True, slots=True)
class Clues:
    """Measures of one recording.

    Attributes
    ----------
    wave_lines, hiss_lines : int
        Number of clear lines (10 dB above noise) at multiples of the cycle rate, in the wave and in the hiss.
    line_share : float
        Share of the wave's power up to 1000 Hz that stands in those lines.
    level_spread_db : float
        Standard deviation of the level from tenth to tenth of a second, or from cycle to cycle.
    firing_hz : float
    line_fill : float
        Share of those multiples in the wave that are clear.
    line_strength : float
        Mean natural log of the power of the clear lines in the wave over the noise.
    wander : float
        Median change of the track's rate from frame to frame, natural log.
    leaps : float
        Share of frames at which the track's rate changes by more than a tenth.
    clockwork : bool
        Whether the beat is even, and one constant rate explains it as well as any.
    fall_db : float
        How far the level falls within a second of the middle, before it and after: the lesser of both; 0 to 15.
    """

    wave_lines: int
    hiss_lines: int
    line_share: float
    level_spread_db: float
    firing_hz: float
    line_fill: float
    line_strength: float
    wander: float
    leaps: float
    clockwork: bool
    fall_db: float


def clues(heard: Signals, track: Track, phase: Phase, span: Span, material: Material, best: Hypothesis) -> Clues:
    """Measure what tells an engine from other sounds."""
    wave, hiss = material.wave[0], material.hiss[0]
    wave_over, share = _lines_over_noise(wave, best.ratio, LINES_TOP_HZ)
    hiss_over, _ = _lines_over_noise(hiss, best.ratio, HISS_TOP_HZ)
    clear = wave_over[wave_over > CLEAR]
    steps = np.abs(np.diff(np.log(track.rate_hz)))
    level_step_s = max(LEVEL_STEP_S, 1 / (wave.rate_hz * best.ratio))
    inside_db = _levels_db(heard, span.start_s, span.end_s, level_step_s)
    return Clues(
        wave_lines=len(clear),
        hiss_lines=int((hiss_over > CLEAR).sum()),
        line_share=share,
        level_spread_db=float(np.std(inside_db)) if len(inside_db) else 0.0,
        firing_hz=wave.rate_hz * best.ratio * best.candidate.pulses,
        line_fill=len(clear) / max(len(wave_over), 1),
        line_strength=float(np.log(clear).mean()) if len(clear) else 0.0,
        wander=float(np.median(steps)) if len(steps) else 0.0,
        leaps=float((steps > LEAP).mean()) if len(steps) else 0.0,
        clockwork=best.candidate.is_even and phase.is_steady,
        fall_db=_fall_db(heard, span, inside_db, level_step_s),
    )


def _levels_db(heard: Signals, start_s: float, end_s: float, step_s: float) -> NDArray[np.float64]:
    """Level of every whole step from one time to another, as far as there is sound."""
    step = round(step_s * WAVE_RATE_HZ)
    wave = heard.wave[max(round(start_s * WAVE_RATE_HZ), 0) : round(end_s * WAVE_RATE_HZ)]
    power = (wave[: len(wave) // step * step].reshape(-1, step) ** 2).mean(axis=1)
    return np.asarray(10 * np.log10(power + 1e-9))


def _fall_db(heard: Signals, span: Span, inside_db: NDArray[np.float64], step_s: float) -> float:
    """How far the level falls within a second of the middle of a stretch, before it and after: the lesser of both.

    An engine may be started or stopped there, but hardly both. Where the recording begins or ends within that second,
    the other side counts; a recording of less than two seconds that falls anywhere may be a word.
    """
    if not len(inside_db):
        return 0.0
    middle_s = (span.start_s + span.end_s) / 2
    sides = ((middle_s - NEAR_S, middle_s), (middle_s, middle_s + NEAR_S))
    falls = [np.median(inside_db) - _levels_db(heard, *side, step_s).min(initial=np.inf) for side in sides]
    whole = [
        fall for fall, (start_s, end_s) in zip(falls, sides, strict=True) if start_s >= 0 and end_s <= heard.duration_s
    ]
    return float(np.clip(min(whole) if whole else max(falls), 0.0, MOST_FALL_DB))


def _lines_over_noise(piece: Piece, ratio: float, top_hz: float) -> tuple[NDArray[np.float64], float]:
    """Power of each multiple over the noise, and the share of all power that stands in them."""
    lines = piece.lines(ratio, top_hz, 60)
    power = np.abs(lines.amplitude) ** 2
    low, high = 4, int(min(top_hz / piece.rate_hz * piece.cycles, len(piece.power)))
    # A Hann line spreads over three bins: power 1, 1/4, 1/4.
    share = 1.5 * np.maximum(power - lines.noise_power, 0).sum() / max(piece.power[low:high].sum(), 1e-30)
    return power / lines.noise_power, float(share)


# Weights of a logistic regression (penalty 1/2 of their squares, standardised) of engines against other sounds: 795
# made engines and 1696 other sounds, a third of them real; docs/studies/accuracy.py measures it on others. Who asks has
# an engine at least as often as not: the intercept is that of the regression and the log of 1696/795, and 0.2 that make
# up for the fall of the level, which came later. This was weighed on 960 made engines and 771 other sounds, half of
# them real, with the rest held: 8 of them are read as engines (15 without it), and as many engines as before.
INTERCEPT = 2.02
PER_WAVE_LINES = 2.61  # per natural log of 1 + lines: the more multiples, the more pulse-like
PER_HISS_LINES = 1.06  # flow noise swells with the pulses; tones and voices have no such noise
PER_LINE_SHARE = 5.87
PER_STRENGTH = -1.11  # lines that stand high over little noise: a tone, an organ, a bell
PER_LEVEL_DB = -0.53
PER_SLOW = -4.39  # per natural log below 15 firings a second, where clocks and drums beat, and only singles idle
PER_WANDER = 1.11  # per natural log: no engine turns like clockwork
PER_LEAP = -9.66  # from note to note
PER_FALL_DB = -0.2  # a word, a string or a drum fades from one second to the next
FILLED_STRENGTH = 7.2  # 31 dB: where a pulse fills all multiples, it does not matter how clean they are
SLOW_HZ = 15.0
CLOCKWORK = 2.0  # not fitted: a slow even beat that stands still counts as slow twice; a watch does, no single idles so
STANDSTILL = 4e-3  # two steps of the track's grid
# Fitted mostly on made sounds, the log odds go too far for real ones: 20 of 49 real engines had less than one in three.
# A logistic regression on the log odds alone brings them to the share that are engines: the same 49, for three tenths
# of the engines, and made ones; 773 other real sounds, for six tenths of the others, and made ones. The real sounds are
# recordings at hand and what Debian's packages of game and music sounds hold, cut to 10 s.
AS_IT_IS = (1.21, 0.78)  # intercept and slope
LEAST_SHARE = 0.05  # many clear lines that hold less of the sound are not what one hears: they count for less
HUM_TOLERANCE = 0.002
PULSE_LINES = 0.8  # share of the multiples up to 1000 Hz: a pulse fills them, hum dies away before

PRESENT, PERHAPS = 0.875, 0.5  # probability of an engine from which it is read; from which it is left open
SAID = 3.0  # log odds: who says what engine it is has brought another sound once in twenty times


def probability(found: Clues, hum_hz: float | None, *, said_to_be_one: bool = False) -> float:
    """Return the probability that an engine runs; mains hum is none, whatever is said."""
    if hum_hz is not None:
        multiple = max(1, round(found.firing_hz / hum_hz))
        on_mains = abs(found.firing_hz / hum_hz - multiple) < HUM_TOLERANCE * multiple
        if on_mains and found.wave_lines < PULSE_LINES * LINES_TOP_HZ / hum_hz:
            return 0.0
    heard = min(1.0, found.line_share / LEAST_SHARE)
    strength = (1 - found.line_fill) * found.line_strength + found.line_fill * FILLED_STRENGTH
    as_fitted = (
        INTERCEPT
        + PER_WAVE_LINES * math.log1p(found.wave_lines * heard)
        + PER_HISS_LINES * math.log1p(found.hiss_lines * heard)
        + PER_LINE_SHARE * found.line_share
        + PER_STRENGTH * strength
        + PER_LEVEL_DB * found.level_spread_db
        + PER_SLOW * (CLOCKWORK if found.clockwork else 1.0) * max(math.log(SLOW_HZ / found.firing_hz), 0.0)
        + PER_WANDER * math.log(found.wander + STANDSTILL)
        + PER_LEAP * found.leaps
        + PER_FALL_DB * found.fall_db
    )
    intercept, slope = AS_IT_IS
    log_odds = intercept + slope * as_fitted + SAID * said_to_be_one
    return 1 / (1 + math.exp(-log_odds))


PERIODIC_LINES = 4
FEWEST_BURSTS = 3
GONE_DB = 10.0  # a tenth of the power: to the ear it has ended
GONE = "it is soon gone, as a word or a drum is: give at least two seconds of it without a pause"


def notes(found: Clues, bursts: int) -> list[str]:
    """Say what was heard where no engine was; silences cut the sound into so many bursts."""
    if bursts >= FEWEST_BURSTS:
        return [
            f"the sound comes in {bursts} bursts with silence between them, and a running engine leaves none; the "
            "pulses of one that is slowed down are for the ear to count"
        ]
    if not _is_periodic(found):
        return ["nothing in the sound repeats steadily enough to be an engine"]
    if found.fall_db >= GONE_DB:
        return [f"{_repeats(found)}, but {GONE}"]
    return [f"{_repeats(found)}, but it does not sound like an engine's pulses"]


def perhaps_note(found: Clues, present: float, *, said_to_be_one: bool) -> str:
    """Say that it may be an engine."""
    repeats = _repeats(found) if _is_periodic(found) else "hardly anything in the sound repeats steadily"
    note = f"{repeats}; it may be an engine ({100 * present:.0f} %) or another sound"
    if found.fall_db >= GONE_DB:
        note = f"{note}: {GONE}"
    if said_to_be_one:
        return note
    return f"{note}. If you know that it is one, say its strokes, cylinders or speed, and it is listened to as one"


def _is_periodic(found: Clues) -> bool:
    return found.wave_lines + found.hiss_lines >= PERIODIC_LINES


def _repeats(found: Clues) -> str:
    return f"something repeats, about {found.firing_hz:.3g} times a second or a simple fraction of it"
