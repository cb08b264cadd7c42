"""Which cycle, which pattern: every hypothesis gets its odds.

The track's rate is some simple fraction or multiple of the cycle rate. Lines between its multiples say that the cycle
is longer; missing multiples say that it is shorter. Each such cycle is joined with each candidate pattern, and its
evidence, from the lines of the wave, from the power and the coherence of what lies between them and from the envelope
of the hiss, is weighed with how common it is and how plausible its speed.
"""

import math
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from pulse_audio.analysis import coherence, evidence, pattern, swell, unlisted
from pulse_audio.analysis.between import between_lines
from pulse_audio.analysis.candidates import (
    WEAK_EARLY,
    WEAK_EARLY_SD,
    WEAK_SHARE,
    WEAK_STRENGTHS,
    Candidate,
    candidates,
)
from pulse_audio.analysis.evidence import Seen
from pulse_audio.analysis.fold import Lines, Piece
from pulse_audio.analysis.speedtrack import line_evidence
from pulse_audio.analysis.threads import side_by_side
from pulse_audio.layout import Layout
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
PIPE_DELAY_SD_S = 0.6e-3  # a quarter of a metre of hot pipe, or of air to the microphone, between two cylinders
CRANK_SD = 2.5 / 720  # of a cycle, from the listed place: torque ripple, valve timing, a layout between those listed
ELSEWHERE = 0.1  # of further pieces show another engine, another sound, or a track that has slipped
ALIKE_ODDS = 1 / len(pattern.SHARES)  # that cylinders are as like each other as the first of these has it
RATIO_DIGITS = 6
HEARD_TWINS = np.arange(150.0, 361.0, 6.0) / 720  # where the second pulse of a known twin may be heard
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
    evidence : ndarray, shape (n_dampings,)
        Damped log likelihood less that of noise.
    """

    ratio: float
    candidate: Candidate
    evidence: Floats


def cycle_ratios(piece: Piece) -> tuple[float, ...]:
    """Return cycle rates worth a look, as multiples of the track's rate."""
    divisors = [1]
    for divisor in DIVISORS:
        if piece.cycles >= 3 * divisor and _evidence_at(piece, _coprime(divisor) / divisor) > CERTAIN_LINES:
            divisors.append(divisor)
    if math.lcm(*divisors) <= max(DIVISORS):
        divisors.append(math.lcm(*divisors))
    ratios = {1 / divisor for divisor in divisors}
    for divisor in divisors:
        for multiple in MULTIPLES:
            whole = np.arange(1, 13) * multiple / divisor
            between = np.array([k for k in range(1, 12 * multiple) if k % multiple]) / divisor
            present = _evidence_at(piece, whole)
            if math.gcd(multiple, divisor) == 1 and _evidence_at(piece, between) < MISSING_SHARE * present:
                ratios.add(multiple / divisor)
    return tuple(sorted(ratios))


def fitted_to(material: Material, ratios: Sequence[float]) -> tuple[Material, tuple[float, ...]]:
    """Cut the pieces so that the lines of all ratios fall on whole bins, and drop ratios too fine for their length.

    All hypotheses must see the same samples: evidence grows with their number.
    """
    kept = sorted(ratios, reverse=True)
    while True:
        multiple = _repeat_cycles(kept)
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


def _repeat_cycles(ratios: Sequence[float]) -> int:
    """Cycles of the track after which all cycles of these ratios have ended together."""
    return math.lcm(*(Fraction(r).limit_denominator(max(DIVISORS)).denominator for r in ratios))


def _coprime(divisor: int) -> NDArray[np.float64]:
    """Numerators of the fractions that no smaller divisor has."""
    return np.array([k for k in range(1, 30 * divisor) if math.gcd(k, divisor) == 1][:40], dtype=np.float64)


def _evidence_at(piece: Piece, orders: Floats) -> float:
    """Evidence that there are lines at given multiples of the track's rate: the best of all cut-offs."""
    place = np.rint(orders * piece.cycles).astype(int)
    place = place[(place > 4) & (place < len(piece.power) - 5)]
    if not len(place):
        return 0.0
    level = line_evidence((piece.power[place] / piece.noise_power(place)).astype(np.float32))
    return float(np.max(np.cumsum(level), initial=0.0))


def speed_log_odds(rpm: float) -> float:
    """Log odds of a speed before anything is heard: alike from 500 to 9000 rpm, falling off beyond."""
    low, high = LIKELY_RPM
    beyond = max(math.log2(low / rpm), math.log2(rpm / high), 0.0)
    return -RPM_FALL * beyond


def pipe_sd(cycle_hz: float) -> float:
    """Return how far pipes and air move one cylinder's pulse against another's, in parts of the cycle."""
    return PIPE_DELAY_SD_S * cycle_hz


def weigh(material: Material, ratios: Sequence[float], asked: Layout | None = None) -> list[Hypothesis]:
    """Return all hypotheses (their prior weight is not yet in).

    Parameters
    ----------
    material : Material
    ratios : sequence of float
        Cycle rates as multiples of the track's rate.
    asked : Layout or None
        A layout whose pattern is weighed with those of the catalogue.
    """
    seen = _seen(material, ratios)
    proposed = side_by_side(lambda one: unlisted.proposed(one, candidates(asked)), seen)
    kinds = [(*_shapes(asked), *_shapes_of(free)) for free in proposed]
    tasks = [(one, *kind) for one, own in zip(seen, kinds, strict=True) for kind in own]
    weighed = iter(_weighed(side_by_side(lambda task: _evidence(*task), tasks)))
    found: list[tuple[float, Candidate]] = []
    pieces: list[Floats] = []
    for one, own, free in zip(seen, kinds, proposed, strict=True):
        plain, banked, weak, *rest = (next(weighed) for _ in own)
        heard, weak_twins = plain[len(candidates(asked)) :], weak[: 2 * len(HEARD_TWINS)]
        next_banked, next_weak = iter(banked), iter(weak[2 * len(HEARD_TWINS) :])
        for exact, candidate in zip(plain, candidates(asked), strict=False):
            ways = [exact, *(next(next_banked) for _ in candidate.banked)]
            weak_ways = [next(next_weak) for _ in candidate.weak]
            if candidate.pulses == 2 and candidate.fractions[1] >= HEARD_TWINS[0]:
                spread = math.hypot(CRANK_SD, pipe_sd(one.wave[0].cycle_hz))
                ways = [_heard_nearby(candidate.fractions[1], spread, exact, heard)]
                weak_ways = [_weak_nearby(candidate.fractions[1], spread, weak_twins)]
            mean = _mean(ways)
            if weak_ways:
                odds = np.log([1 - WEAK_SHARE, WEAK_SHARE])
                mean = np.logaddexp(odds[0] + mean, odds[1] + _mean(weak_ways))
            if candidate.pulses <= len(one.wave[0].order):  # else not one line at its firing rate is looked at
                found.append((one.ratio, candidate))
                pieces.append(mean)
        for evidences in rest:
            found += [(one.ratio, candidate) for candidate in free]
            pieces += evidences
    return [
        Hypothesis(ratio=ratio, candidate=candidate, evidence=value)
        for (ratio, candidate), value in zip(found, _over_all_pieces(np.array(pieces)), strict=True)
    ]


def _seen(material: Material, ratios: Sequence[float]) -> list[Seen]:
    """Look at the pieces of a recording at every cycle, at no more of any than the slowest shows.

    Evidence grows with what is seen: a slow cycle's lines end lower than a fast one's.
    """
    slowest = min(ratios)
    between = [between_lines(p, 1 / _repeat_cycles(ratios)) for p in material.wave]
    rests, coherences = [swell.rests(b) for b in between], tuple(coherence.measured(b) for b in between)

    def lines(pieces: Sequence[Piece], ratio: float, top_hz: float, most: int) -> tuple[Lines, ...]:
        return tuple(p.lines(ratio, min(top_hz, most * slowest * p.rate_hz), most) for p in pieces)

    return [
        Seen(
            ratio=ratio,
            wave=lines(material.wave, ratio, TOP_HZ, MOST_LINES),
            hiss=lines(material.hiss, ratio, HISS_TOP_HZ, HISS_LINES),
            swelling=tuple(tuple(band.at_cycle(ratio) for band in bands) for bands in rests),
            coherence=coherences,
        )
        for ratio in ratios
    ]


def _over_all_pieces(weighed: Floats) -> Floats:
    """Bring the evidence of the pieces together, (n_hypotheses, n_pieces, n_dampings) to (n_hypotheses, n_dampings).

    The first counts in full. Any other may show something else; it then has the mean evidence of all hypotheses.
    """
    anything = logsumexp(weighed, axis=0) - math.log(len(weighed))
    others = np.logaddexp(math.log(1 - ELSEWHERE) + weighed, math.log(ELSEWHERE) + anything)[:, 1:]
    return np.asarray(weighed[:, 0] + others.sum(axis=1))


@lru_cache(maxsize=4)
def _shapes(asked: Layout | None) -> tuple[tuple[pattern.Shapes, tuple[pattern.OwnShare, ...]], ...]:
    """All candidates, and twins as they may be heard; as banks may share them; twins and others with a weak pulse."""
    Way = pattern.Way
    heard = [Way(np.array([0.0, place])) for place in HEARD_TWINS]
    weak = (1.0, WEAK_STRENGTHS[0])
    every = candidates(asked)
    weak_twins = [Way(way.places, strengths=strengths) for strengths in (weak, weak[::-1]) for way in heard]
    return (
        (pattern.Shapes.of([*(Way(c.fractions) for c in every), *heard]), pattern.SHARES),
        (pattern.Shapes.of([way for c in every for way in c.banked]), pattern.BANK_SHARES),
        (pattern.Shapes.of([*weak_twins, *(way for c in every for way in c.weak)]), pattern.WEAK_SHARES),
    )


def _shapes_of(free: Sequence[Candidate]) -> Iterator[tuple[pattern.Shapes, tuple[pattern.OwnShare, ...]]]:
    """Patterns that the sound proposes, if any."""
    if free:
        yield pattern.Shapes.of([pattern.Way(c.fractions) for c in free]), pattern.SHARES


def _evidence(seen: Seen, shapes: pattern.Shapes, shares: tuple[pattern.OwnShare, ...]) -> tuple[list[Floats], Floats]:
    return evidence.without_coherence(seen, shapes, shares), evidence.coherent(seen, shapes)


def _weighed(found: Sequence[tuple[list[Floats], Floats]]) -> list[list[Floats]]:
    """Add what is believed of the coherence, for which all patterns at all cycles must be known."""
    believed = coherence.believed([coherent for _, coherent in found])
    return [
        [each + c[:, None] for each, c in zip(others, coherent.T, strict=True)]
        for (others, _), coherent in zip(found, believed, strict=True)
    ]


def _mean(ways: Sequence[Floats], odds: Floats | None = None) -> Floats:
    """Mean evidence of ways to hear a pattern, by their log odds."""
    odds = np.zeros(len(ways)) if odds is None else odds
    return np.asarray(logsumexp(odds[:, None, None] + np.array(ways), axis=0) - logsumexp(odds))


def _heard_nearby(place: float, spread: float, exact: Floats, heard: Sequence[Floats]) -> Floats:
    """Evidence of a twin whose second pulse may be heard a little early or late: the mean over where it may be heard.

    Pipes and air delay one cylinder's pulse more than the other's by a time, so by an angle that grows with speed.
    """
    at = np.concatenate((HEARD_TWINS, 1 - HEARD_TWINS[:-1], [place]))
    return _mean([*heard, *heard[:-1], exact], -0.5 * ((at - place) / spread) ** 2)


def _weak_nearby(place: float, spread: float, weak: Sequence[Floats]) -> Floats:
    """Evidence of a twin one of whose pulses is weak and early: which one is not known, so it stands at either side."""
    after_strong = np.concatenate((HEARD_TWINS, 1 - HEARD_TWINS))
    heard_at = np.array([[place], [1 - place]]) - WEAK_EARLY
    off = (after_strong - heard_at) / math.hypot(spread, WEAK_EARLY_SD)
    return _mean(weak, np.logaddexp(*(-0.5 * off**2)))


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Engine:
    """A hypothesis as an engine: strokes, cylinders, speed.

    Attributes
    ----------
    hypothesis : Hypothesis
    times : int
        How often its pattern comes in a cycle of the engine.
    layouts : tuple of str
    strokes, cylinders : int
    rpm : float
    log_odds : ndarray, shape (n_dampings,)
    """

    hypothesis: Hypothesis
    times: int
    layouts: tuple[str, ...]
    strokes: int
    cylinders: int
    rpm: float
    log_odds: Floats


def engines(found: Sequence[Hypothesis], track_hz: float) -> list[Engine]:
    """Turn hypotheses into engines with their odds before normalising, hints not yet applied.

    Where no line says that the cycle is longer, a pattern stands also for those that repeat it, if their cylinders are
    so alike that none shows.
    """
    weighed = {round(h.ratio, RATIO_DIGITS) for h in found}
    result: list[Engine] = []
    for hypothesis in found:
        cycle_hz = hypothesis.ratio * track_hz
        result += _engines_of(hypothesis, hypothesis.candidate, 1, cycle_hz)
        for candidate, times in hypothesis.candidate.repeated:
            own_ratio_weighed = round(hypothesis.ratio / times, RATIO_DIGITS) in weighed
            if not own_ratio_weighed and cycle_hz / times >= SLOWEST_CYCLE_HZ:
                result += _engines_of(hypothesis, candidate, times, cycle_hz)
    return result


def _engines_of(hypothesis: Hypothesis, candidate: Candidate, times: int, cycle_hz: float) -> Iterator[Engine]:
    """Engines of a candidate in whose cycle the pattern of a hypothesis comes so many times."""
    if not candidate.weight:
        return
    kinds: dict[tuple[int, int], list[str]] = {}
    for name, strokes, cylinders in candidate.layouts:
        kinds.setdefault((strokes, cylinders), []).append(name)
    if not kinds:
        kinds = {(4, candidate.pulses): []}
    shares = _shares(candidate, kinds)
    for (strokes, cylinders), names in kinds.items():
        rpm = rpm_from_cycle_hz(cycle_hz / times, strokes)
        weight = candidate.weight * shares[strokes, cylinders] * (ALIKE_ODDS if times > 1 else 1.0)
        yield Engine(
            hypothesis=hypothesis,
            times=times,
            layouts=tuple(names),
            strokes=strokes,
            cylinders=cylinders,
            rpm=rpm,
            log_odds=hypothesis.evidence + math.log(weight) + _speed_of(candidate, rpm, strokes),
        )


def _speed_of(candidate: Candidate, rpm: float, strokes: int) -> float:
    """Log odds of the speed; of one pulse a cycle that of the likeliest even engine it stands for."""
    counts = {1}
    if candidate.is_even and candidate.pulses == 1:
        counts = {c.pulses for c in candidates() if c.is_even and any(s == strokes for _, s, _ in c.layouts)}
    return max(speed_log_odds(rpm / count) for count in counts)


def _shares(candidate: Candidate, kinds: Mapping[tuple[int, int], Sequence[str]]) -> dict[tuple[int, int], float]:
    """Return what part of a candidate's odds each kind of engine gets: every layout the same.

    One pulse a cycle stands for all even engines, since no line between the firings need be heard.
    """
    if not (candidate.is_even and candidate.pulses == 1):
        count = sum(len(names) for names in kinds.values())
        return {kind: len(names) / count if count else 1.0 for kind, names in kinds.items()}
    even = Counter(strokes for c in candidates() if c.is_even for _, strokes, _ in c.layouts)
    alike = Counter(strokes for strokes, _ in kinds)
    return {(strokes, n): even[strokes] / even.total() / alike[strokes] for strokes, n in kinds}
