"""The drill as a student does it: at the keyboard, by ear alone, through a real sound server."""

import time
from pathlib import Path

import numpy as np
from plain_ear import pulse_times_s
from soundserver import RATE_HZ, Monitor, SoundServer, sound_server, wait_until
from terminal import terminal

__all__ = ["sound_server"]  # a fixture


def sounds_even(monitor: Monitor, since: int) -> bool:
    """Judge five seconds by the gaps between their pulses alone: even if all are within 10 % of their mean.

    The least uneven layout of level 0 is 24 % off (drill_patterns.unevenness); scatter of firing is under 1 %.
    """
    last = since + round(5.0 * RATE_HZ)
    wait_until(lambda: monitor.samples.size >= last, "the sound has stopped")
    heard = monitor.samples[since:last]
    gaps = np.diff(pulse_times_s(heard, RATE_HZ))
    gaps = gaps[gaps > 0.1]  # at 2.5 pulses a second: what is shorter is the flow noise of one pulse
    assert len(gaps) >= 4, "too little was heard"
    return float(np.abs(gaps / gaps.mean() - 1).max()) < 0.1


def test_a_listener_who_uses_only_the_ear_is_told_right(sound_server: SoundServer, tmp_path: Path) -> None:
    """Two questions, even or uneven, answered from the recorded sound; the result is told and kept."""
    kept = tmp_path / "result.txt"
    command = sound_server.command("drill", "--kind", "even", "--questions", 2, "--seed", 5, "--keep", kept)
    with sound_server.recording() as monitor, terminal(command, sound_server.env) as tty:
        for number in (1, 2):
            tty.wait_for(f"Question {number} of 2: even or uneven, level 0")
            tty.wait_for("plays it again, q stops: ")
            time.sleep(0.5)  # the slow sound of the question before fades out
            at = monitor.samples.size
            tty.press("a\n" if sounds_even(monitor, at) else "b\n")
            tty.wait_for(r"(Right, it is [ab]\)|No, it is)")
            tty.wait_for("Enter goes on")
            tty.press("\n")
        tty.wait_for("even or uneven: 2 of 2 right")
        assert tty.wait() == 0
    assert "even or uneven: 2 of 2 right (guessing would give 1)" in kept.read_text()


def test_narrow_terminal_breaks_lines_at_words_and_the_drawn_seed_is_told(sound_server: SoundServer) -> None:
    """In 40 columns no line is longer, and without --seed the drill ends with the number that begins it again."""
    with terminal(sound_server.command("drill", "--kind", "where"), sound_server.env, columns=40) as tty:
        tty.wait_for("q stops: ")
        tty.press("a\n")
        tty.wait_for("Enter goes on")
        tty.press("q\n")
        assert tty.wait() == 0
        said = tty.text.partition("\r\nall: 0 of 1 right" if "all: 0" in tty.text else "\r\nall: 1 of 1 right")
        assert [line for line in said[0].split("\r\n") if len(line) > 40] == []
        assert "--seed " in said[2]


def test_stopping_keeps_what_was_answered(sound_server: SoundServer, tmp_path: Path) -> None:
    """Ctrl-C in the second question exits with 130, and the first answer is in the file."""
    kept = tmp_path / "result.txt"
    with terminal(sound_server.command("drill", "--seed", 1, "--keep", kept), sound_server.env) as tty:
        tty.wait_for("q stops: ")
        tty.press("a\n")
        tty.wait_for("Enter goes on")
        tty.press("\n")
        tty.wait_for("Question 2 of 12")
        tty.wait_for("q stops: ")
        tty.press("\x03")
        assert tty.wait() == 130
        assert "Traceback" not in tty.text
    assert " of 1 right" in kept.read_text()


def test_without_a_terminal_lines_are_read_and_the_end_of_input_ends(sound_server: SoundServer) -> None:
    """A pipe serves as well: with no input at all nothing was answered."""
    done = sound_server.run("drill", "--questions", 1, "--seed", 1)
    assert done.returncode == 0, done.stderr
    assert "Question 1 of 1" in done.stdout
    assert done.stdout.rstrip().endswith("No question was answered.")
    assert "Caution" in done.stderr
