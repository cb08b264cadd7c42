"""The drill's conversation, its sound and its paper, without a sound device."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyloudnorm
import pytest
from click.testing import Result
from numpy.typing import NDArray
from plain_ear import gaps_s, rpm_of
from scipy.signal import butter, sosfilt

from pulse_audio import drill, drill_session
from pulse_audio.clip import read_clip
from pulse_audio.drill_sound import Turntable, pink_noise, question_clip, slow_clip, slow_rpm, ticks

RATE_HZ = 48_000
Floats = NDArray[np.float64]
Run = Callable[..., Result]


class Script:
    """Types what a test says, and remembers what was said and played."""

    def __init__(self, *typed: str) -> None:
        self._typed = list(typed)
        self.said: list[str] = []
        self.played: list[Floats] = []

    def read(self, prompt: str) -> str | None:
        """Give the next line, or the end of the input."""
        self.said.append(prompt)
        return self._typed.pop(0) if self._typed else None

    def hold(self, progress: drill.Progress, count: int) -> list[drill.Progress]:
        """Hold a drill to its end."""
        states = drill_session.hold(
            progress, count, sample_rate_hz=8000, say=self.said.append, read=self.read, play=self.played.append
        )
        return list(states)


def test_says_at_once_what_was_right_and_plays_it_slowly() -> None:
    """After an answer: right or not, what it was, and another, slower sound."""
    begun = drill.begin(seed=0, kinds=["even"])
    asked = drill.next_question(begun)
    wrong = drill.LETTERS[1 - asked.answer]
    for typed, expected in ((asked.letter, "Right, "), (wrong, "No, it is ")):
        script = Script(typed, "")
        (state,) = script.hold(begun, 1)
        assert state.answered[0].is_right == (typed == asked.letter)
        (told,) = [line for line in script.said if line.startswith(expected)]
        assert asked.choices[asked.answer] in told
        assert asked.because in told
        question, slowly, silence = script.played
        assert silence.size == 0
        assert question.size > 0
        assert slowly.size > 0


def test_repeat_plays_the_same_again_and_nonsense_is_told() -> None:
    """The letter r repeats question and slow sound; anything else is no answer and does not count."""
    script = Script("r", "x", "c", "", "A", "r", "q")
    (state,) = script.hold(drill.begin(seed=0, kinds=["even"]), 5)
    assert len(state.answered) == 1
    assert state.answered[0].given == 0
    assert "'x' is none of the choices." in script.said
    assert "'c' is none of the choices." in script.said
    assert "Type a letter before Enter." in script.said
    assert "'' is none of the choices." not in script.said
    assert np.array_equal(script.played[0], script.played[1])
    assert np.array_equal(script.played[2], script.played[3])
    assert len(script.played) == 5


@pytest.mark.parametrize("typed", [(), ("q",), ("Q ",)])
def test_stops_at_once(typed: tuple[str, ...]) -> None:
    """The end of the input and q end the drill before an answer counts."""
    assert Script(*typed).hold(drill.begin(seed=0), 3) == []


def test_kept_text_holds_result_and_every_question() -> None:
    """The plain file: seed, result by kind, each question with its answer."""
    states = Script("a", "", "b", "", "a", "", "b", "").hold(drill.begin(seed=7), 4)
    text = drill_session.kept_text(states[-1])
    assert text.startswith("Listening drill, seed 7\n")
    for kind in drill.KINDS:
        assert f"{drill.KIND_TITLES[kind]}: " in text
    assert [line[:2] for line in text.splitlines() if line[:1].isdigit()] == ["1.", "2.", "3.", "4."]
    for answered in states[-1].answered:
        for letter, choice in zip("abcd", answered.question.choices, strict=False):
            assert f"   {letter}) {choice}\n" in text
    assert "of 4 right" in text


@pytest.mark.parametrize("kind", drill.KINDS)
def test_verdict_names_both_answers_and_the_layout_once(kind: str) -> None:
    """A wrong answer is told with its letter and its words; nothing that was said is said again."""
    asked = drill.question(kind, level=0, number=1, seed=0)
    given = (asked.answer + 1) % len(asked.choices)
    told = drill_session.verdict(drill.Answered(question=asked, given=given))
    letter = drill.LETTERS[given]
    assert told.startswith(f"No, it is {asked.letter}) {asked.choices[asked.answer]}; you answered {letter}) ")
    assert f"; you answered {letter}) {asked.choices[given]}. " in told
    assert told.count(asked.layout.name) <= 1
    assert told.endswith(".")


def test_guessing_is_told_exactly() -> None:
    """One question of four choices: guessing gives a quarter."""
    (state,) = Script("a", "").hold(drill.begin(seed=0, kinds=["where"]), 1)
    assert "(guessing would give 0.25)" in drill_session.summary_lines(state)[0]


def test_summary_without_an_answer_says_so() -> None:
    """Nothing answered, nothing counted."""
    assert drill_session.summary_lines(drill.begin(seed=0)) == ["No question was answered."]


@pytest.mark.parametrize("seed", range(3))
def test_question_sounds_as_its_layout(seed: int) -> None:
    """The plain ear finds the intervals and the speed of a question in its sound."""
    question = drill.question("even", level=0, number=1, seed=seed)
    clip = question_clip(question, RATE_HZ)
    count = len(question.layout.pulse_intervals_deg)
    gaps = gaps_s(clip.samples, RATE_HZ, count)
    expected = list(question.layout.pulse_intervals_deg)
    longest = expected.index(max(expected)) + 1
    expected = expected[longest:] + expected[:longest]
    # 8 ms windows on noisy pulses: 3 ms of a cycle of 0.8 s and more.
    assert 720 * gaps / gaps.sum() == pytest.approx(expected, abs=4.0)
    assert rpm_of(gaps) == pytest.approx(question.rpm, rel=0.01)


def test_slow_sound_is_slower_without_noise_and_with_ticks() -> None:
    """The replay of a hard question comes at 2.5 pulses a second, with a tick every 90 degrees of the crank."""
    question = drill.question("which", level=9, number=1, seed=0)
    count = len(question.layout.pulse_intervals_deg)
    rpm = slow_rpm(question)
    assert rpm * count / 120 == pytest.approx(2.5)
    assert question.noise_db is not None and not question.ticks
    samples = slow_clip(question, RATE_HZ).samples
    assert np.array_equal(samples, slow_clip(replace(question, noise_db=None), RATE_HZ).samples)
    # Below 500 Hz the plain ear hears the engine alone, above 1.2 kHz ticks top what comes 5 ms before them.
    low, band = (
        sosfilt(butter(4, edge_hz, kind, fs=RATE_HZ, output="sos"), samples)
        for edge_hz, kind in ((500.0, "low"), (1200.0, "high"))
    )
    assert rpm_of(gaps_s(low, RATE_HZ, count)) == pytest.approx(rpm, rel=0.01)
    begins = np.round(np.arange(1, samples.size / RATE_HZ * rpm / 15 - 1) * 15 / rpm * RATE_HZ).astype(int)
    after, before = (np.array([rms(band[at + shift : at + shift + 192]) for at in begins]) for shift in (0, -240))
    assert np.all(after > 5 * before)


def rms(samples: Floats) -> float:
    return float(np.sqrt(np.mean(samples**2)))


def test_questions_last_for_four_cycles() -> None:
    """Long enough to count: four cycles, but 5 s at least, and never more than 12 s."""
    lengths = set()
    for question in (drill.question("count", level=level, number=n, seed=0) for level in (0, 4) for n in range(6)):
        cycles_s = 4 * 120 / question.rpm
        lengths.add(length_s := question_clip(question, 8_000).duration_s)
        assert length_s == pytest.approx(min(max(cycles_s, 5.0), 12.0), abs=1e-3)
    assert min(lengths) == 5.0 and max(lengths) > 6.0


@pytest.mark.parametrize("noise_db", [15.0, 0.0])
def test_noise_of_a_question_stands_at_its_level(noise_db: float) -> None:
    """Taking the same question without noise out of the sound leaves noise so many decibels below it."""
    hard = replace(drill.question("even", level=9, number=1, seed=0), noise_db=noise_db)
    noisy = question_clip(hard, RATE_HZ).samples
    clean = question_clip(replace(hard, noise_db=None), RATE_HZ).samples
    scaled = clean * (noisy @ clean) / (clean @ clean)
    # Noise and pulses are independent: over 5 s their chance likeness moves the fit by less than 0.3 dB.
    assert 10 * np.log10(np.mean(scaled**2) / np.mean((noisy - scaled) ** 2)) == pytest.approx(noise_db, abs=0.5)


@pytest.mark.parametrize("rate_hz", [8_000, 48_000, 192_000])
def test_noise_is_pink(rate_hz: int) -> None:
    """Pink noise has the same power in every octave (its definition); here from 20 Hz on, at any sample rate."""
    noise = pink_noise(10 * rate_hz, np.random.default_rng(1), sample_rate_hz=rate_hz)
    assert np.sqrt(np.mean(noise**2)) == pytest.approx(1.0)
    power = np.abs(np.fft.rfft(noise)) ** 2
    hz = np.fft.rfftfreq(noise.size, 1 / rate_hz)
    octaves = [10 * np.log10(power[(hz >= f) & (hz < 2 * f)].sum()) for f in (20, 40, 80, 160, 320, 640, 1280)]
    # 200 lines in the lowest octave: their sum scatters by 10 / ln(10) / sqrt(200) = 0.3 dB (one standard deviation).
    assert octaves == pytest.approx([np.mean(octaves)] * len(octaves), abs=1.2)
    below = 10 * np.log10(power[(hz >= 10) & (hz < 20)].sum())
    # Evenly spread below 20 Hz: ten of the twenty hertz of the octave above, at the power it has at 20 Hz.
    assert below - octaves[0] == pytest.approx(10 * np.log10(0.5 / np.log(2)), abs=1.5)


def test_sounds_have_one_loudness() -> None:
    """Every question is at -23 LUFS or below it where its peaks ask for that, so that no question startles."""
    meter = pyloudnorm.Meter(RATE_HZ, filter_class="DeMan")
    for kind, level in (("even", 0), ("count", 3), ("where", 5), ("which", 9)):
        clip = question_clip(drill.question(kind, level=level, number=1, seed=0), RATE_HZ)
        loud, peak_db = meter.integrated_loudness(clip.samples), 20 * np.log10(np.abs(clip.samples).max())
        assert loud == pytest.approx(-23.0, abs=0.05) or (loud < -23.0 and peak_db == pytest.approx(-1.0))
        assert peak_db < -0.999


def test_ticks_come_at_multiples_of_the_angle() -> None:
    """At 60 rpm a tick every 90 degrees is four a second; the one at the start of each cycle of 720 is higher."""
    samples = ticks(4 * RATE_HZ, 720.0, 60.0, 90.0, RATE_HZ)
    begins = np.arange(16) * RATE_HZ // 4
    for number, at in enumerate(begins):
        piece = samples[at : at + 1440]
        assert np.abs(piece).max() > 0.1
        pitch_hz = np.argmax(np.abs(np.fft.rfft(piece, 1 << 14))) * RATE_HZ / (1 << 14)
        assert pitch_hz == pytest.approx(3000 if number % 8 == 0 else 1500, rel=0.03)
    silent = samples.copy()
    for at in begins:
        silent[at : at + 1440] = 0
    assert not silent.any()


def test_ticks_fall_between_samples() -> None:
    """At 611 rpm and 8 kHz 90 degrees are 196.4 frames: each tick has the phase of its own time, not a rounded one."""
    rate_hz, rpm = 8_000, 611.0
    samples = ticks(rate_hz, 720.0, rpm, 90.0, rate_hz)
    turns = np.exp(-2j * np.pi * 1500.0 * np.arange(64) / rate_hz)
    phases, exact = [], []
    for number in (n for n in range(1, 40) if n % 8):
        at = number * 90.0 / (6.0 * rpm) * rate_hz
        first = int(np.ceil(at))
        phases.append(np.angle(samples[first : first + 64] @ turns))
        exact.append(2 * np.pi * 1500.0 * (first - at) / rate_hz)
    late = np.angle(np.exp(1j * (np.array(phases) - exact - (phases[0] - exact[0]))))
    # Half a sample is pi * 1500 / 8000 = 0.6 rad; how samples fall on the attack of 4 frames is worth 0.01 rad.
    assert np.abs(late).max() < 0.05


def test_turntable_fades_from_one_clip_to_the_next_and_ends() -> None:
    """Silence, a clip, another clip in its place, silence again: nowhere a step above what a fade allows."""
    table = Turntable(0.0, RATE_HZ)
    assert not np.any(table.next_block(256))
    assert table.scene() is False
    table.put_on(np.full(4 * RATE_HZ, 0.5))
    heard = [table.next_block(256) for _ in range(600)]
    assert table.scene() is True
    table.put_on(np.full(RATE_HZ, -0.5))
    heard += [table.next_block(256) for _ in range(100)]
    table.put_on(np.zeros(0))
    heard += [table.next_block(256) for _ in range(20)]
    assert not np.any(heard[-1])
    table.end()
    assert table.next_block(256).size == 0
    sound = np.concatenate(heard)
    assert sound[100 * 256] < sound[400 * 256]  # the level rises slowly at first
    assert sound.max() > 0.4
    assert sound.min() < -0.4
    # 30 ms from 0.5 to 0 on a raised cosine: at most 0.5 * pi / 2 / 1440 a frame.
    assert np.abs(np.diff(sound)).max() < 0.5 * np.pi / 2 / 1440 * 1.1


def test_paper_answers_and_sounds_are_written(run: Run, tmp_path: Path) -> None:
    """The paper asks, the answer sheet knows, and each question has its sound and its slow sound."""
    folder = tmp_path / "class"
    done = run("drill", "--print", folder, "--questions", 4, "--seed", 9, "--sample-rate", 8000)
    assert done.exit_code == 0, done.stderr
    names = sorted(p.name for p in folder.iterdir())
    assert names == sorted(
        ["paper.md", "answers.md"]
        + [f"question-0{n}.wav" for n in (1, 2, 3, 4)]
        + [f"answer-0{n}-slow.wav" for n in (1, 2, 3, 4)]
    )
    paper, answers = (folder / "paper.md").read_text(), (folder / "answers.md").read_text()
    for n, question in enumerate(drill_session.paper_questions(drill.KINDS, 4, seed=9, level=0), start=1):
        assert f"## {n}. " in paper
        assert question.prompt in paper
        assert f"- [ ] {question.letter}) {question.choices[question.answer]}" in paper
        assert question.because not in paper
        assert f"| {n} | {question.letter}) {question.choices[question.answer]} | {question.because} |" in answers
        assert read_clip(folder / f"question-0{n}.wav").duration_s >= 5.0
    again = run("drill", "--print", folder, "--questions", 4)
    assert again.exit_code == 1
    assert "not empty" in again.stderr
    same = run("drill", "--print", tmp_path / "same", "--questions", 4, "--seed", 9, "--sample-rate", 8000)
    assert same.exit_code == 0
    assert (tmp_path / "same" / "question-03.wav").read_bytes() == (folder / "question-03.wav").read_bytes()


def test_paper_without_a_seed_is_a_new_one_and_names_it(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The seed that was drawn stands on paper, answer sheet and screen, and given as --seed it makes the same paper."""
    monkeypatch.setattr("secrets.randbelow", lambda _: 4711)
    drawn = run("drill", "--print", tmp_path / "drawn", "--questions", 2, "--sample-rate", 8000)
    again = run("drill", "--print", tmp_path / "again", "--questions", 2, "--sample-rate", 8000, "--seed", 4711)
    assert "seed 4711" in drawn.stdout
    assert again.exit_code == 0
    for name in ("paper.md", "answers.md"):
        text = (tmp_path / "drawn" / name).read_text()
        assert "eed 4711" in text
        assert (tmp_path / "again" / name).read_text() == text


def test_paper_does_not_take_keep(run: Run, tmp_path: Path) -> None:
    """Nobody answers while a paper is written: --keep is refused and nothing is written."""
    done = run("drill", "--print", tmp_path / "paper", "--keep", tmp_path / "k.txt")
    assert done.exit_code == 2
    assert "--keep" in done.stderr
    assert list(tmp_path.iterdir()) == []


def test_paper_grows_harder() -> None:
    """The level rises by five over a paper, and never beyond the highest."""
    levels = [q.level for q in drill_session.paper_questions(drill.KINDS, 12, seed=0, level=0)]
    assert levels == sorted(levels)
    assert (levels[0], levels[-1]) == (0, 5)
    assert drill_session.paper_questions(drill.KINDS, 3, seed=0, level=8)[-1].level == 9


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (["--kind", "loud"], "even"),
        (["--questions", "0"], "1"),
        (["--start", "10"], "9"),
        (["--level", "3"], "-40 to 0 dB"),
    ],
)
def test_bad_options_are_refused(run: Run, args: list[str], words: str) -> None:
    """Exit code 2 and the legal values."""
    done = run("drill", *args)
    assert done.exit_code == 2
    assert words in done.stderr
