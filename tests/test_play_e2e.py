"""`play` from the keyboard to the ear: a pseudo-terminal, PortAudio, ALSA and a sound server, recorded and measured."""

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pyloudnorm
import pytest
from numpy.typing import NDArray
from plain_ear import gaps_s, pulse_times_s, rpm_of
from soundserver import RATE_HZ, Monitor, SoundServer, missing_packages, running_server, sound_server, wait_until
from terminal import CONTROL, Terminal, terminal

from pulse_audio.catalogue import layout
from pulse_audio.cli.play import _exhausts
from pulse_audio.exhaust import find_exhaust
from pulse_audio.firing import Liveliness
from pulse_audio.live import LiveEngine

__all__ = ["sound_server"]  # a fixture

EVEN, UNEVEN = "parallel-twin-360", "parallel-twin-180"
# A shared machine stalls for up to 50 ms; blocks of 1024 at 48 kHz ride that out. How often the sound breaks with those
# of 256 that `play` takes by itself is measured in tests/bench/bench_play.py.
LONG_BLOCK = 1024
# 2 cycles a second and a regular engine: gaps of 125 ms and more, that the plain ear tells apart.
SLOW = ("--rpm", 240, "--ideal", "--block", LONG_BLOCK)
# The plain ear reads the top of an 8 ms window to about 0.2 ms: 0.3 degrees at 240 rpm, and 0.1 % of a cycle. A dropout
# on a busy machine is 5 ms; in the mean of four cycles of 500 ms 0.3 % and 2 degrees.
RPM_TOLERANCE, GAP_TOLERANCE_DEG = 0.01, 5.0


def gaps_deg(samples: NDArray[np.float64], count: int) -> NDArray[np.float64]:
    gaps = gaps_s(samples, RATE_HZ, count)
    return np.asarray(720.0 * gaps / gaps.sum())


def level_db(samples: NDArray[np.float64]) -> float:
    return float(10 * np.log10(np.mean(samples**2) + 1e-20))


def live_engine(name: str, rpm: float, duration_s: float) -> LiveEngine:
    """Make the source of what `play` should play, without any device."""
    return LiveEngine(
        [layout(name)],
        _exhausts(find_exhaust("open-stubs")),
        rpm=rpm,
        sample_rate_hz=RATE_HZ,
        life=Liveliness(),
        duration_s=duration_s,
    )


def next_blocks(engine: LiveEngine, blocks: int, frames: int) -> NDArray[np.float32]:
    """Take the next blocks, as they are sent to a device."""
    return np.concatenate([engine.next_block(frames) for _ in range(blocks)]).astype(np.float32)


def lost_at_start(heard: NDArray[np.float32], made: NDArray[np.float32]) -> int:
    """Frames of `made`, all within 0.1 s and at -40 dB, that a sink that was asleep did not play."""
    begins = [k for k in range(RATE_HZ // 10) if np.array_equal(made[k : k + 64], heard[:64])]
    assert begins, "what is heard first is nothing of the first 0.1 s"
    return begins[0]


def test_layout_and_speed_are_right_it_begins_softly_and_keeps_its_level(sound_server: SoundServer) -> None:
    """Recorded from the sink: 180-540 at 240 rpm, 25 dB softer at first, loudness as asked, one line on stdout."""
    with sound_server.recording() as monitor:
        done = sound_server.run("play", UNEVEN, *SLOW, "--seconds", 8)
    assert done.returncode == 0, done.stderr
    assert done.stdout == f"playing {UNEVEN} at 240 rpm, intervals 180-540, for 8 s\n"
    assert "Caution: begin softly, above all with headphones" in done.stderr
    heard = monitor.heard
    assert 7.4 < len(heard) / RATE_HZ < 8.1  # the last pulse may come 375 ms before the end
    full = heard[3 * RATE_HZ :]
    assert gaps_deg(full, 2) == pytest.approx([180, 540], abs=GAP_TOLERANCE_DEG)
    assert rpm_of(gaps_s(full, RATE_HZ, 2)) == pytest.approx(240, rel=RPM_TOLERANCE)
    assert level_db(heard[: RATE_HZ // 4]) < level_db(full) - 20
    assert np.abs(heard).max() < 10 ** (-1 / 20)
    # 12 dB below EBU R 128 programme loudness (-23 LUFS) at 4000 rpm, and 3 dB softer for each of the 4.06 octaves down
    # to 240: -47.2. The meter's gate leaves out some of the silence between pulses, which is worth up to 2 dB.
    loudness = pyloudnorm.Meter(RATE_HZ, filter_class="DeMan").integrated_loudness(full)
    assert -47.7 < loudness < -45.2


def test_every_sample_arrives(sound_server: SoundServer) -> None:
    """A twelve at 6000 rpm for 15 s: what the sink got is sample for sample what was made, and no dropout is told."""
    play = ("play", "v12-60", "--rpm", 6000, "--seconds", 15, "--block", LONG_BLOCK)
    with sound_server.recording() as monitor:
        done = sound_server.run(*play)
    assert done.returncode == 0, done.stderr
    assert "dropouts" not in done.stderr
    heard = monitor.heard.astype(np.float32)
    made = next_blocks(live_engine("v12-60", 6000, 15.0), 15 * RATE_HZ // LONG_BLOCK + 1, LONG_BLOCK)
    made = made[lost_at_start(heard, made) : np.flatnonzero(made)[-1] + 1]
    assert len(heard) == len(made)  # to the end of the fade, which a device that stops might swallow
    different = np.flatnonzero(heard != made)
    assert different.size == 0, f"{different.size} samples differ, the first at {different[0] / RATE_HZ:.3f} s"


@pytest.fixture
def played(sound_server: SoundServer) -> Iterator[tuple[Terminal, Monitor]]:
    """Two layouts at 240 rpm in a terminal, with the sound being recorded and past its soft beginning."""
    with (
        sound_server.recording() as monitor,
        terminal(sound_server.command("play", EVEN, UNEVEN, *SLOW), sound_server.env) as tty,
    ):
        tty.wait_for("1 of 2")
        wait_until(lambda: monitor.heard.size > 2.5 * RATE_HZ, "nothing is heard")
        yield tty, monitor


Played = tuple[Terminal, Monitor]


def press_and_listen(played: Played, keys: str, *, settle_s: float = 0.5, listen_s: float = 3.0) -> NDArray[np.float64]:
    """Press keys and return what is heard `settle_s` later."""
    tty, monitor = played
    at = monitor.samples.size
    tty.press(keys)
    first = at + round(settle_s * RATE_HZ)
    last = first + round(listen_s * RATE_HZ)
    wait_until(lambda: monitor.samples.size >= last, "the sound has stopped")
    return monitor.samples[first:last]


def test_tab_switches_layout_at_the_same_speed_and_loudness(played: Played) -> None:
    """Before Tab an even twin, after it the uneven one, as fast and as loud; a number and Tab chooses."""
    before = press_and_listen(played, "")
    after = press_and_listen(played, "\t")
    assert gaps_deg(before, 2) == pytest.approx([360, 360], abs=GAP_TOLERANCE_DEG)
    assert gaps_deg(after, 2) == pytest.approx([180, 540], abs=GAP_TOLERANCE_DEG)
    for heard in (before, after):
        assert rpm_of(gaps_s(heard, RATE_HZ, 2)) == pytest.approx(240, rel=RPM_TOLERANCE)
    # 12 pulses in 3 s; one more or less at the ends of what was heard is 0.4 dB.
    assert level_db(after) == pytest.approx(level_db(before), abs=1.0)
    played[0].wait_for("uneven, intervals 180-540")
    back = press_and_listen(played, "1\t")
    assert gaps_deg(back, 2) == pytest.approx([360, 360], abs=GAP_TOLERANCE_DEG)


def test_keys_change_the_speed(played: Played) -> None:
    """A small step, a typed number, slow and back again: the speed is measured in the sound."""
    tty, _ = played
    for keys, expected in (("\x1b[C", 290), ("240\r", 240)):
        heard = press_and_listen(played, keys, settle_s=0.8)
        assert rpm_of(gaps_s(heard, RATE_HZ, 2)) == pytest.approx(expected, rel=RPM_TOLERANCE), keys
    tty.press("s")
    tty.wait_for("180 rpm")
    heard = press_and_listen(played, "", settle_s=1.5)
    assert rpm_of(gaps_s(heard, RATE_HZ, 2)) == pytest.approx(180, rel=RPM_TOLERANCE)  # 3 pulses a second
    heard = press_and_listen(played, "s", settle_s=1.5)
    assert rpm_of(gaps_s(heard, RATE_HZ, 2)) == pytest.approx(240, rel=RPM_TOLERANCE)


def test_a_dropped_cylinder_falls_silent_and_comes_back(played: Played) -> None:
    """One cylinder of the even twin alone leaves one pulse in 720 degrees; restored, there are two."""
    tty, _ = played
    one = press_and_listen(played, "2c")
    assert rpm_of(gaps_s(one, RATE_HZ, 1)) == pytest.approx(240, rel=RPM_TOLERANCE)
    tty.wait_for("cylinder 2 off")
    both = press_and_listen(played, "c")
    assert rpm_of(gaps_s(both, RATE_HZ, 2)) == pytest.approx(240, rel=RPM_TOLERANCE)


def test_hold_is_silence_and_the_level_obeys(played: Played) -> None:
    """Space stops the sound and starts it again; a plus raises it by 2 dB."""
    tty, _ = played
    usual = level_db(press_and_listen(played, ""))
    assert np.all(press_and_listen(played, " ", listen_s=0.5) == 0)
    tty.wait_for("held")
    assert level_db(press_and_listen(played, " ")) == pytest.approx(usual, abs=1.0)
    # Three steps of 2 dB; one pulse more or less as above.
    assert level_db(press_and_listen(played, "+++")) == pytest.approx(usual + 6.0, abs=1.0)


def test_ticks_are_heard(played: Played) -> None:
    """With the crank ticks on there is sound far above what slow exhaust pulses reach."""

    def high(samples: NDArray[np.float64]) -> float:
        spectrum = np.abs(np.fft.rfft(samples)) ** 2
        return float(spectrum[round(1300 * len(samples) / RATE_HZ) :].sum())

    without = high(press_and_listen(played, ""))
    assert high(press_and_listen(played, "t")) > 2 * without


def test_quit_fades_out_and_puts_the_terminal_back(sound_server: SoundServer) -> None:
    """The key q ends with exit code 0, the first screen, a visible cursor, and the terminal's settings as before."""
    with terminal(sound_server.command("play", "v12-60", "--rpm", 3000), sound_server.env) as tty:
        tty.wait_for("3000 rpm")
        assert tty.attributes != tty.before
        tty.press("q")
        assert tty.wait() == 0
        assert tty.attributes == tty.before
        assert tty.text.rstrip().endswith("\x1b[?25h\x1b[?1049l")


@pytest.mark.parametrize(("number", "code"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)])
def test_ended_from_outside_puts_the_terminal_back(
    sound_server: SoundServer, number: signal.Signals, code: int
) -> None:
    """Ctrl-C exits with 130 and SIGTERM with 143, and the terminal is as before."""
    with terminal(sound_server.command("play", EVEN), sound_server.env) as tty:
        tty.wait_for("900 rpm")
        if number == signal.SIGINT:
            tty.press("\x03")
        else:
            tty.process.send_signal(number)
        assert tty.wait() == code
        assert tty.attributes == tty.before
        assert tty.text.rstrip().endswith("\x1b[?25h\x1b[?1049l")
        assert "Traceback" not in tty.text


def test_screen_fits_80_columns_and_needs_no_colour(sound_server: SoundServer) -> None:
    """No line is longer than 79 characters, and with NO_COLOR no colour code is written."""
    env = sound_server.env | {"NO_COLOR": "1"}
    with terminal(sound_server.command("play", "v16-45", "v8-crossplane", "--rpm", 60), env) as tty:
        tty.wait_for("layout 1 of 2")
        tty.press("h")
        tty.wait_for("q, Escape")
        tty.press("q")
        assert tty.wait() == 0
        assert [line for line in tty.lines if len(line) > 79] == []
        assert not re.search(r"\x1b\[[0-9;]*m", tty.text)  # ECMA-48: colours and weights end in m


def test_plain_says_what_changes_in_lines(sound_server: SoundServer) -> None:
    """With --plain there is no control sequence at all, and each change is a sentence."""
    with terminal(sound_server.command("play", EVEN, UNEVEN, *SLOW, "--plain"), sound_server.env) as tty:
        tty.wait_for("Layout 1 of 2: parallel-twin-360, even, intervals 360-360\\.")
        tty.press("\t")
        tty.wait_for("Layout 2 of 2: parallel-twin-180, uneven, intervals 180-540\\.")
        tty.press("7c")
        tty.wait_for("there is no cylinder 7; 1 to 2 are there\\.?")
        tty.press("j")  # does nothing, but ends what was told, so that it is told anew
        time.sleep(0.5)
        tty.press("7c")
        tty.wait_for("there is no cylinder 7; 1 to 2 are there\\.?")
        tty.press("600\r")
        tty.wait_for("600 rpm\\.")
        tty.press("q")
        assert tty.wait() == 0
        assert "\x1b" not in tty.text


def test_dumb_terminal_gets_plain_lines(sound_server: SoundServer) -> None:
    """Where TERM is dumb nothing can be drawn: without --plain it is sentences all the same."""
    command = ["env", "TERM=dumb", *sound_server.command("play", EVEN)]
    with terminal(command, sound_server.env) as tty:
        tty.wait_for("Layout 1 of 1: parallel-twin-360, even")
        tty.press("Q")  # Caps Lock is on
        assert tty.wait() == 0
        assert "\x1b" not in tty.text


@pytest.mark.parametrize(
    ("size", "first", "keys"),
    [
        ("rows 12 cols 40", "overdrive small loudspeakers", ("more keys", "h hides the keys")),
        ("rows 8 cols 30", "too small", ()),
    ],
)
def test_small_terminal_keeps_caution_keys_and_last_line(
    sound_server: SoundServer, size: str, first: str, keys: tuple[str, ...]
) -> None:
    """40 by 12 has the caution and two pages of keys; 30 by 8 has the sentence that it is too small."""
    command = ["sh", "-c", f'stty {size}; exec "$@"', "-", *sound_server.command("play", EVEN)]
    with terminal(command, sound_server.env) as tty:
        tty.wait_for(first)
        for words in keys:
            tty.press("h")
            tty.wait_for(words)
        tty.press("q")
        assert tty.wait() == 0


def test_layouts_that_never_sound_are_told(sound_server: SoundServer) -> None:
    """With --seconds there are no keys to go to the second layout: one line says so."""
    done = sound_server.run("play", EVEN, UNEVEN, "--seconds", 0.2)
    assert done.returncode == 0
    assert f"note: only {EVEN} is played; the keys that go on to the others need a terminal" in done.stderr
    assert "note:" not in sound_server.run("play", EVEN, "--seconds", 0.2).stderr


def test_marker_stands_where_the_sound_is_heard(sound_server: SoundServer) -> None:
    """A single at 60 rpm fires as the marker begins the strip again, within 40 degrees.

    With blocks of 2048 frames half a second of sound, 180 degrees, is made ahead: a marker that followed the making
    would stand there. The screen is drawn every 18 degrees, and the recorder lags by some 7.
    """
    command = sound_server.command("play", "single-four-stroke", "--rpm", 60, "--ideal", "--block", 2048)
    begun = []
    with sound_server.recording() as monitor, terminal(command, sound_server.env) as tty:
        tty.wait_for("60 rpm")
        wait_until(lambda: monitor.heard.size > 2.5 * RATE_HZ, "nothing is heard")
        before = 0
        while len(begun) < 3:
            marker = [len(line.rstrip()) for line in tty.lines if line.strip() == "^"][-1]
            if marker < before:
                begun.append(monitor.samples.size)
            before = marker
            time.sleep(0.005)
        time.sleep(0.5)
    pulses = pulse_times_s(monitor.samples, RATE_HZ)
    off_deg = [360.0 * float(np.abs(pulses - at / RATE_HZ).min()) for at in begun]
    assert float(np.median(off_deg)) < 40.0, off_deg


def test_sound_server_that_goes_away_is_one_clear_line(tmp_path: Path) -> None:
    """A device lost while playing ends with exit code 1 and says so, and the terminal is as before."""
    if missing_packages():
        pytest.skip(f"no sound server can be started here: {missing_packages()} not installed")
    with running_server(tmp_path) as server, terminal(server.command("play", EVEN), server.env) as tty:
        tty.wait_for("900 rpm")
        time.sleep(0.5)
        server.stop()
        assert tty.wait() == 1
        assert tty.attributes == tty.before
        last = CONTROL.sub("", tty.text.partition("\x1b[?1049l")[2]).strip()
        assert len(last.splitlines()) == 1
        assert last.startswith("firing-pulse: the sound device has gone away while playing")
        assert "render" in last


def test_no_device_is_one_clear_line(tmp_path: Path) -> None:
    """Without any sound device: exit code 1, one line, what to do instead, and nothing from the libraries below."""
    env = {k: v for k, v in os.environ.items() if not k.startswith(("PULSE_", "XDG_", "ALSA_"))}
    env |= {"HOME": str(tmp_path), "XDG_RUNTIME_DIR": str(tmp_path)}
    command = [sys.executable, "-m", "pulse_audio", "play", EVEN, "--seconds", "0.1", "--level", "-40"]
    done = subprocess.run(
        command, env=env, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=60, check=False
    )
    if done.returncode == 0:
        assert Path("/proc/asound/cards").exists()  # this machine has a sound card, and it has played
        return
    assert done.returncode == 1
    assert done.stdout == ""
    (line,) = done.stderr.splitlines()
    assert line.startswith("firing-pulse: ")
    assert line.endswith("; or write files instead: firing-pulse render LAYOUT -o FILE.wav, or drill --print DIR")
    if not Path("/proc/asound/cards").exists():
        assert line.startswith("firing-pulse: no sound device that plays is connected; connect one; ")


def test_list_devices_names_the_default(sound_server: SoundServer) -> None:
    """The devices are listed with what they can do, and --device takes a number or a name from the list."""
    done = sound_server.run("play", "--list-devices")
    assert done.returncode == 0
    line = next(line for line in done.stdout.splitlines() if "(default)" in line)
    assert "plays" in line
    assert "records" in line
    number = line.split()[0]
    assert sound_server.run("play", EVEN, "--seconds", 0.2, "--device", number).returncode == 0
    assert sound_server.run("play", EVEN, "--seconds", 0.2, "--device", "default").returncode == 0
    wrong = sound_server.run("play", EVEN, "--seconds", 0.2, "--device", "99")
    assert wrong.returncode == 1
    assert wrong.stderr.startswith("firing-pulse: --device 99: no device that plays has that number or name")
