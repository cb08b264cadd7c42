"""From weighed engines to an answer: verdict, odds, readings, and what sound cannot tell apart."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations, compress

import numpy as np
from numpy.typing import NDArray
from scipy.special import softmax

from pulse_audio.analysis.candidates import candidates, period, same_rotation
from pulse_audio.analysis.hypotheses import Engine, speed_log_odds
from pulse_audio.analysis.presence import PRESENT
from pulse_audio.analysis.result import Hints, Reading
from pulse_audio.catalogue import find_layout
from pulse_audio.units import cycle_hz, rpm_from_cycle_hz

Floats = NDArray[np.float64]

SAME_RATE = 0.01
ROUNDING = 1e-9
NEAR_PATTERN = 9.0 / 720  # patterns no further from an answer count as it: intervals are refined afterwards
EDGE_RISK = 0.3  # that refining, some 3 degrees, brings out of reach what is just near enough
LEAST_PROBABILITY = 0.005
MATCH_YES, MATCH_NO = 0.8, 0.05


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Rhythm:
    """How an engine fires, as far as it can be heard.

    Attributes
    ----------
    even : bool
    firing_ratio : float
        Firing rate as a multiple of the track's rate.
    intervals : ndarray, shape (n_pulses,)
        Parts of the cycle.
    """

    even: bool
    firing_ratio: float
    intervals: Floats

    @classmethod
    def of(cls, engine: Engine) -> "Rhythm":
        """Return that of an engine."""
        candidate = engine.hypothesis.candidate
        ratio = engine.hypothesis.ratio * candidate.pulses
        return cls(even=candidate.is_even, firing_ratio=ratio, intervals=candidate.intervals)

    def off(self, other: "Rhythm") -> float:
        """How far the intervals of another are from these, parts of the cycle; infinite where it is of another kind."""
        alike = self.even == other.even and abs(other.firing_ratio / self.firing_ratio - 1) <= SAME_RATE
        if not alike or not (self.even or len(self.intervals) == len(other.intervals)):
            return math.inf
        return 0.0 if self.even else float(np.abs(self.turned(other.intervals) - self.intervals).max())

    def agrees(self, engine: Engine) -> bool:
        """Whether an engine fires like this, near enough."""
        return self.off(Rhythm.of(engine)) <= NEAR_PATTERN + ROUNDING

    def turned(self, intervals: Floats) -> Floats:
        """Return intervals from where they suit these best."""
        at = np.arange(len(intervals))
        turns = intervals[(at[:, None] + at) % len(at)]
        return np.asarray(turns[np.abs(turns - self.intervals).max(axis=1).argmin()])


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Choice:
    """The answer before it is put in degrees.

    Attributes
    ----------
    best : Engine
        Most probable engine of those that count as the answer.
    answer : Rhythm
        The one that most of the odds agree with.
    spread : ndarray, shape (n_pulses,)
        How far the patterns that count as the answer stand from its intervals: root of the mean square, by their odds.
    probability : float
        That verdict and intervals are right, given that an engine runs.
    weighed : tuple of (Engine, probability)
        All engines that the hints allow, most probable first.
    hinted : float
        Probability, before the hints, of what they allow.
    """

    best: Engine
    answer: Rhythm
    spread: Floats
    probability: float
    weighed: tuple[tuple[Engine, float], ...]
    hinted: float


def choose(found: Sequence[Engine], hints: Hints) -> Choice | None:
    """Return the most probable answer that the hints allow; None if they allow none."""
    shares = [_allowed_share(engine, hints) for engine in found]
    allowed = list(compress(found, shares))
    if not allowed:
        return None
    # How far the likelihood is to be believed is not known: the mean over its dampings.
    odds = softmax([e.log_odds + math.log(share) for e, share in zip(found, shares, strict=True) if share], axis=0)
    odds = odds.mean(axis=1)
    before = softmax([e.log_odds for e in found], axis=0).mean(axis=1)
    weighed = sorted(zip(allowed, odds.tolist(), strict=True), key=lambda pair: -pair[1])
    likely = _rhythms([(engine, p) for engine, p in weighed if p > LEAST_PROBABILITY / 10])
    # One between two patterns shares its odds out among both: what is near enough to either counts for both.
    answer = max(_answers([rhythm for rhythm, _ in likely]), key=lambda answer: _support(answer, likely))
    answer = _settled(answer, [(engine, probability) for engine, probability in weighed if answer.agrees(engine)])
    agreeing = [(engine, probability) for engine, probability in weighed if answer.agrees(engine)]
    return Choice(
        best=agreeing[0][0],
        answer=answer,
        spread=_spread(answer, agreeing),
        probability=min(sum(probability for _, probability in agreeing), 1.0),
        weighed=tuple(weighed),
        hinted=float(before @ shares),
    )


def _allowed_share(engine: Engine, hints: Hints) -> float:
    """Share of an engine's odds that the hints allow: of one pulse a cycle, that of the even engines that they fit."""
    candidate = engine.hypothesis.candidate
    if candidate.is_even and candidate.pulses == 1:  # it stands for every count at its own speed
        every = _even_engines(cycle_hz(engine.rpm, engine.strokes), Hints(), engine.strokes)
        return sum(share for (_, strokes, cylinders, rpm), share in every if _fits(hints, strokes, cylinders, rpm))
    return float(_fits(hints, engine.strokes, engine.cylinders, engine.rpm))


def _fits(hints: Hints, strokes: int, cylinders: int, rpm: float) -> bool:
    return (
        hints.strokes in (None, strokes)
        and hints.cylinders in (None, cylinders)
        and (hints.rpm is None or hints.rpm[0] <= rpm <= hints.rpm[1])
    )


def _rhythms(weighed: Sequence[tuple[Engine, float]]) -> list[tuple[Rhythm, float]]:
    """Return every different rhythm, with the odds of all engines that have it."""
    together: dict[tuple[object, ...], tuple[Rhythm, float]] = {}
    for engine, probability in weighed:
        rhythm = Rhythm.of(engine)
        own = () if rhythm.even else tuple(np.round(rhythm.intervals, 4))
        key = (rhythm.even, round(rhythm.firing_ratio, 3), *own)
        known, odds = together.get(key, (rhythm, 0.0))
        together[key] = (known, odds + probability)
    return list(together.values())


def _answers(likely: Sequence[Rhythm]) -> list[Rhythm]:
    """Return what may be answered: each rhythm, and what lies midway between two that are near enough to it."""
    between = [
        replace(one, intervals=(one.intervals + one.turned(other.intervals)) / 2)
        for one, other in combinations(likely, 2)
        if not one.even and one.off(other) <= 2 * NEAR_PATTERN + ROUNDING
    ]
    return [*likely, *between]


def _support(answer: Rhythm, likely: Sequence[tuple[Rhythm, float]]) -> float:
    """Odds of what agrees with an answer, less what is at risk."""
    near = ((answer.off(rhythm), odds) for rhythm, odds in likely)
    return sum(
        odds * (1 - EDGE_RISK * (off / NEAR_PATTERN) ** 2) for off, odds in near if off <= NEAR_PATTERN + ROUNDING
    )


def _settled(answer: Rhythm, agreeing: Sequence[tuple[Engine, float]]) -> Rhythm:
    """Bring an answer towards the mean of what agrees with it, as far as all of it still does."""
    off = _turned(answer, agreeing) - answer.intervals
    way = np.average(off, axis=0, weights=[probability for _, probability in agreeing])
    room = (NEAR_PATTERN + off * np.sign(way)) / np.maximum(np.abs(way), ROUNDING)
    return replace(answer, intervals=answer.intervals + np.clip(room.min(), 0.0, 1.0) * way)


def _spread(answer: Rhythm, agreeing: Sequence[tuple[Engine, float]]) -> Floats:
    off = _turned(answer, agreeing) - answer.intervals
    return np.asarray(np.sqrt(np.average(off**2, axis=0, weights=[p for _, p in agreeing])))


def _turned(answer: Rhythm, agreeing: Sequence[tuple[Engine, float]]) -> Floats:
    if answer.even:  # whatever the number of pulses in a cycle
        return np.tile(answer.intervals, (len(agreeing), 1))
    return np.array([answer.turned(engine.hypothesis.candidate.intervals) for engine, _ in agreeing])


def readings(choice: Choice, track_hz: float, hints: Hints, present: float) -> tuple[Reading, ...]:
    """Return every engine that would sound like this, with its odds: first those that fire as the answer says.

    The odds count that no engine may run at all: it does with the probability `present`.

    An even rhythm lists the speed for each stroke and cylinder count that the catalogue knows and the hints allow:
    where the recording shows no line between the firings, the count changes nothing that can be heard.
    """
    pooled: dict[tuple[int, int, float, tuple[str, ...]], float] = {}
    answering: set[tuple[int, int, float, tuple[str, ...]]] = set()

    for engine, probability in choice.weighed:
        if probability < LEAST_PROBABILITY / 10:
            continue
        candidate, ratio = engine.hypothesis.candidate, engine.hypothesis.ratio
        rpm = rpm_from_cycle_hz(ratio * track_hz / engine.times, engine.strokes)
        alike = [((engine.layouts, engine.strokes, engine.cylinders, rpm), 1.0)]
        if candidate.is_even and candidate.pulses == 1:
            alike = _even_engines(ratio * track_hz, hints, engine.strokes)
        for (layouts, strokes, cylinders, rpm), share in alike:
            key = (strokes, cylinders, round(rpm, 1), layouts)
            pooled[key] = pooled.get(key, 0.0) + present * probability * share
            if choice.answer.agrees(engine):
                answering.add(key)
    found = [
        Reading(layouts=names, strokes=strokes, cylinders=cylinders, rpm=rpm, probability=odds, agrees=key in answering)
        for key, odds in pooled.items()
        for strokes, cylinders, rpm, names in [key]
        if odds >= LEAST_PROBABILITY
    ]
    return tuple(sorted(found, key=lambda r: (not r.agrees, -r.probability)))


def _even_engines(
    firing_hz: float, hints: Hints, strokes: int
) -> list[tuple[tuple[tuple[str, ...], int, int, float], float]]:
    """Even engines of one stroke that fire at this rate, with their shares of the odds."""
    groups: dict[tuple[int, int], list[str]] = {}
    for candidate in candidates():
        if candidate.is_even:
            for name, own_strokes, cylinders in candidate.layouts:
                if own_strokes == strokes:
                    groups.setdefault((candidate.pulses, cylinders), []).append(name)
    result, weights = [], []
    for (pulses, cylinders), names in groups.items():
        rpm = rpm_from_cycle_hz(firing_hz / pulses, strokes)
        if not _fits(hints, strokes, cylinders, rpm):
            continue
        result.append((tuple(names), strokes, cylinders, rpm))
        weights.append(len(names) * math.exp(speed_log_odds(rpm)))
    total = sum(weights)
    return [(entry, weight / total) for entry, weight in zip(result, weights, strict=True)] if total else []


def compare_with_layout(
    choice: Choice, present: float, hints: Hints, heard: Floats | None = None
) -> dict[str, object] | None:
    """Answer the hint: does this recording fire like that layout? None without a layout hint.

    Parameters
    ----------
    choice : Choice
    present : float
        Probability that an engine runs.
    hints : Hints
    heard : ndarray, shape (n_pulses,), or None
        Measured intervals, parts of the cycle; None for those of the best pattern.

    Raises
    ------
    LayoutError
        The hint names no layout.
    """
    if hints.layout is None:
        return None
    wanted = find_layout(hints.layout)
    intervals = np.array(wanted.pulse_intervals_deg) / wanted.cycle_deg
    like = 0.0
    for engine, probability in choice.weighed:
        candidate = engine.hypothesis.candidate
        both_even = wanted.is_even and candidate.is_even
        if both_even or (not wanted.is_even and _same_rhythm(candidate.intervals, intervals)):
            like += probability
    like *= present
    answer = "yes" if like >= MATCH_YES else "no" if like <= MATCH_NO and present > MATCH_YES else "can't tell"
    where = ""
    if present < PRESENT:
        where = "it is not sure that there is an engine in the recording"
    elif answer == "can't tell" and choice.answer.even and wanted.is_even:
        where = "the likeliest reading fires evenly, as the layout does, but others fit as well"
    elif answer != "yes":
        where = _difference(
            choice.answer.even, choice.answer.intervals if heard is None else heard, wanted.is_even, intervals
        )
    return {"layout": wanted.name, "answer": answer, "odds": like, "where": where}


def layout_not_compared(hints: Hints) -> dict[str, object] | None:
    """Answer the same where nothing was weighed that could be compared."""
    if hints.layout is None:
        return None
    where = "nothing was found in the recording that could be compared"
    return {"layout": find_layout(hints.layout).name, "answer": "can't tell", "odds": None, "where": where}


def _same_rhythm(a: Floats, b: Floats) -> bool:
    """Whether two patterns sound alike, if the one comes more often in a cycle than the other."""
    return same_rotation(period(a), period(b), NEAR_PATTERN)


def _difference(heard_even: bool, heard: Floats, wanted_even: bool, wanted: Floats) -> str:
    """Say where the heard pattern differs from a wanted one."""
    if heard_even:
        return "" if wanted_even else "the likeliest reading fires evenly, the layout does not"
    if wanted_even:
        shown = "-".join(f"{720 * i:.0f}" for i in heard)
        return f"the layout fires evenly, the likeliest reading {shown} (in 720ths of its cycle)"
    alike = next((w for w in (wanted, period(wanted)) if len(w) == len(heard)), None)
    if alike is None:
        return f"the likeliest reading has {len(heard)} pulses in a cycle, the layout {len(wanted)}"
    worst = min(float(np.abs(np.roll(heard, k) - alike).max()) for k in range(len(alike)))
    if worst <= NEAR_PATTERN:
        return "the intervals are near enough, but other patterns fit as well"
    return f"an interval differs by {720 * worst:.0f} degrees on a 720-degree cycle"
