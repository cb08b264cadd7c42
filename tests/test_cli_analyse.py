"""``firing-pulse analyse``: what it prints where, what it refuses, and that one bad clip does not stop the rest."""

import json
import multiprocessing
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterable
from pathlib import Path

import numpy as np
import pytest
import soundfile
from click.testing import Result

from pulse_audio import batch
from pulse_audio.analysis import analyser
from pulse_audio.analysis.result import Analysis, Hints, Reading
from pulse_audio.cli import progress
from pulse_audio.clip import Clip, read_clip
from pulse_audio.errors import ClipError
from pulse_audio.hearback import GAP_S, heard_back
from pulse_audio.report import CAUTION

Run = Callable[..., Result]
RATE_HZ = 8_000


@pytest.fixture
def found(monkeypatch: pytest.MonkeyPatch) -> list[Hints]:
    """Put a known answer in the place of the analysis; returns the hints that each call was given."""
    hints_given: list[Hints] = []

    def analyse_blocks(blocks: Iterable[Clip], hints: Hints) -> Analysis:
        hints_given.append(hints)
        [clip] = blocks
        if clip.duration_s < 0.5:
            raise ClipError("too short: 0.5 s are needed")
        return Analysis(
            duration_s=clip.duration_s,
            sample_rate_hz=clip.sample_rate_hz,
            span_s=(0.0, clip.duration_s),
            verdict="uneven",
            confidence=0.9,
            intervals_deg=(180.0, 540.0),
            speed_track=((0.0, 900.0), (clip.duration_s, 950.0)),
            readings=(Reading(layouts=("parallel-twin-180",), strokes=4, cylinders=2, rpm=925.0, probability=0.9),),
        )

    monkeypatch.setattr(analyser, "analyse_blocks", analyse_blocks)
    return hints_given


@pytest.fixture
def clips(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Make three clips, two good and one damaged, in the working folder."""
    monkeypatch.chdir(tmp_path)
    for name, seconds in (("one.wav", 1.0), ("two.wav", 2.0)):
        noise = np.random.default_rng(1).uniform(-0.1, 0.1, (round(seconds * RATE_HZ), 2))
        soundfile.write(name, noise, RATE_HZ)
    (tmp_path / "bad.wav").write_text("no sound")
    return tmp_path


def test_json_lines_in_order(run: Run, clips: Path, found: list[Hints]) -> None:
    """One JSON object a line in the order given; a bad clip has its line too, the rest is done, the code is 1."""
    result = run("analyse", "--json", "two.wav", "bad.wav", "none.wav", "one.wav")
    lines = [json.loads(line) for line in result.stdout.splitlines()]
    assert [line["file"] for line in lines] == ["two.wav", "bad.wav", "none.wav", "one.wav"]
    assert [line.get("duration_s") for line in lines] == [2.0, None, None, 1.0]
    assert [set(line) == {"file", "error"} for line in lines] == [False, True, True, False]
    assert "not a sound file" in lines[1]["error"]
    assert result.stderr.splitlines() == [f"firing-pulse: {lines[k]['error']}" for k in (1, 2)]
    assert result.exit_code == 1


def test_text_of_several_clips(run: Run, clips: Path, found: list[Hints]) -> None:
    """Text answers follow each other, and the caution stands once at the end."""
    result = run("analyse", "one.wav", "two.wav")
    assert (result.exit_code, result.stderr) == (0, "")
    assert result.stdout.count("Fires unevenly, 180-540") == 2
    assert result.stdout.endswith(f"\n{CAUTION}\n")
    assert result.stdout.count(CAUTION) == 1


def test_error_that_does_not_name_the_clip_gets_its_name(run: Run, clips: Path, found: list[Hints]) -> None:
    """What the analysis refuses is told with the name of the clip, and with the part of it that was asked for."""
    for options, part in (
        (("--end", "0.2"), ", 0 to 0.2 s"),
        (("--start", "0.3", "--end", "0.6"), ", 0.3 to 0.6 s"),
        (("--start", "0.9"), ", from 0.9 s on"),
    ):
        result = run("analyse", "one.wav", *options)
        assert (result.exit_code, result.stdout) == (1, "")
        assert result.stderr == f"firing-pulse: one.wav{part}: too short: 0.5 s are needed\n"


def test_times_count_from_the_start_of_the_file(run: Run, clips: Path, found: list[Hints]) -> None:
    """With --start and --end the span and the track are still in the file's own times."""
    answer = json.loads(run("analyse", "--json", "two.wav", "--start", "0.5", "--end", "1.5").stdout)
    assert answer["span_s"] == [0.5, 1.5]
    assert answer["speed_track"] == [[0.5, 900.0], [1.5, 950.0]]


def test_hints_arrive(run: Run, clips: Path, found: list[Hints]) -> None:
    """What is known beforehand reaches the analysis."""
    run("analyse", "one.wav", "--strokes", "4", "--cylinders", "2", "--rpm", "800:3000", "--layout", "boxer-twin")
    run("analyse", "one.wav")
    assert found == [Hints(strokes=4, cylinders=2, rpm=(800.0, 3000.0), layout="boxer-twin"), Hints()]


@pytest.mark.parametrize(
    ("args", "said"),
    [
        ([], "give one or more CLIPs, or --microphone S"),
        (["one.wav", "--microphone", "5"], "give one or more CLIPs, or --microphone S"),
        (["one.wav", "--keep", "k.wav"], "go with --microphone"),
        (["--microphone", "5", "--start", "1"], "choose a part of a file"),
        (["one.wav", "two.wav", "--hear-back", "h.wav"], "take one CLIP"),
        (["one.wav", "two.wav", "--figure", "f.png"], "take one CLIP"),
        (["one.wav", "--start", "2", "--end", "1"], "--end 1 must be greater than --start 2"),
        (["one.wav", "--rpm", "900"], "such as 800:3000"),
        (["one.wav", "--rpm", "3000:800"], "the lowest speed comes first"),
        (["one.wav", "--rpm", "a:b"], "is not a number"),
        (["one.wav", "--rpm", "1:2:3"], "such as 800:3000"),
        (["one.wav", "--rpm", "nan:900"], "out of range"),
        (["one.wav", "--strokes", "3"], "strokes"),
        (["one.wav", "--cylinders", "0"], "cylinders"),
        (["one.wav", "--layout", "boxer-twim"], "boxer-twin"),
        (["one.wav", "--start", "-1"], "start"),
        (["one.wav", "--jobs", "0"], "jobs"),
    ],
)
def test_wrong_use(run: Run, refused: Callable[..., str], clips: Path, args: list[str], said: str) -> None:
    """Options that do not go together or make no sense are refused with exit code 2 and the way out."""
    assert run("analyse", *args).exit_code == 2
    assert said in refused("analyse", *args)


@pytest.mark.parametrize(
    ("start", "channel", "said"), [("9", "1", "it lasts 1.00 s"), ("0", "3", "it has channels 1 to 2")]
)
def test_span_or_channel_not_in_the_clip(
    refused: Callable[..., str], clips: Path, start: str, channel: str, said: str
) -> None:
    """A span or a channel that the clip does not have is answered with what it has."""
    assert said in refused("analyse", "one.wav", "--start", start, "--channel", channel)


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (("a.m4a",), "convert it, such as the m4a of a telephone, to WAV or FLAC, or copy it again"),
        (("zero.wav",), "the file is empty; copy or record it again"),
        (("nan.wav",), "no numbers or beyond any scale; export it again as 16-bit WAV or FLAC"),
        (("no-frames.wav",), "holds no sound, or none that can be read; copy or record it again"),
        (("one.wav", "--start", "10"), "there is no sound from 10 s on; it lasts 1.00 s: choose a span within that"),
        (("one.wav", "--start", "1", "--end", "2"), "there is no sound from 1 to 2 s; it lasts 1.00 s: choose"),
    ],
)
def test_clips_that_cannot_be_read_say_what_to_do(
    refused: Callable[..., str], clips: Path, args: tuple[str, ...], said: str
) -> None:
    """Each kind of file or span that gives no sound is one line that ends with a way out."""
    (clips / "a.m4a").write_bytes(b"\0\0\0\x20ftypM4A \0\0\0\0M4A mp42isom\0\0\0\0" + bytes(1000))  # a box ftyp
    (clips / "zero.wav").write_bytes(b"")
    soundfile.write("nan.wav", np.full(RATE_HZ, np.nan), RATE_HZ, subtype="FLOAT")
    soundfile.write("no-frames.wav", np.zeros(0), RATE_HZ)
    assert said in refused("analyse", *args)


def test_mp3_is_named_where_it_can_be_read(refused: Callable[..., str], clips: Path) -> None:
    """The kinds of file that a refusal offers hold MP3 exactly where the installed soundfile reads it."""
    offered = refused("analyse", "bad.wav")
    assert "WAV, FLAC, OGG, AIFF" in offered
    assert ("MP3" in offered) == ("MP3" in soundfile.available_formats())


def test_existing_outputs_are_refused_before_the_work(refused: Callable[..., str], clips: Path) -> None:
    """An output that exists is refused at once, and stays."""
    (clips / "old.png").write_text("mine")
    assert "exists already" in refused("analyse", "one.wav", "--hear-back", "two.wav")
    assert "exists already" in refused("analyse", "one.wav", "--figure", "old.png")
    assert "exists already" in refused("analyse", "--microphone", "5", "--keep", "two.wav")
    assert (clips / "two.wav").stat().st_size > 30_000
    assert (clips / "old.png").read_text() == "mine"
    assert "name it .png" in refused("analyse", "one.wav", "--figure", "f.wav")
    assert "name it .wav" in refused("analyse", "one.wav", "--hear-back", "f.png")


def test_cut_short_is_noted(run: Run, clips: Path, found: list[Hints]) -> None:
    """A clip that holds less than its header promises is analysed, with a note that says so."""
    (clips / "cut.wav").write_bytes((clips / "two.wav").read_bytes()[:40_000])
    answer = json.loads(run("analyse", "--json", "cut.wav").stdout)
    assert answer["notes"] == ["the file is cut short: it holds 1.2 s and promises more"]


def test_names_on_the_terminal_hold_no_controls(run: Run, clips: Path, found: list[Hints]) -> None:
    """A file name with control characters reaches neither stdout nor stderr raw, in text or in JSON."""
    good, bad = "good\x1b[31m\n.wav", "bad\x07\x9b.wav"
    (clips / "one.wav").rename(clips / good)
    (clips / "bad.wav").rename(clips / bad)
    for options in ([], ["--json"]):
        result = run("analyse", *options, good, bad)
        assert result.exit_code == 1
        assert (result.stdout + result.stderr).replace("\n", "").isprintable()


def test_progress_only_on_a_terminal(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    """Progress goes to stderr, on one line without control characters from names, and only if it is a terminal."""
    progress.show_progress("1 of 2")
    assert capsys.readouterr() == ("", "")
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True, raising=False)
    progress.show_progress("1 of 2: a\x1b.wav")
    assert capsys.readouterr() == ("", progress.CLEAR_LINE + r"1 of 2: a\x1b.wav")


def test_hear_back(run: Run, clips: Path, found: list[Hints]) -> None:
    """The recording comes first, then the gap, then the rebuilt engine as long as the recording."""
    result = run("analyse", "two.wav", "--start", "0.5", "--hear-back", "h.wav")
    assert result.exit_code == 0, result.stderr
    heard = read_clip(clips / "h.wav").samples
    assert len(heard) == round((1.5 + GAP_S + 1.5) * RATE_HZ)
    recording, gap, rebuilt = np.split(heard, [round(1.5 * RATE_HZ), round((1.5 + GAP_S) * RATE_HZ)])
    original = read_clip(clips / "two.wav", start_s=0.5).samples.mean(axis=1)
    # The same sound at another level: correlation 1 but for 16-bit rounding.
    assert np.corrcoef(recording, original)[0, 1] > 0.9999
    assert not gap.any()
    assert rebuilt.std() > 0.001


def test_hear_back_needs_an_answer() -> None:
    """Where no rhythm was found there is nothing to rebuild."""
    clip = Clip(samples=np.zeros(RATE_HZ), sample_rate_hz=RATE_HZ)
    silent = Analysis(duration_s=1.0, sample_rate_hz=RATE_HZ, span_s=(0.0, 1.0), verdict="no-rhythm", confidence=1.0)
    with pytest.raises(ClipError, match="nothing to hear back: no firing rhythm could be read"):
        heard_back(clip, silent)


def test_what_cannot_be_heard_back_is_drawn_all_the_same(run: Run, clips: Path) -> None:
    """Of noise there is nothing to rebuild, and one line says so; the picture that was asked for is written."""
    pytest.importorskip("matplotlib")
    result = run("analyse", "one.wav", "--figure", "f.png", "--hear-back", "h.wav")
    assert (result.exit_code, result.stderr.splitlines()[0]) == (1, "wrote f.png")
    assert "nothing to hear back" in result.stderr
    assert sorted(p.name for p in clips.iterdir()) == ["bad.wav", "f.png", "one.wav", "two.wav"]


def _cli(*args: str, cwd: Path) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "pulse_audio", "analyse", *args],
        cwd=cwd,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def test_several_processes_give_the_same_answers(clips: Path) -> None:
    """With --jobs the answers are those of one process, in the same order."""
    names = ["two.wav", "bad.wav", "one.wav"]
    answers = [_cli("--json", "--jobs", jobs, *names, cwd=clips).communicate(timeout=120) for jobs in ("1", "2")]
    assert answers[0] == answers[1]
    assert [json.loads(line)["file"] for line in answers[0][0].splitlines()] == names


def test_processes_have_ended_when_the_last_answer_is_there(clips: Path) -> None:
    """Python warns on stderr, now and then, of processes that still end while it exits itself."""
    others = set(multiprocessing.active_children())
    tasks = [batch.Task(path=clips / name) for name in ("two.wav", "bad.wav")]
    outcomes = batch.analyse_files(tasks, jobs=2)
    for _ in tasks:
        next(outcomes)
    assert set(multiprocessing.active_children()) == others


def test_a_fault_of_ours_stops_only_its_clip(clips: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An error that nobody foresaw is told beside the clip's name, as what it is; the next clip is still analysed."""

    def analyse_file(task: batch.Task) -> Analysis:
        if task.path.name == "one.wav":
            raise ZeroDivisionError("division by zero")
        return Analysis(duration_s=1.0, sample_rate_hz=8000, span_s=(0.0, 1.0), verdict="none", confidence=0.9)

    monkeypatch.setattr(batch, "analyse_file", analyse_file)
    first, second = batch.analyse_files([batch.Task(path=Path("one.wav")), batch.Task(path=Path("two.wav"))])
    assert str(first).startswith("one.wav: a fault of firing-pulse itself (ZeroDivisionError: division by zero, test_")
    assert isinstance(second, Analysis)


def _die_on(task: batch.Task) -> Analysis | Exception:
    """Stand in for an analysis that brings its process down."""
    if task.path.name == "deadly.wav":
        os.kill(os.getpid(), signal.SIGKILL)
    return ClipError(str(task.path))


def test_a_process_that_dies_stops_only_its_clip(monkeypatch: pytest.MonkeyPatch) -> None:
    """A clip that brings its process down is named; every other clip still gets its answer, in order."""
    monkeypatch.setattr(batch, "_outcome", _die_on)
    names = ["a.wav", "deadly.wav", "b.wav", "c.wav"]
    outcomes = list(batch.analyse_files([batch.Task(path=Path(n)) for n in names], jobs=2))
    assert [str(o) for o in outcomes][::2] == ["a.wav", "b.wav"]
    assert str(outcomes[3]) == "c.wav"
    assert "deadly.wav: the process that analysed it was killed" in str(outcomes[1])


def _started_with(task: batch.Task) -> Analysis | Exception:
    """Stand in for an analysis that tells how many threads its process was started for."""
    given = Path("/proc/self/environ").read_bytes().decode().split("\0")
    return ClipError(" ".join(entry for entry in given if entry.startswith("OPENBLAS")))


def test_processes_share_the_cores(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each process is started for one thread of linear algebra, which numpy reads when it is loaded; we are not."""
    monkeypatch.setattr(batch, "_outcome", _started_with)
    monkeypatch.delenv("OPENBLAS_NUM_THREADS", raising=False)
    outcomes = list(batch.analyse_files([batch.Task(path=Path(n)) for n in ("a.wav", "b.wav")], jobs=2))
    assert [str(o) for o in outcomes] == ["OPENBLAS_NUM_THREADS=1"] * 2
    assert "OPENBLAS_NUM_THREADS" not in os.environ


def _at_work_in_two_processes(clips: Path) -> subprocess.Popen[str]:
    """Start a call with many clips and wait for its first answer."""
    child = subprocess.Popen(
        [sys.executable, "-m", "pulse_audio", "analyse", "--json", "--jobs", "2", *["two.wav"] * 2000],
        cwd=clips,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    assert child.stdout is not None
    child.stdout.readline()
    return child


def _assert_all_end(group: int) -> None:
    deadline = time.monotonic() + 10
    while time.monotonic() < deadline:
        try:
            os.killpg(group, 0)
        except ProcessLookupError:
            return
        time.sleep(0.05)
    pytest.fail("a process is still there")


def test_ctrl_c_ends_every_process(clips: Path) -> None:
    """Ctrl-C during many clips ends at once, with exit code 130, and leaves no process behind."""
    child = _at_work_in_two_processes(clips)
    os.killpg(child.pid, signal.SIGINT)
    _, errors = child.communicate(timeout=60)
    assert (child.returncode, errors.strip()) == (130, "")
    _assert_all_end(child.pid)


def test_killing_the_call_ends_every_process(clips: Path) -> None:
    """Even if the call is killed outright, the processes that worked for it do not wait for more."""
    child = _at_work_in_two_processes(clips)
    child.kill()
    child.communicate(timeout=60)
    _assert_all_end(child.pid)
