"""A drill as a conversation: ask, hear, answer, be told; and its result as text.

What is said, read and played goes through three functions, so that a terminal, a pipe and a test all serve.
"""

from collections.abc import Callable, Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from pulse_audio import drill
from pulse_audio.drill import KIND_TITLES, LETTERS, Answered, Progress, Question
from pulse_audio.drill_sound import question_clip, slow_clip

Say = Callable[[str], object]
Read = Callable[[str], str | None]
Play = Callable[[NDArray[np.float64]], object]

REPEAT, STOP = "r", "q"
SILENCE: NDArray[np.float64] = np.zeros(0)


def hold(
    progress: Progress, count: int, *, sample_rate_hz: int, say: Say, read: Read, play: Play
) -> Iterator[Progress]:
    """Ask up to `count` questions, and yield how the drill stands after each answer.

    Parameters
    ----------
    progress : Progress
    count, sample_rate_hz : int
    say : callable
        Shows a line.
    read : callable
        Shows a prompt and returns what is typed, or None at the end of the input.
    play : callable
        Begins to play samples, in place of what was playing; none for silence.
    """
    while len(progress.answered) < count:
        question = drill.next_question(progress)
        say(f"\nQuestion {question.number} of {count}: {KIND_TITLES[question.kind]}, level {question.level}")
        say(question.prompt)
        for letter, choice in _lettered(question):
            say(f"  {letter}) {choice}")
        samples = question_clip(question, sample_rate_hz).samples
        play(samples)
        given = _answer(question, samples, say=say, read=read, play=play)
        if given is None:
            break
        progress = drill.marked(progress, question, given)
        yield progress
        say(verdict(progress.answered[-1]))
        if not _hear_slowly(question, sample_rate_hz, say=say, read=read, play=play):
            break
    play(SILENCE)


def _lettered(question: Question) -> list[tuple[str, str]]:
    return list(zip(LETTERS, question.choices, strict=False))


def _answer(question: Question, samples: NDArray[np.float64], *, say: Say, read: Read, play: Play) -> int | None:
    letters = LETTERS[: len(question.choices)]
    prompt = f"Answer {', '.join(letters[:-1])} or {letters[-1]}; {REPEAT} plays it again, {STOP} stops: "
    while True:
        typed = read(prompt)
        key = None if typed is None else typed.strip().lower()
        if key is None or key == STOP:
            return None
        if key == REPEAT:
            play(samples)
        elif len(key) == 1 and key in letters:
            return letters.index(key)
        elif key:
            say(f"{key!r} is none of the choices.")
        else:
            say("Type a letter before Enter.")


def _hear_slowly(question: Question, sample_rate_hz: int, *, say: Say, read: Read, play: Play) -> bool:
    """Play the question again slowly with ticks; return whether the drill goes on."""
    slowly = slow_clip(question, sample_rate_hz).samples
    say("Here it is slowly, with a tick every 90 degrees of the crank and a high one where the cycle begins.")
    while True:
        play(slowly)
        typed = read(f"Enter goes on; {REPEAT} plays it again, {STOP} stops: ")
        if typed is None or typed.strip().lower() == STOP:
            return False
        if typed.strip().lower() != REPEAT:
            return True


def verdict(answered: Answered) -> str:
    """Say whether an answer was right, and what was."""
    question = answered.question
    right, given = (f"{LETTERS[n]}) {question.choices[n]}" for n in (question.answer, answered.given))
    if answered.is_right:
        return f"Right, it is {right}. {question.because}."
    return f"No, it is {right}; you answered {given}. {question.because}."


def summary_lines(progress: Progress) -> list[str]:
    """Return the result by kind of question."""
    rows = drill.summary(progress)
    if not rows:
        return ["No question was answered."]
    lines = []
    for row in rows:
        hardest = "none yet" if row.hardest_right is None else f"level {row.hardest_right}"
        guess = f"guessing would give {round(row.by_guessing * row.asked, 2):g}"
        lines.append(f"{KIND_TITLES[row.kind]}: {row.right} of {row.asked} right ({guess}); hardest right: {hardest}")
    total = sum(row.right for row in rows), sum(row.asked for row in rows)
    return [*lines, f"all: {total[0]} of {total[1]} right"]


def kept_text(progress: Progress) -> str:
    """Return the whole drill as a plain text file: the result, then every question."""
    lines = [f"Listening drill, seed {progress.seed}", "", *summary_lines(progress), ""]
    for answered in progress.answered:
        question = answered.question
        lines += [
            f"{question.number}. {KIND_TITLES[question.kind]}, level {question.level}, {question.rpm:g} rpm",
            f"   {question.prompt}",
            *(f"   {letter}) {choice}" for letter, choice in _lettered(question)),
            f"   {verdict(answered)}",
        ]
    return "\n".join(lines) + "\n"


def paper_questions(kinds: Sequence[str], count: int, *, seed: int, level: int) -> list[Question]:
    """Return questions for a paper: the kinds in turn, the level rising evenly by five to the last one."""
    top = min(level + 5, drill.LEVELS - 1)
    return [
        drill.question(
            kinds[n % len(kinds)], level=round(level + (top - level) * n / max(count - 1, 1)), number=n + 1, seed=seed
        )
        for n in range(count)
    ]


def paper_text(questions: Sequence[Question], seed: int) -> str:
    """Return the questions as a page to hand out."""
    lines = [
        "# Listening exercise", "", "Name: ______________________   Date: ______________   Right: ____ of "
        f"{len(questions)}", "",
        "Each sound is played twice. Mark one letter. A cycle is 720 degrees, two turns of the crank.", "",
        f"Seed {seed}", "",
    ]  # fmt: skip
    for question in questions:
        lines += [f"## {question.number}. {KIND_TITLES[question.kind].capitalize()}", "", question.prompt, ""]
        lines += [f"- [ ] {letter}) {choice}" for letter, choice in _lettered(question)]
        lines += ["", f"Sound: `{sound_name(question)}`", ""]
    return "\n".join(lines)


def answers_text(questions: Sequence[Question], seed: int) -> str:
    """Return the answer sheet."""
    lines = [
        "# Answers", "", f"For the paper of seed {seed}; `--seed {seed}` with the same options writes it again.", "",
        "Play the slow sound after each answer: it has a tick every 90 degrees of the crank and a high one where the "
        "cycle begins. Begin softly: low notes sound softer than they are.", "",
        "| question | answer | what it was | rpm | slow sound |", "|---|---|---|---|---|",
    ]  # fmt: skip
    for q in questions:
        answer = f"{q.letter}) {q.choices[q.answer]}"
        lines.append(f"| {q.number} | {answer} | {q.because} | {q.rpm:g} | `{slow_name(q)}` |")
    return "\n".join(lines) + "\n"


def sound_name(question: Question) -> str:
    """Name of the question's sound file."""
    return f"question-{question.number:02}.wav"


def slow_name(question: Question) -> str:
    """Name of the file with the slow sound."""
    return f"answer-{question.number:02}-slow.wav"
