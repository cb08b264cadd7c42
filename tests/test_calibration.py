"""From odds to the share of right answers: the logistic function is scipy's, the rest follows from what odds are."""

import numpy as np
import pytest
from scipy.special import expit, logit

from pulse_audio.analysis import calibration
from pulse_audio.analysis.calibration import calibrated
from pulse_audio.analysis.candidates import Candidate, candidates
from pulse_audio.analysis.hypotheses import Hypothesis, engines
from pulse_audio.analysis.readings import Choice, choose
from pulse_audio.analysis.result import Hints

ONE = next(c for c in candidates() if c.is_even and c.pulses == 1)
TWIN = next(c for c in candidates() if c.pulses == 2 and round(720 * c.fractions[1]) == 300)  # no other repeats it


def chosen(odds: dict[Candidate, float]) -> Choice:
    """Choose among patterns with given odds."""
    heard = [
        Hypothesis(ratio=1.0, candidate=c, evidence=np.full(2, np.log(share / c.weight))) for c, share in odds.items()
    ]
    choice = choose(engines(heard, 20.0), Hints())
    assert choice is not None
    return choice


@pytest.mark.parametrize("stated", [0.6, 0.9, 0.99])
@pytest.mark.parametrize("even", [True, False])
def test_all_odds_are_brought_along(stated: float, even: bool) -> None:
    """The logistic of the logit; what agrees adds up to it, all together to 1, and what agrees keeps its shares."""
    before = chosen({ONE: stated if even else 1 - stated, TWIN: 1 - stated if even else stated})
    after = calibrated(before)
    assert after.answer.even == before.answer.even == even
    lines = {
        True: (calibration.EVEN_OFFSET, calibration.EVEN_SLOPE),
        False: (calibration.UNEVEN_OFFSET, calibration.UNEVEN_SLOPE),
    }
    offset, slope = lines[even]
    right = expit(offset + slope * logit(stated))
    assert after.probability == pytest.approx(right, abs=1e-6)
    assert sum(p for e, p in after.weighed if after.answer.agrees(e)) == pytest.approx(right)
    assert sum(p for _, p in after.weighed) == pytest.approx(1.0)
    assert [p for _, p in after.weighed] == sorted((p for _, p in after.weighed), reverse=True)


def test_an_even_answer_is_believed_less() -> None:
    """Where pulses run together an even beat is left (common practice): at the same odds it is less often right."""
    even, uneven = (calibrated(chosen({c: 0.8, other: 0.2})) for c, other in ((ONE, TWIN), (TWIN, ONE)))
    assert even.probability < 0.8 < uneven.probability


def test_fast_even_firing_is_as_likely_a_four_strokes_as_slow_one() -> None:
    """Even firing 160 times a second is no single at 19200 rpm but may be an eight at 2400 (160 * 120 / 8)."""
    shares = []
    for firing_hz in (40.0, 160.0):
        choice = choose(engines([Hypothesis(ratio=1.0, candidate=ONE, evidence=np.zeros(2))], firing_hz), Hints())
        assert choice is not None
        shares.append(sum(p for engine, p in choice.weighed if engine.strokes == 4))
    assert shares[1] == pytest.approx(shares[0])


def test_one_engine_that_disagrees_keeps_it_from_certainty() -> None:
    """However small its odds, even if lost in the sum of the others: beyond the fitted odds nothing grows."""
    doubted = calibrated(chosen({ONE: 1.0, TWIN: 1e-20}))
    highest = calibration.EVEN_OFFSET + calibration.EVEN_SLOPE * calibration.MOST_LOG_ODDS
    assert doubted.probability == pytest.approx(expit(highest))


def test_what_is_certain_stays_certain() -> None:
    """If the hints leave one answer, nothing is left to doubt but whether there is an engine."""
    assert calibrated(chosen({TWIN: 1.0})).probability == 1.0
