"""`analyse --microphone` from the monitor of a sink in which something plays: the whole way from sound to answer."""

import json
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from plain_ear import gaps_s, rpm_of
from soundserver import (
    RATE_HZ,
    SoundServer,
    missing_packages,
    running_server,
    sound_server,
    terminate,
    wait_until,
)
from terminal import terminal

from pulse_audio.clip import read_clip

__all__ = ["sound_server"]  # a fixture

LAYOUT, RPM = "parallel-twin-270", 600


@pytest.fixture(scope="module")
def engine(sound_server: SoundServer) -> Iterator[SoundServer]:
    """Run an engine in the sink while the tests listen; the default microphone is the sink's monitor."""
    steady = ("--block", 1024)  # a shared machine stalls for up to 50 ms, and a broken sound is read as another
    command = sound_server.command("play", LAYOUT, "--rpm", RPM, "--level", -6, "--seconds", 600, *steady)
    with sound_server.recording() as monitor:
        player = subprocess.Popen(command, env=sound_server.env, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        try:
            wait_until(lambda: monitor.heard.size > 3.5 * RATE_HZ, "nothing is heard")
            yield sound_server
        finally:
            terminate(player)


def test_microphone_gives_the_layout_that_was_playing(engine: SoundServer, tmp_path: Path) -> None:
    """Six seconds from the monitor are read as uneven 270-450 at 600 rpm; what was heard is kept, with cautions."""
    kept = tmp_path / "heard.wav"
    done = engine.run("analyse", "--microphone", 6, "--json", "--keep", kept)
    assert done.returncode == 0, done.stderr
    for words in ("carbon monoxide", "Protect your ears", "neighbours"):
        assert words in done.stderr
    answer = json.loads(done.stdout)
    assert answer["verdict"] == "uneven"
    # 3 degrees: what the first working analysis owes on clean renders; a cycle may begin at either pulse.
    assert sorted(answer["intervals_deg"]) == pytest.approx([270, 450], abs=3.0)
    assert LAYOUT in answer["readings"][0]["layouts"]
    assert answer["readings"][0]["rpm"] == pytest.approx(RPM, rel=0.03)  # it hunts by 1.2 % (standard deviation)
    clip = read_clip(kept)
    assert clip.duration_s == pytest.approx(6.0, abs=0.01)
    gaps = gaps_s(clip.samples, clip.sample_rate_hz, 2)  # and the plain ear hears the same in it
    assert 720 * gaps / gaps.sum() == pytest.approx([270, 450], abs=5.0)
    assert rpm_of(gaps) == pytest.approx(RPM, rel=0.03)


def test_existing_recording_is_not_replaced(engine: SoundServer, tmp_path: Path) -> None:
    """A file that exists is refused before the recorder is started: even the cautions that come first are not told."""
    kept = tmp_path / "heard.wav"
    kept.write_bytes(b"mine")
    done = engine.run("analyse", "--microphone", 30, "--keep", kept)
    assert done.returncode == 1
    (told,) = done.stderr.splitlines()
    assert "exists already" in told
    assert kept.read_bytes() == b"mine"


def test_level_is_shown_while_recording(engine: SoundServer) -> None:
    """On a terminal a bar with seconds and decibels moves while it records, and is gone at the end."""
    with terminal(engine.command("analyse", "--microphone", 2), engine.env) as tty:
        tty.wait_for(r"recording 1 of 2 s \[#+\.*\] peak -\d+ dB")
        assert tty.wait() in (0, 1)
        assert "[#" not in tty.lines[-2]


def test_unknown_microphone_is_one_clear_line(engine: SoundServer) -> None:
    """A device that is not there: exit code 1, the devices that are, and what to do instead."""
    done = engine.run("analyse", "--microphone", 2, "--device", "no such thing")
    assert done.returncode == 1
    assert done.stdout == ""
    last = done.stderr.splitlines()[-1]
    assert last.startswith("firing-pulse: --device no such thing: no device that records has that number or name")


def test_clipped_sound_is_told(sound_server: SoundServer, engine: SoundServer, tmp_path: Path) -> None:
    """A recording that reaches full scale comes with a caution and what to do."""
    loud = tmp_path / "loud.raw"
    time_s = np.arange(RATE_HZ) / RATE_HZ
    np.clip(3.0 * np.sin(2 * np.pi * 100 * time_s), -1, 1).astype("<f4").tofile(loud)
    with sound_server.background(loud):
        done = sound_server.run("analyse", "--microphone", 2)
    assert "samples are clipped; turn the input down" in done.stderr


def test_silence_is_told(tmp_path: Path) -> None:
    """With nothing playing the recording is called very quiet, and no rhythm is claimed."""
    if missing_packages():
        pytest.skip(f"no sound server can be started here: {missing_packages()} not installed")
    with running_server(tmp_path) as server:
        done = server.run("analyse", "--microphone", 2, "--json")
    assert "very quiet" in done.stderr
    assert '"even"' not in done.stdout
    assert '"uneven"' not in done.stdout


def test_microphone_that_goes_away_is_one_clear_line(tmp_path: Path) -> None:
    """A sound server that ends while recording: exit code 1 after the cautions, and no file is left."""
    if missing_packages():
        pytest.skip(f"no sound server can be started here: {missing_packages()} not installed")
    kept = tmp_path / "heard.wav"
    with running_server(tmp_path / "sound") as server:
        command = server.command("analyse", "--microphone", 60, "--keep", kept)
        process = subprocess.Popen(command, env=server.env, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        listed = ["pactl", "list", "short", "source-outputs"]
        wait_until(lambda: subprocess.check_output(listed, env=server.env), "nothing records", timeout_s=60)
        time.sleep(0.5)
        server.stop()
        stdout, stderr = process.communicate(timeout=60)
    assert process.returncode == 1
    assert stdout == ""
    assert stderr.splitlines()[-1].startswith("firing-pulse: the sound device has gone away while recording")
    assert not kept.exists()
