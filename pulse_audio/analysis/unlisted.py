"""Patterns that nobody thought of: pulses put where they explain the sound best, one at a time.

An engine may fire as none that is listed, and to take the nearest known pattern for it would be a guess. So for every
cycle the sound itself proposes candidates of two pulses, three and so on: to one pulse the next is added where the
evidence is greatest, and all are then moved about until it grows no more. That so many patterns were open to choice is
held against them: the odds of an unlisted engine are shared out among all that could be told apart. One near a listed
pattern is taken for that, heard through pipes that are not alike.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pulse_audio.analysis import evidence, pattern
from pulse_audio.analysis.candidates import Candidate
from pulse_audio.analysis.evidence import Seen

Floats = NDArray[np.float64]

MOST_PULSES = 6
UNLISTED = 0.003  # of engines fire as nothing that is listed: nearly all that are made do (common practice)
PLACES = 48  # of the cycle that are tried for a pulse
STEPS = (1 / 48, 1 / 96, 1 / 192)  # of a cycle, in which pulses are moved afterwards
TOLD_APART = 60  # places of the cycle: patterns nearer than a 60th of it are one
LEAST_APART = 3 / PLACES  # of the cycle: what is nearer is a pulse and its echo
NEAR = 15 / 720  # of a cycle, from what is listed: so far unequal pipes may move a pulse
# To search in, a few of all media will do; what is found is weighed as the others are.
SHARE = pattern.OwnShare(floor=0.05, apart_hz=pattern.NEVER_APART_HZ)
WAVE = replace(pattern.WAVE, decays_s=(0.008, 0.02), plateaus=(0.0,), dampings=(0.5,))
HISS = replace(pattern.HISS, decays_s=(0.008,), plateaus=(0.0,), dampings=(0.15,))


def proposed(seen: Seen, listed: Sequence[Candidate]) -> tuple[Candidate, ...]:
    """Return the patterns of two pulses and more that one hypothesis of the cycle proposes, but for those listed."""
    fewest = min(len(lines.order) for lines in seen.wave)
    found = _grown(seen, min(MOST_PULSES, fewest))
    return tuple(_candidate(places) for places in found if not any(_is_near(places, c.fractions) for c in listed))


def _candidate(places: Floats) -> Candidate:
    pulses = len(places)
    told_apart = math.comb(TOLD_APART - 1, pulses - 1) / pulses  # wherever the cycle starts
    weight = UNLISTED / (MOST_PULSES - 1) / told_apart
    return Candidate(fractions=places, layouts=(), weight=weight, is_listed=False)


def _is_near(places: Floats, listed: Floats) -> bool:
    """Whether, wherever the cycle starts, no pulse is further from a listed one than pipes may move it."""
    if len(places) != len(listed):
        return False
    turned = (np.sort((places - start) % 1.0) for start in places)
    return any(float(np.ptp(turn - listed)) <= 2 * NEAR for turn in turned)


def _grown(seen: Seen, most: int) -> Iterator[Floats]:
    """Yield the best places found for two pulses, three and so on."""
    places = np.zeros(1)
    grid = np.arange(1, PLACES) / PLACES
    for _ in range(1, most):
        tries = _apart([np.append(places, at) for at in grid])
        if not tries:
            return
        places = _moved_about(seen, *_best(seen, tries))
        yield places


def _moved_about(seen: Seen, places: Floats, best: float) -> Floats:
    """Move the pulses one by one to where the evidence is greater."""
    for step in STEPS:
        for k in range(len(places)):
            moved = np.repeat(places[None], 4, axis=0)
            moved[:, k] += step * np.array([-2, -1, 1, 2])
            if tries := _apart(list(moved)):
                nearby, value = _best(seen, tries)
                if value > best:
                    places, best = nearby, value
    return places


def _apart(tries: Sequence[Floats]) -> list[Floats]:
    """Let the cycle of each start with a pulse, and leave out those with two pulses too near to be two."""
    ordered = [np.sort((places - places.min()) % 1.0) for places in tries]
    return [places for places in ordered if np.diff(np.append(places, 1.0)).min() >= LEAST_APART]


def _best(seen: Seen, tries: Sequence[Floats]) -> tuple[Floats, float]:
    shapes = pattern.Shapes.of([pattern.Way(places) for places in tries])
    values = (evidence.swelling(seen, shapes) + evidence.coherent(seen, shapes)).sum(axis=0)
    values += [fit.evidence.sum() for fit in pattern.fits(seen.wave, shapes, (SHARE,), WAVE)]
    if seen.has_hiss:
        values += [fit.evidence.sum() for fit in pattern.fits(seen.hiss, shapes, (SHARE,), HISS)]
    best = int(values.argmax())
    return tries[best], float(values[best])
