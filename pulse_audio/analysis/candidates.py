"""The patterns that are weighed against each other, and how common each is.

The catalogue is the prior: layouts of two pulses count twice, as more than half of the machines that people record for
their rhythm are twins, all others once, and layouts that fire alike add up. With a small weight each, others stand
for engines that no layout has: twins of other angles or offset pins, V-fours of other angles with a crank of 360 or 180
degrees, and V-sixes of other angles with two rods on each pin. A layout that is asked for counts like one of the
catalogue. For a rhythm that is none of these see `unlisted`.

A pattern that repeats within the cycle, as a V-four's 90-270-90-270, sounds like its period at a faster cycle where the
cylinders are alike. So all periods are candidates; one that is no pattern of the list itself has no weight of its own.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from pulse_audio.analysis.pattern import Way
from pulse_audio.catalogue import layout, layout_names
from pulse_audio.layout import Layout

OTHER_TWINS_DEG = (195, 205, 215, 245, 255, 265, 275, 280, 290, 295, 305, 318, 325)
OTHER_FOURS_DEG = (60, 65, 70, 75, 80)  # cranks of 360 and of 180 degrees
OTHER_SIXES_DEG = (60, 75)  # two rods on each pin
OTHERS_WEIGHT = 0.25  # of a layout each
TWIN_WEIGHT = 2.0
BANKED_PULSES = (4, 6, 8, 10, 12, 16)
ALIKE = 1e-3  # of a cycle
WEAK_SHARE = 0.1  # of engines: one with a cylinder that hardly pulls is what people ask about
# The less pressure there is when a valve opens, the sooner the flow falls off: the pulse of a weak cylinder is shorter
# and so heard early, at 0.6 of the others' pressure by 4 to 30 degrees (gas flow through an orifice). A pulse that is
# weak because its pipe is further off is not: half are supposed to be of either kind.
WEAK_EARLY, WEAK_EARLY_SD = 5 / 720, 8 / 720  # of a cycle
WEAK_PULSES = (3, 4, 5, 6)
WEAK_STRENGTHS = (0.5, 0.0)  # one that pulls half as well as the others may not be heard between them; a dead one


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Candidate:
    """One firing pattern.

    Attributes
    ----------
    fractions : ndarray, shape (n_pulses,)
        Places of the pulses in the cycle, 0 to 1, the first at 0.
    layouts : tuple of (name, strokes, cylinders)
        Catalogue layouts that fire like this.
    weight : float
        How common it is before anything is heard; all candidates add up to 1.
    repeated : tuple of (Candidate, int)
        Uneven ones that are nothing but this one, and how often it comes in their cycle.
    banked : tuple of Way
        Ways in which its pulses may be shared out among banks.
    weak : tuple of Way
        Ways in which one of its pulses may be weak.
    is_listed : bool
        Whether it was thought of beforehand; else the sound itself proposes it.
    """

    fractions: NDArray[np.float64]
    layouts: tuple[tuple[str, int, int], ...]
    weight: float
    banked: tuple[Way, ...] = ()
    weak: tuple[Way, ...] = ()
    repeated: tuple[tuple["Candidate", int], ...] = ()
    is_listed: bool = True

    @property
    def pulses(self) -> int:
        """Pulses in a cycle."""
        return len(self.fractions)

    @property
    def is_even(self) -> bool:
        """Whether all intervals are the same."""
        return _is_even(self.fractions)

    @property
    def intervals(self) -> NDArray[np.float64]:
        """Intervals as parts of the cycle."""
        return _intervals(self.fractions)


@lru_cache(maxsize=4)
def candidates(asked: Layout | None = None) -> tuple[Candidate, ...]:
    """Return every different pattern of the catalogue and of a layout that is asked for, and the others."""
    groups: list[tuple[NDArray[np.float64], list[Layout]]] = []
    for entry in map(layout, layout_names()):
        intervals = _pulse_intervals(entry)
        for known, members in groups:
            if same_rotation(known, intervals):
                members.append(entry)
                break
        else:
            groups.append((intervals, [entry]))
    if asked and not any(same_rotation(known, _pulse_intervals(asked)) for known, _ in groups):
        groups.append((_pulse_intervals(asked), [asked]))
    weights = [len(members) * (TWIN_WEIGHT if len(intervals) == 2 else 1.0) for intervals, members in groups]
    others = [(np.array([0, deg]) / 720, TWIN_WEIGHT * OTHERS_WEIGHT) for deg in OTHER_TWINS_DEG]
    for deg in OTHER_FOURS_DEG:
        others += [(np.array([0, deg, 360, 360 + deg]) / 720, OTHERS_WEIGHT)]
        others += [(np.array([0, 180, 180 + deg, 360 + deg]) / 720, OTHERS_WEIGHT)]
    others += [(np.array([0, deg, 240, 240 + deg, 480, 480 + deg]) / 720, OTHERS_WEIGHT) for deg in OTHER_SIXES_DEG]
    listed = [intervals for intervals, _ in groups]  # also what is asked for, which may be one of the others
    others = [(at, weight) for at, weight in others if not any(same_rotation(i, _intervals(at)) for i in listed)]
    total = sum(weights) + sum(weight for _, weight in others)
    named = [
        Candidate(
            fractions=_places(intervals),
            layouts=tuple((entry.name, entry.strokes, len(entry.cylinders)) for entry in members),
            weight=weight / total,
            banked=_banked(_places(intervals), members),
            weak=_weak(_places(intervals)),
        )
        for (intervals, members), weight in zip(groups, weights, strict=True)
    ]
    unnamed = [Candidate(fractions=places, layouts=(), weight=weight / total) for places, weight in others]
    return _with_periods([*named, *unnamed])


def _with_periods(known: Sequence[Candidate]) -> tuple[Candidate, ...]:
    """Add periods that are not known as patterns by themselves, and say what repeats each."""
    every = list(known)
    repeated: list[list[tuple[Candidate, int]]] = [[] for _ in known]
    for candidate in known:
        once = period(candidate.intervals)
        times = candidate.pulses // len(once)
        if times == 1 or candidate.is_even:
            continue
        at = next((k for k, c in enumerate(every) if same_rotation(c.intervals, once)), len(every))
        if at == len(every):
            every.append(Candidate(fractions=_places(once), layouts=(), weight=0.0))
            repeated.append([])
        repeated[at].append((candidate, times))
    return tuple(replace(c, repeated=tuple(them)) for c, them in zip(every, repeated, strict=True))


def period(intervals: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the shortest part of a pattern that makes all of it when repeated, scaled to a cycle of its own."""
    pulses = len(intervals)
    parts = (intervals[:k] for k in range(1, pulses + 1) if pulses % k == 0)
    part = next(p for p in parts if np.all(np.abs(np.tile(p, pulses // len(p)) - intervals) <= ALIKE))
    return np.asarray(part * (pulses / len(part)))


def _pulse_intervals(entry: Layout) -> NDArray[np.float64]:
    intervals = np.array(entry.pulse_intervals_deg) / entry.cycle_deg
    return np.full(len(intervals), 1 / len(intervals)) if np.ptp(intervals) < ALIKE else intervals


def _banked(fractions: NDArray[np.float64], layouts: Sequence[Layout]) -> tuple[Way, ...]:
    """Share the pulses out among two banks: as the layouts have them and, if even, turn about."""
    pulses = len(fractions)
    found: dict[tuple[int, ...], Way] = {}
    if pulses in BANKED_PULSES and _is_even(fractions):
        turn_about = tuple(k % 2 for k in range(pulses))
        found[turn_about] = Way(fractions, turn_about)
    for entry in layouts if pulses >= min(BANKED_PULSES) else ():
        cylinders = sorted(entry.cylinders, key=lambda c: c.firing_deg)
        axes = sorted({c.bank_deg for c in cylinders if c.bank_deg is not None})
        if len(axes) == 2 and len(cylinders) == pulses:
            banks = tuple(int(c.bank_deg != cylinders[0].bank_deg) for c in cylinders)
            firing_deg = np.array([c.firing_deg for c in cylinders])
            found.setdefault(banks, Way((firing_deg - firing_deg[0]) / entry.cycle_deg, banks))
    return tuple(found.values())


def _weak(fractions: NDArray[np.float64]) -> tuple[Way, ...]:
    """One pulse at a time weak; of even pulses it does not matter which."""
    pulses = len(fractions)
    if pulses not in WEAK_PULSES:
        return ()
    return tuple(
        Way(fractions, strengths=tuple(strength if k == weak else 1.0 for k in range(pulses)))
        for weak in range(1 if _is_even(fractions) else pulses)
        for strength in WEAK_STRENGTHS
    )


def _intervals(fractions: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.diff(np.append(fractions, 1.0))


def _is_even(fractions: NDArray[np.float64]) -> bool:
    return bool(np.ptp(_intervals(fractions)) < ALIKE)


def _places(intervals: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.concatenate(([0.0], np.cumsum(intervals)[:-1]))


def same_rotation(a: NDArray[np.float64], b: NDArray[np.float64], tolerance: float = ALIKE) -> bool:
    """Whether two lists of intervals are the same up to where the cycle starts."""
    return len(a) == len(b) and any(bool(np.all(np.abs(np.roll(a, k) - b) <= tolerance)) for k in range(len(a)))
