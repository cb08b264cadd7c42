"""Which cycle, which pattern: every hypothesis gets its odds.

The track's rate is some simple fraction or multiple of the cycle rate. Lines between its multiples say that the cycle
is longer; missing multiples say that it is shorter. Each such cycle is joined with each candidate pattern, and its
evidence, from the wave and from the envelope of the hiss, is weighed with how common it is and how plausible its speed.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from pulse_audio.analysis import pattern
from pulse_audio.analysis.candidates import Candidate, candidates
from pulse_audio.analysis.fold import Lines, Piece
from pulse_audio.analysis.speedtrack import line_evidence
from pulse_audio.units import rpm_from_cycle_hz

Floats = NDArray[np.float64]

DIVISORS = (2, 3, 4, 5, 6, 8, 10, 12)
MULTIPLES = (2, 3, 4, 6)
FEWEST_REPEATS = 3
CERTAIN_LINES = 8.0  # a likelihood ratio of noise alone exceeds e^8 at some cut-off once in 3000 times
MISSING_SHARE = 0.3
MOST_LINES = 48
TOP_HZ = 3500.0
HISS_LINES = 24
HISS_TOP_HZ = 400.0
TEMPER = 0.5  # the Gaussian model is no more than half right: its odds are damped before they are believed
HISS_WEIGHT = 0.5
CLOSE_RACE = 25.0  # evidence within which a pattern is worth a full fit
CLOSE_FEW = 12  # and so are this many of the best, however far apart
LIKELY_RPM = (500.0, 9000.0)
SLOWEST_CYCLE_HZ = 3.3  # 400 rpm of a four-stroke: no engine keeps running below; clocks and drums beat slower
RPM_FALL = 4.0  # log odds lost for each factor of two beyond the likely speeds


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Material:
    """Pieces of a recording at nearly steady speed, first the one that the answer is about."""

    wave: tuple[Piece, ...]
    hiss: tuple[Piece, ...]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Hypothesis:
    """One cycle and pattern.

    Attributes
    ----------
    ratio : float
        Cycle rate as a multiple of the track's rate.
    candidate : Candidate
    evidence : float
        Damped log likelihood less that of noise.
    fit : pattern.Fit
        Of the wave.
    """

    ratio: float
    candidate: Candidate
    evidence: float
    fit: pattern.Fit


def cycle_ratios(piece: Piece) -> tuple[float, ...]:
    """Return cycle rates worth a look, as multiples of the track's rate."""
    power = np.abs(piece.spectrum) ** 2
    divisors = [1]
    for divisor in DIVISORS:
        if piece.cycles >= 3 * divisor and _evidence_at(piece, power, _coprime(divisor) / divisor) > CERTAIN_LINES:
            divisors.append(divisor)
    if math.lcm(*divisors) <= max(DIVISORS):
        divisors.append(math.lcm(*divisors))
    ratios = {1 / divisor for divisor in divisors}
    for divisor in divisors:
        for multiple in MULTIPLES:
            whole = np.arange(1, 13) * multiple / divisor
            between = np.array([k for k in range(1, 12 * multiple) if k % multiple]) / divisor
            present = _evidence_at(piece, power, whole)
            if math.gcd(multiple, divisor) == 1 and _evidence_at(piece, power, between) < MISSING_SHARE * present:
                ratios.add(multiple / divisor)
    return tuple(sorted(ratios))


def fitted_to(material: Material, ratios: Sequence[float]) -> tuple[Material, tuple[float, ...]]:
    """Cut the pieces so that the lines of all ratios fall on whole bins, and drop ratios too fine for their length.

    All hypotheses must see the same samples: evidence grows with their number.
    """
    kept = sorted(ratios, reverse=True)
    while True:
        multiple = math.lcm(*(Fraction(r).limit_denominator(max(DIVISORS)).denominator for r in kept))
        if len(kept) == 1 or multiple * FEWEST_REPEATS <= material.wave[0].cycles:
            break
        kept.pop()
    pairs = [
        (wave.trimmed(multiple), hiss.trimmed(multiple))
        for wave, hiss in zip(material.wave, material.hiss, strict=True)
        if wave.cycles >= multiple * FEWEST_REPEATS or wave is material.wave[0]
    ]
    cut = Material(wave=tuple(w for w, _ in pairs), hiss=tuple(h for _, h in pairs))
    return cut, tuple(kept)


def _coprime(divisor: int) -> NDArray[np.float64]:
    """Numerators of the fractions that no smaller divisor has."""
    return np.array([k for k in range(1, 30 * divisor) if math.gcd(k, divisor) == 1][:40], dtype=np.float64)


def _evidence_at(piece: Piece, power: Floats, orders: Floats) -> float:
    """Evidence that there are lines at given multiples of the track's rate: the best of all cut-offs."""
    place = np.rint(orders * piece.cycles).astype(int)
    place = place[(place > 4) & (place < len(power) - 5)]
    if not len(place):
        return 0.0
    level = line_evidence((power[place] / piece.noise_power(place)).astype(np.float32))
    return float(np.max(np.cumsum(level), initial=0.0))


def speed_log_odds(rpm: float) -> float:
    """Log odds of a speed before anything is heard: alike from 500 to 9000 rpm, falling off beyond."""
    low, high = LIKELY_RPM
    beyond = max(math.log2(low / rpm), math.log2(rpm / high), 0.0)
    return -RPM_FALL * beyond


QUICK_SHARES = (pattern.SHARES[0], pattern.SHARES[2], pattern.SHARES[4])
QUICK_WAVE = replace(pattern.WAVE, shares=QUICK_SHARES, decays_s=(0.008, 0.03), plateaus=(0.0, 0.2))
QUICK_HISS = replace(pattern.HISS, shares=QUICK_SHARES, decays_s=(0.006,), plateaus=(0.0, 0.2))


def weigh(material: Material, ratios: Sequence[float]) -> list[Hypothesis]:
    """Return all hypotheses, the best supported first (their prior weight is not yet in)."""
    top_hz = min(TOP_HZ, MOST_LINES * min(ratios) * material.wave[0].rate_hz)
    quick: list[Hypothesis] = []
    for ratio in ratios:
        wave = [p.lines(ratio, top_hz, MOST_LINES) for p in material.wave]
        hiss = [p.lines(ratio, HISS_TOP_HZ, HISS_LINES) for p in material.hiss]
        for candidate in candidates():
            quick.append(_hypothesis(ratio, candidate, wave, hiss, QUICK_WAVE, QUICK_HISS))
    ranked = sorted((h.evidence for h in quick), reverse=True)
    least = min(ranked[0] - TEMPER * CLOSE_RACE, ranked[min(CLOSE_FEW, len(ranked)) - 1])
    full: list[Hypothesis] = []
    for hypothesis in quick:
        if hypothesis.evidence < least:
            full.append(hypothesis)
            continue
        wave = [p.lines(hypothesis.ratio, top_hz, MOST_LINES) for p in material.wave]
        hiss = [p.lines(hypothesis.ratio, HISS_TOP_HZ, HISS_LINES) for p in material.hiss]
        full.append(_hypothesis(hypothesis.ratio, hypothesis.candidate, wave, hiss, pattern.WAVE, pattern.HISS))
    return sorted(full, key=lambda h: -h.evidence)


def _hypothesis(
    ratio: float,
    candidate: Candidate,
    wave: Sequence[Lines],
    hiss: Sequence[Lines],
    wave_medium: pattern.Medium,
    hiss_medium: pattern.Medium,
) -> Hypothesis:
    fitted = pattern.fit(wave, candidate.fractions, wave_medium, banks=candidate.banks)
    evidence = fitted.evidence
    if all(len(lines.order) > 2 for lines in hiss):
        evidence += HISS_WEIGHT * pattern.fit(hiss, candidate.fractions, hiss_medium, banks=candidate.banks).evidence
    return Hypothesis(ratio=ratio, candidate=candidate, evidence=TEMPER * evidence, fit=fitted)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Engine:
    """A hypothesis as an engine: strokes, cylinders, speed.

    Attributes
    ----------
    hypothesis : Hypothesis
    layouts : tuple of str
    strokes, cylinders : int
    rpm : float
    log_odds : float
    """

    hypothesis: Hypothesis
    layouts: tuple[str, ...]
    strokes: int
    cylinders: int
    rpm: float
    log_odds: float


def engines(found: Sequence[Hypothesis], track_hz: float) -> list[Engine]:
    """Turn hypotheses into engines with their odds before normalising, hints not yet applied."""
    result: list[Engine] = []
    for hypothesis in found:
        cycle_hz = hypothesis.ratio * track_hz
        kinds: dict[tuple[int, int], list[str]] = {}
        for name, strokes, cylinders in hypothesis.candidate.layouts:
            kinds.setdefault((strokes, cylinders), []).append(name)
        if not kinds:
            kinds = {(4, hypothesis.candidate.pulses): []}
        for (strokes, cylinders), names in kinds.items():
            rpm = rpm_from_cycle_hz(cycle_hz, strokes)
            shared = len(names) / len(hypothesis.candidate.layouts) if names else 1.0
            weight = hypothesis.candidate.weight * shared
            result.append(
                Engine(
                    hypothesis=hypothesis,
                    layouts=tuple(names),
                    strokes=strokes,
                    cylinders=cylinders,
                    rpm=rpm,
                    log_odds=hypothesis.evidence + math.log(weight) + speed_log_odds(rpm),
                )
            )
    return result
