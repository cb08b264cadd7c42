"""The patterns that the drill asks about: which there are, how uneven each is, and how unlike two of them are."""

from functools import cache
from itertools import combinations

import numpy as np

from pulse_audio import catalogue
from pulse_audio.layout import Layout

MAX_PULSES = 6


def unevenness(layout: Layout) -> float:
    """Longest interval between pulses over the mean one, less 1: 0 for an even layout."""
    intervals = layout.pulse_intervals_deg
    return max(intervals) * len(intervals) / layout.cycle_deg - 1.0


def pattern_distance(one: Layout, two: Layout) -> float:
    """Return how unlike two patterns are to an ear that does not know the speed.

    Returns
    -------
    float
        Root-mean-square difference of the gaps, in mean gaps, at the start that makes them most alike; 0 where only
        the speed can differ, as between an even twin and an even four.
    """
    gaps = [np.array(this.pulse_intervals_deg) * len(this.pulse_intervals_deg) / this.cycle_deg for this in (one, two)]
    length = int(np.lcm(len(gaps[0]), len(gaps[1])))
    first, second = (np.tile(g, length // len(g)) for g in gaps)
    return min(float(np.sqrt(np.mean((first - np.roll(second, shift)) ** 2))) for shift in range(length))


@cache
def pool() -> tuple[Layout, ...]:
    """Return the four-stroke layouts that are asked about: every catalogue pattern of 1 to 6 pulses once."""
    kept: list[Layout] = []
    for name in catalogue.layout_names():
        layout = catalogue.layout(name)
        if layout.strokes != 4 or layout.part_of or len(layout.pulse_intervals_deg) > MAX_PULSES:
            continue
        if not {other.name for other in kept} & set(catalogue.same_sound(layout)):
            kept.append(layout)
    return tuple(kept)


@cache
def pairs() -> tuple[tuple[Layout, Layout, float], ...]:
    """Return all pairs of layouts with their `pattern_distance`, the most unlike first."""
    apart = [(one, two, pattern_distance(one, two)) for one, two in combinations(pool(), 2)]
    return tuple(sorted(apart, key=lambda pair: -pair[2]))
