"""The listening exercise: which questions are asked, how hard they are, and how the answers are counted.

Everything here is pure: a seed and the answers so far decide the next question. `drill_sound` makes it heard.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np

from pulse_audio.drill_patterns import MAX_PULSES, pairs, pool, unevenness
from pulse_audio.hearing import RHYTHM_BELOW_HZ, just_heard_shift_s
from pulse_audio.layout import Layout, from_intervals
from pulse_audio.units import rpm_from_cycle_hz

KINDS = ("even", "which", "count", "where")
KIND_TITLES = {
    "even": "even or uneven",
    "which": "which of two layouts",
    "count": "pulses in a cycle",
    "where": "where the crank is",
}
LEVELS = 10
LETTERS = "abcd"
CHOICES = 4  # of a question after a number
# Up one level after two right answers in a row, down one after a wrong one: the level settles where 70.7 % of the
# answers are right (H. Levitt, Transformed up-down methods in psychoacoustics, J. Acoust. Soc. Am. 49, 467, 1971).
RIGHT_TO_RISE = 2
SLOWEST_HZ, FASTEST_HZ = 2.5, RHYTHM_BELOW_HZ  # mean pulses a second: from a slow count to the end of rhythm
NOISE_FROM_LEVEL, EASIEST_NOISE_DB, HARDEST_NOISE_DB = 4, 15.0, 0.0
TICKS_BELOW_LEVEL = 4  # "where is the crank" has ticks up to here
EXHAUSTS_FROM_LEVEL = 2


@dataclass(frozen=True, kw_only=True, slots=True)
class Question:
    """One question and all that is needed to make its sound.

    Attributes
    ----------
    kind : str
        One of `KINDS`.
    number : int
        From 1.
    level : int
        Difficulty, 0 to 9.
    layout : Layout
        What is played.
    rpm : float
    ticks : bool
        Whether the crank is marked by ticks.
    exhaust : int
        Which exhaust, counted from 0; modulo the number there are.
    noise_db : float or None
        Level of the pulses above the noise; None for no noise.
    seed : int
    prompt : str
    choices : tuple of str
        Two to four answers.
    answer : int
        Index of the right one; each is as likely, at every level.
    because : str
        What was right, in a sentence.
    """

    kind: str
    number: int
    level: int
    layout: Layout
    rpm: float
    ticks: bool
    exhaust: int
    noise_db: float | None
    seed: int
    prompt: str
    choices: tuple[str, ...]
    answer: int
    because: str

    @property
    def letter(self) -> str:
        """Letter of the right answer."""
        return LETTERS[self.answer]


@dataclass(frozen=True, kw_only=True, slots=True)
class Answered:
    """A question and the index of the choice that was taken."""

    question: Question
    given: int

    @property
    def is_right(self) -> bool:
        """Whether the right choice was taken."""
        return self.given == self.question.answer


@dataclass(frozen=True, kw_only=True, slots=True)
class Progress:
    """How a drill stands.

    Attributes
    ----------
    kinds : tuple of str
        Kinds of question in this drill.
    seed : int
    levels : tuple of int
        Level of the next question of each kind.
    runs : tuple of int
        Right answers in a row at that level.
    answered : tuple of Answered
    """

    kinds: tuple[str, ...]
    seed: int
    levels: tuple[int, ...]
    runs: tuple[int, ...]
    answered: tuple[Answered, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class KindSummary:
    """Answers to one kind of question.

    Attributes
    ----------
    kind : str
    asked, right : int
    hardest_right : int or None
        Highest level with a right answer.
    by_guessing : float
        Share that guessing would get right.
    """

    kind: str
    asked: int
    right: int
    hardest_right: int | None
    by_guessing: float


def begin(*, seed: int, kinds: Sequence[str] = KINDS, level: int = 0) -> Progress:
    """Return the state before the first question."""
    unique = tuple(dict.fromkeys(kinds))
    return Progress(kinds=unique, seed=seed, levels=(level,) * len(unique), runs=(0,) * len(unique))


def next_question(progress: Progress) -> Question:
    """Return the next question; each kind comes once in every round, in an order drawn anew."""
    number = len(progress.answered)
    turn, place = divmod(number, len(progress.kinds))
    order = np.random.default_rng([progress.seed, turn, 0]).permutation(len(progress.kinds))
    kind = int(order[place])
    return question(progress.kinds[kind], level=progress.levels[kind], number=number + 1, seed=progress.seed)


def marked(progress: Progress, asked: Question, given: int) -> Progress:
    """Return the state after an answer: the level of that kind rises or falls."""
    answer = Answered(question=asked, given=given)
    at = progress.kinds.index(asked.kind)
    levels, runs = list(progress.levels), list(progress.runs)
    runs[at] = runs[at] + 1 if answer.is_right else 0
    if not answer.is_right:
        levels[at] = max(levels[at] - 1, 0)
    elif runs[at] == RIGHT_TO_RISE:
        levels[at], runs[at] = min(levels[at] + 1, LEVELS - 1), 0
    return replace(progress, levels=tuple(levels), runs=tuple(runs), answered=(*progress.answered, answer))


def summary(progress: Progress) -> tuple[KindSummary, ...]:
    """Return the answers counted by kind; kinds that were never asked are left out."""
    rows = []
    for kind in progress.kinds:
        answers = [a for a in progress.answered if a.question.kind == kind]
        if answers:
            rows.append(
                KindSummary(
                    kind=kind,
                    asked=len(answers),
                    right=sum(a.is_right for a in answers),
                    hardest_right=max((a.question.level for a in answers if a.is_right), default=None),
                    by_guessing=sum(1 / len(a.question.choices) for a in answers) / len(answers),
                )
            )
    return tuple(rows)


def question(kind: str, *, level: int, number: int, seed: int) -> Question:
    """Return the question that this seed, number, kind and level give."""
    rng = np.random.default_rng([seed, number, KINDS.index(kind) + 1, level])
    layout, prompt, choices, answer, because = _MAKERS[kind](rng, level)
    noise_share = (level - NOISE_FROM_LEVEL) / (LEVELS - 1 - NOISE_FROM_LEVEL)
    return Question(
        kind=kind,
        number=number,
        level=level,
        layout=layout,
        rpm=round(rpm_from_cycle_hz(pulses_hz(level) / len(layout.pulse_intervals_deg), layout.strokes), 1),
        # A cycle can be counted or timed only where something marks it.
        ticks=kind == "count" or (kind == "where" and level < TICKS_BELOW_LEVEL),
        exhaust=int(rng.integers(1000)) if level >= EXHAUSTS_FROM_LEVEL else 0,
        noise_db=None if noise_share < 0 else EASIEST_NOISE_DB + noise_share * (HARDEST_NOISE_DB - EASIEST_NOISE_DB),
        seed=int(rng.integers(2**31)),
        prompt=prompt,
        choices=choices,
        answer=answer,
        because=because,
    )


def pulses_hz(level: int) -> float:
    """Return the mean pulses a second at a level."""
    return float(SLOWEST_HZ * (FASTEST_HZ / SLOWEST_HZ) ** (level / (LEVELS - 1)))


def just_heard(level: int) -> float:
    """Return the difference between two gaps, in mean gaps, that is just noticed at the speed of a level."""
    rate_hz = pulses_hz(level)
    return just_heard_shift_s(1.0 / rate_hz) * rate_hz


Item = TypeVar("Item")
Made = tuple[Layout, str, tuple[str, ...], int, str]


def _even(rng: np.random.Generator, level: int) -> Made:
    uneven = sorted((p for p in pool() if unevenness(p) > just_heard(level)), key=lambda p: -unevenness(p))
    odd = _about(rng, uneven, level)
    even = [p for p in pool() if p.is_even and len(p.pulse_intervals_deg) == len(odd.pulse_intervals_deg)]
    layout = even[0] if even and rng.random() < 0.5 else odd
    answer = 0 if layout.is_even else 1
    return layout, "Is this rhythm even or uneven?", ("even", "uneven"), answer, _described(layout)


def _which(rng: np.random.Generator, level: int) -> Made:
    least = just_heard(level)
    pair = _about(rng, [(one, two) for one, two, apart in pairs() if apart > least], level)
    first, second = pair if rng.random() < 0.5 else pair[::-1]
    answer = int(rng.integers(2))
    layout = (first, second)[answer]
    return layout, "Which of these two is it?", (_label(first), _label(second)), answer, f"It is {_kind(layout)}"


def _count(rng: np.random.Generator, level: int) -> Made:
    most = min(CHOICES + level // 2, MAX_PULSES)
    place = int(rng.integers(CHOICES))
    low = int(rng.integers(1, most - CHOICES + 2))
    layout = _one(rng, [p for p in pool() if len(p.pulse_intervals_deg) == low + place])
    choices = tuple(str(n) for n in range(low, low + CHOICES))
    prompt = "How many pulses are in one cycle? A cycle is two turns of the crank; a tick begins it."
    return layout, prompt, choices, place, _described(layout)


def _where(rng: np.random.Generator, level: int) -> Made:
    most = 2 if level < TICKS_BELOW_LEVEL else 4
    uneven = [p for p in pool() if 1 < len(p.pulse_intervals_deg) <= most and _longest_is_single(p)]
    step_deg = 90.0 if level < 6 else 45.0
    place = int(rng.integers(CHOICES))  # first of all: not every angle has room for all places, and none may be rarer
    low_deg, room_deg = place * step_deg, (CHOICES - 1 - place) * step_deg
    layout, pulse = _one(
        rng,
        [
            (layout, pulse)
            for layout in map(_from_longest, uneven)
            for pulse, deg in enumerate(layout.firing_deg[1:], start=1)
            if low_deg <= deg < layout.cycle_deg - room_deg
        ],
    )
    right_deg = layout.firing_deg[pulse]
    choices = tuple(f"{right_deg + (k - place) * step_deg:g} degrees" for k in range(CHOICES))
    marks = (
        "ticks come every 90, the high one at 0"
        if level < TICKS_BELOW_LEVEL
        else "pulse 1, after the longest gap, is at 0"
    )
    prompt = f"Where is the crank when pulse {pulse + 1} of the cycle comes? A cycle is 720 degrees; {marks}."
    because = f"The intervals are {layout.intervals_text}"
    return layout, prompt, choices, place, because


_MAKERS = {"even": _even, "which": _which, "count": _count, "where": _where}


def _about(rng: np.random.Generator, ranked: Sequence[Item], level: int) -> Item:
    """Pick one of a list ranked from easy to hard, near the place that belongs to a level."""
    width = max(len(ranked) // 4, 1)
    first = round((len(ranked) - width) * level / (LEVELS - 1))
    return _one(rng, ranked[first : first + width])


def _one(rng: np.random.Generator, items: Sequence[Item]) -> Item:
    return items[int(rng.integers(len(items)))]


def _longest_is_single(layout: Layout) -> bool:
    intervals = sorted(layout.pulse_intervals_deg)
    return len(intervals) == 1 or intervals[-1] - intervals[-2] > 1.0


def _from_longest(layout: Layout) -> Layout:
    """Return the same pattern with pulse 1 at 0 degrees after the longest gap."""
    intervals = layout.pulse_intervals_deg
    after = intervals.index(max(intervals)) + 1
    return from_intervals("-".join(f"{i:g}" for i in intervals[after:] + intervals[:after]))


def _label(layout: Layout) -> str:
    return f"{layout.name}, intervals {layout.intervals_text}"


def _described(layout: Layout) -> str:
    return f"It was {layout.name}, {_kind(layout)}, intervals {layout.intervals_text}"


def _kind(layout: Layout) -> str:
    count = len(layout.pulse_intervals_deg)
    pulses = "1 pulse" if count == 1 else f"{count} pulses"
    return f"{'even' if layout.is_even else 'uneven'}, with {pulses} in a cycle"
