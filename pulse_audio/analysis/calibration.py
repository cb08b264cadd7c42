"""How often an answer is right, from the odds that the model gives it.

The model is only near, and it errs to one side: where pulses run into each other, or one can hardly be heard, what is
left is an even beat. So even answers are right less often than their odds say, the more the higher these are, and
doubtful uneven ones more often. Two logistic regressions bring odds to shares of right answers; the readings are scaled
with them. A pattern that the sound itself proposes is the best of thousands: it is never sure.
"""

import math
from dataclasses import replace

from pulse_audio.analysis.readings import Choice

# Fitted on 1440 made clips (tests/clipmaker, 240 each of the seeds 201, 203, 211 and, harder, 202, 204, 212). Even
# engines were weighed as 42 % of them, their share among the outside clips; the probability of an engine was a factor.
UNEVEN_OFFSET, UNEVEN_SLOPE = 0.84, 1.12
EVEN_OFFSET, EVEN_SLOPE = 0.07, 0.56
# Not fitted. Of engines that fire as nothing listed 41 of 44 such answers were right (docs/studies/accuracy.py, at
# random places), but of listed ones, which are far more common, hardly any can be.
UNLISTED_RIGHT = 0.75
LEAST_LOG_ODDS, MOST_LOG_ODDS = -6.0, 9.0  # beyond there were hardly any to fit


def calibrated(choice: Choice) -> Choice:
    """Return the same answer with the probability that answers of such odds are right; certain ones stay certain."""
    stated = choice.probability
    others = sum(p for engine, p in choice.weighed if not choice.answer.agrees(engine))
    if not (stated and others):
        return choice
    log_odds = min(max(math.log(stated / others), LEAST_LOG_ODDS), MOST_LOG_ODDS)
    offset, slope = (EVEN_OFFSET, EVEN_SLOPE) if choice.answer.even else (UNEVEN_OFFSET, UNEVEN_SLOPE)
    right = 1 / (1 + math.exp(-(offset + slope * log_odds)))
    if not choice.best.hypothesis.candidate.is_listed:
        right *= UNLISTED_RIGHT
    scaled = [
        (engine, p * (right / stated if choice.answer.agrees(engine) else (1 - right) / others))
        for engine, p in choice.weighed
    ]
    return replace(choice, probability=right, weighed=tuple(sorted(scaled, key=lambda pair: -pair[1])))
