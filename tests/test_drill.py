"""The questions of the listening exercise: true answers, difficulty that follows, the same for the same seed."""

from collections import Counter

import numpy as np
import pytest

from pulse_audio import catalogue, drill
from pulse_audio.drill_patterns import pattern_distance, unevenness
from pulse_audio.layout import from_intervals

MANY = [
    drill.question(kind, level=level, number=number, seed=seed)
    for kind in drill.KINDS
    for level in range(drill.LEVELS)
    for number in (1, 2, 3)
    for seed in (0, 1, 2)
]


def gaps_deg(question: drill.Question) -> list[float]:
    """Gaps between the pulses that are played, worked out from the firing angles alone."""
    angles = sorted({c.firing_deg for c in question.layout.cylinders})
    return [(b - a) % 720.0 or 720.0 for a, b in zip(angles, angles[1:] + angles[:1], strict=True)]


def test_even_is_the_right_answer_exactly_where_all_gaps_are_equal() -> None:
    """Even firing means equal crank angles between firings (definition in every engine textbook)."""
    asked = [q for q in MANY if q.kind == "even"]
    for q in asked:
        gaps = gaps_deg(q)
        assert q.choices[q.answer] == ("even" if max(gaps) - min(gaps) < 0.1 else "uneven")
    assert len({q.answer for q in asked}) == 2
    # Even patterns are of as many pulses as uneven ones, so that counting does not tell them apart.
    counts = [{len(gaps_deg(q)) for q in asked if q.answer == answer} for answer in (0, 1)]
    assert counts[0] <= counts[1] and len(counts[0]) > 1


def test_count_is_the_number_of_pulses_that_are_played() -> None:
    """The right count is that of the different firing angles in 720 degrees, and it is always marked by ticks."""
    asked = [q for q in MANY if q.kind == "count"]
    for q in asked:
        assert int(q.choices[q.answer]) == len(gaps_deg(q))
        assert q.ticks
    assert {len(gaps_deg(q)) for q in asked} >= {1, 2, 3, 4, 5, 6}


def test_where_is_the_sum_of_the_gaps_since_the_cycle_began() -> None:
    """The crank at a pulse stands at the sum of the intervals before it; ticks help below level 4 only, as is said."""
    many = [drill.question("where", level=level, number=n, seed=3) for level in range(drill.LEVELS) for n in range(60)]
    for q in many:
        pulse = int(q.prompt.split("pulse ")[1].split()[0])
        intervals = q.layout.intervals_deg
        assert q.choices[q.answer] == f"{sum(intervals[: pulse - 1]):g} degrees"
        assert all(0 <= float(choice.split()[0]) < 720 for choice in q.choices)
        assert max(intervals) == intervals[-1]
        assert q.ticks == (q.level < 4) == ("ticks come every 90, the high one at 0" in q.prompt)
        assert q.ticks != ("pulse 1, after the longest gap, is at 0" in q.prompt)


def test_which_names_two_layouts_that_sound_can_tell_apart() -> None:
    """No question asks to tell an even twin from an even four: only the speed differs, and that is not known."""
    for q in (q for q in MANY if q.kind == "which"):
        names = [choice.split(",")[0] for choice in q.choices]
        assert names[q.answer] == q.layout.name
        assert names[0] != names[1]
        assert names[1] not in catalogue.sound_alikes(catalogue.layout(names[0]))


def test_no_difference_is_asked_for_that_cannot_be_heard() -> None:
    """A shift below 6 ms in gaps under 240 ms, or 2.5 % of longer ones, is not noticed (source: module hearing)."""
    for q in MANY:
        if q.kind not in ("even", "which"):
            continue
        gap_s = 120.0 / q.rpm / len(gaps_deg(q))
        if q.kind == "which":
            one, two = (catalogue.layout(choice.split(",")[0]) for choice in q.choices)
            shift_s = pattern_distance(one, two) * gap_s
        else:
            shift_s = unevenness(q.layout) * gap_s if q.answer else 1.0
        assert shift_s > max(0.006, 0.025 * gap_s) * 0.999


def test_choices_differ_and_hold_the_answer() -> None:
    """Every question has two or four different choices, and its answer is one of them."""
    for q in MANY:
        assert len(set(q.choices)) == len(q.choices)
        assert len(q.choices) in (2, 4)
        assert 0 <= q.answer < len(q.choices)


@pytest.mark.parametrize("kind", drill.KINDS)
def test_each_place_is_right_equally_often(kind: str) -> None:
    """At every level, one letter for every answer is right as often as `by_guessing` says: in one of two or of four.

    Counts of a fair place follow the binomial law; beyond 4 standard deviations lies one in 16 000 of them.
    """
    asked = 400
    for level in range(drill.LEVELS):
        questions = [drill.question(kind, level=level, number=n, seed=1) for n in range(asked)]
        (count,) = {len(q.choices) for q in questions}
        places = Counter(q.answer for q in questions)
        sd = np.sqrt(asked / count * (1 - 1 / count))
        for place in range(count):
            assert places[place] == pytest.approx(asked / count, abs=4 * sd), f"level {level}"


def test_pattern_distance_of_worked_examples() -> None:
    """Against even firing the distance is the spread of the gaps: 180-540 is half a mean gap off at each pulse."""
    even, limping = from_intervals("360-360"), from_intervals("180-540")
    assert pattern_distance(even, limping) == pytest.approx(0.5)
    assert pattern_distance(even, from_intervals("180-180-180-180")) == 0
    assert pattern_distance(from_intervals("270-450"), from_intervals("450-270")) == 0
    assert pattern_distance(limping, from_intervals("90-270-90-270")) == 0


def test_difficulty_grows_with_level() -> None:
    """Higher levels are faster, noisier and closer to even; up to 20 pulses a second, where rhythm ends (hearing)."""
    for kind in drill.KINDS:
        by_level = [
            [drill.question(kind, level=level, number=n, seed=5) for n in range(30)] for level in range(drill.LEVELS)
        ]
        rates = [np.mean([len(gaps_deg(q)) * q.rpm / 120.0 for q in row]) for row in by_level]
        assert rates == sorted(rates)
        assert rates[0] == pytest.approx(2.5, rel=0.01)
        assert rates[-1] == pytest.approx(20.0, rel=0.01)
        noises = [row[0].noise_db for row in by_level]
        assert noises[:4] == [None] * 4
        assert noises[4:] == pytest.approx([15, 12, 9, 6, 3, 0])  # from well below the pulses to as loud as they
        pipes = [{q.exhaust for q in row} for row in by_level]
        assert pipes[:2] == [{0}] * 2 and all(len(p) > 10 for p in pipes[2:])  # a sound to get used to first
    off_even = [
        np.mean([unevenness(q.layout) for q in MANY if q.kind == "even" and q.level == level and q.answer == 1])
        for level in (0, 9)
    ]
    assert off_even[0] > 2 * off_even[1]


def test_same_seed_and_answers_give_the_same_drill() -> None:
    """A drill can be repeated; another seed asks other things."""

    def played(seed: int) -> list[drill.Question]:
        progress = drill.begin(seed=seed)
        for step in range(12):
            asked = drill.next_question(progress)
            progress = drill.marked(progress, asked, step % len(asked.choices))
        return [a.question for a in progress.answered]

    assert played(3) == played(3)
    assert played(3) != played(4)


def test_every_kind_comes_once_a_round() -> None:
    """Rounds of four hold each kind once, not always in the same order."""
    progress = drill.begin(seed=1)
    for _ in range(40):
        progress = drill.marked(progress, drill.next_question(progress), 0)
    kinds = [a.question.kind for a in progress.answered]
    rounds = [tuple(kinds[k : k + 4]) for k in range(0, 40, 4)]
    assert all(set(r) == set(drill.KINDS) for r in rounds)
    assert len(set(rounds)) > 2


def test_two_right_raise_the_level_and_one_wrong_lowers_it() -> None:
    """The rule of the drill, step by step, within levels 0 to 9."""
    progress = drill.begin(seed=0, kinds=["even"])
    seen = []
    for is_right in (True, True, True, False, False, True, True):
        asked = drill.next_question(progress)
        progress = drill.marked(progress, asked, asked.answer if is_right else 1 - asked.answer)
        seen.append(progress.levels[0])
    assert seen == [0, 1, 1, 0, 0, 0, 1]
    top = drill.begin(seed=0, kinds=["even"], level=9)
    for _ in range(4):
        asked = drill.next_question(top)
        top = drill.marked(top, asked, asked.answer)
    assert top.levels == (9,)


def test_level_settles_where_seven_in_ten_answers_are_right(rng: np.random.Generator) -> None:
    """Levitt 1971: two up, one down finds the level at which 70.7 % of the answers are right."""
    middle = 5.0

    def share_right(level: float) -> float:
        """Answer like a listener on a logistic curve from 1 to 0.5 that passes 0.707 at level 5."""
        at_middle = (0.7071 - 0.5) / 0.5
        offset = np.log(1 / at_middle - 1)
        return float(0.5 + 0.5 / (1 + np.exp((level - middle) / 0.8 + offset)))

    assert share_right(middle) == pytest.approx(0.7071, abs=1e-4)
    progress = drill.begin(seed=0, kinds=["even"], level=2)
    asked = drill.next_question(progress)
    levels = []
    for _ in range(4000):
        right = rng.random() < share_right(progress.levels[0])
        progress = drill.marked(progress, asked, asked.answer if right else 1 - asked.answer)
        progress = drill.Progress(kinds=progress.kinds, seed=0, levels=progress.levels, runs=progress.runs)
        levels.append(progress.levels[0])
    # Steps of a whole level on a curved listener bias the mean by tenths; half a level tells 0.707 from 0.8.
    assert np.mean(levels[100:]) == pytest.approx(middle, abs=0.5)


def test_summary_counts_by_kind_and_says_what_guessing_gives() -> None:
    """Right answers, hardest level and the share by guessing: one in two or one in four."""
    progress = drill.begin(seed=2, kinds=["even", "where"])
    for step in range(8):
        asked = drill.next_question(progress)
        given = asked.answer if step < 4 else (asked.answer + 1) % len(asked.choices)
        progress = drill.marked(progress, asked, given)
    rows = {row.kind: row for row in drill.summary(progress)}
    assert (rows["even"].asked, rows["even"].right, rows["even"].by_guessing) == (4, 2, 0.5)
    assert (rows["where"].asked, rows["where"].right, rows["where"].by_guessing) == (4, 2, 0.25)
    assert rows["even"].hardest_right == 0
    assert drill.summary(drill.begin(seed=0)) == ()
