"""Everything a sound device can refuse, with a sound system made of paper in place of the real one."""

import errno
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from types import ModuleType, SimpleNamespace
from typing import Any

import numpy as np
import pytest
from click.testing import Result

from pulse_audio import player
from pulse_audio.errors import DeviceError
from pulse_audio.hurry import ahead_of_others, step_back
from pulse_audio.player import Device, choose_device

Run = Callable[..., Result]
CARDS = [
    {"name": "speakers", "max_output_channels": 2, "max_input_channels": 0, "default_samplerate": 48000.0},
    {"name": "Desk microphone", "max_output_channels": 0, "max_input_channels": 1, "default_samplerate": 44100.0},
    {"name": "Headset", "max_output_channels": 1, "max_input_channels": 1, "default_samplerate": 16000.0},
]


class PortAudioError(Exception):
    """As sounddevice defines it: a text and a code (documentation of sounddevice.PortAudioError)."""


class PaperStream:
    """A stream that asks for, or gives, blocks in a thread of its own, as fast as it can."""

    refusal: PortAudioError | None = None
    at_start: PortAudioError | None = None
    lives = 10**9  # blocks until the device is pulled out
    signal = 0.1
    overflows = False

    def __init__(self, **wanted: Any) -> None:
        if self.refusal:
            raise self.refusal
        self.wanted = wanted
        self.active, self.time, self.latency = False, 0.0, 0.02
        self._done = threading.Event()

    def start(self) -> None:
        """Begin."""
        if self.at_start:
            raise self.at_start
        self.active = True
        threading.Thread(target=self._run, daemon=True).start()

    def _run(self) -> None:
        frames = self.wanted.get("blocksize") or 512
        for number in range(self.lives):
            if self._done.is_set():
                break
            self.time = number * frames / self.wanted["samplerate"]
            times = SimpleNamespace(currentTime=self.time, outputBufferDacTime=self.time + 0.01)
            status = SimpleNamespace(output_underflow=False, input_overflow=self.overflows)
            data = np.full((frames, self.wanted["channels"]), self.signal, dtype=np.float32)
            self.wanted["callback"](data, frames, times, status)
            time.sleep(0.001)
        self.active = False

    def stop(self) -> None:
        """End."""
        self._done.set()

    abort = close = stop


@pytest.fixture
def sound(monkeypatch: pytest.MonkeyPatch) -> type[PaperStream]:
    """Put a paper sound system in the place of sounddevice; the class of its streams can be told to misbehave."""

    class Stream(PaperStream):
        pass

    fake: Any = ModuleType("sounddevice")
    fake.PortAudioError = PortAudioError
    fake.default = SimpleNamespace(device=[1, 0])
    fake.query_devices = lambda: CARDS
    fake.OutputStream = fake.InputStream = Stream
    monkeypatch.setitem(sys.modules, "sounddevice", fake)
    return Stream


DEVICES = tuple(
    Device(number=n, name=n_name, outputs=o, inputs=i, rate_hz=48000, is_default_output=n == 1, is_default_input=n == 2)
    for n, (n_name, o, i) in enumerate([("Speakers left", 2, 0), ("Speakers right", 2, 0), ("Microphone", 0, 1)])
)


@pytest.mark.parametrize(
    ("wanted", "kind", "number"),
    [(None, "output", 1), (None, "input", 2), ("0", "output", 0), ("RIGHT", "output", 1), ("micro", "input", 2)],
)
def test_device_is_found_by_number_or_part_of_its_name(wanted: str | None, kind: str, number: int) -> None:
    """No name takes the default, a number or a part of a name in any case takes that device."""
    assert choose_device(DEVICES, wanted, kind).number == number


@pytest.mark.parametrize(
    ("devices", "wanted", "kind", "words"),
    [
        (DEVICES, "speakers", "output", "fits several devices; give one number of: 0 Speakers left, 1 Speakers right"),
        (DEVICES, "2", "output", "no device that plays has that number or name; there are: 0 Speakers left, 1 Sp"),
        (DEVICES, "9", "input", "no device that records has that number or name; there are: 2 Microphone"),
        ((), None, "output", "no sound device that plays is connected"),
        (DEVICES[:2], None, "input", "no sound device that records is connected"),
    ],
)
def test_device_that_is_not_there_is_told(
    devices: tuple[Device, ...], wanted: str | None, kind: str, words: str
) -> None:
    """Several or none: the message names those that there are."""
    with pytest.raises(DeviceError, match=words):
        choose_device(devices, wanted, kind)


@pytest.mark.parametrize(
    ("code", "words"),
    [
        # Codes and texts of portaudio.h and Pa_GetErrorText.
        (-9985, "device 0 (speakers) is busy or unplugged; close the program that uses it"),
        (-9997, "device 0 (speakers) does not take 44100 samples a second; give --sample-rate 48000"),
        (-9998, "device 0 (speakers) does not take this number of channels"),
        (-9999, "device 0 (speakers) cannot be opened (Unanticipated host error)"),
    ],
)
@pytest.mark.parametrize("when", ["refusal", "at_start"])
def test_refusal_of_the_device_is_one_line_with_the_cure(
    sound: type[PaperStream], refused: Callable[..., str], code: int, words: str, when: str
) -> None:
    """Busy, wrong rate, wrong channels or worse: what to do, and that a file can be written instead."""
    setattr(sound, when, PortAudioError("Unanticipated host error", code))
    line = refused("play", "boxer-twin", "--seconds", 1, "--sample-rate", 44100)
    assert line.startswith(f"firing-pulse: {words}")
    assert line.endswith("or write files instead: firing-pulse render LAYOUT -o FILE.wav, or drill --print DIR")


def test_plays_to_the_end_on_a_device_of_paper(sound: type[PaperStream], run: Run) -> None:
    """One line on stdout, the caution on stderr, exit code 0."""
    done = run("play", "boxer-twin", "v-twin-45", "--seconds", 0.3)
    assert done.exit_code == 0, done.stderr
    assert done.stdout == "playing boxer-twin at 900 rpm, intervals 360-360, for 0.3 s\n"
    assert done.stderr.startswith("Caution: ")


def test_device_pulled_out_while_playing_is_told(sound: type[PaperStream], run: Run) -> None:
    """A stream that stops by itself ends the command with exit code 1 and one line."""
    sound.lives = 5
    done = run("play", "boxer-twin", "--seconds", 30)
    assert done.exit_code == 1
    assert done.stderr.splitlines()[-1].startswith("firing-pulse: the sound device has gone away while playing")


def test_list_of_devices(sound: type[PaperStream], run: Run) -> None:
    """Each device on a line with what it can do; no layout is needed for it."""
    assert run("play", "--list-devices").stdout.splitlines() == [
        "  0 speakers: plays 2, 48000 Hz (default)",
        "  1 Desk microphone: records 1, 44100 Hz (default)",
        "  2 Headset: plays 1, records 1, 16000 Hz",
    ]


@pytest.mark.parametrize("command", [("play", "boxer-twin"), ("drill",), ("play", "--list-devices")])
def test_without_portaudio_playing_says_what_to_install(tmp_path: Path, command: tuple[str, ...]) -> None:
    """Sounddevice raises OSError on import where the library is absent (its documentation, Installation)."""
    (tmp_path / "sounddevice.py").write_text("raise OSError('PortAudio library not found')\n")
    done = subprocess.run(
        [sys.executable, "-m", "pulse_audio", *command],
        env=os.environ | {"PYTHONPATH": str(tmp_path)}, stdin=subprocess.DEVNULL, capture_output=True, text=True,
        timeout=60, check=False,
    )  # fmt: skip
    assert done.returncode == 1
    (line,) = done.stderr.splitlines()
    assert "PortAudio library not found" in line
    assert "libportaudio2" in line
    assert "render LAYOUT -o FILE.wav" in line


def test_recording_has_its_length_rate_and_level(sound: type[PaperStream]) -> None:
    """As many frames as asked for at the device's own rate, mono, with the level reported on the way."""
    told: list[tuple[float, float]] = []
    taken = player.record(0.5, on_level=lambda done_s, peak: told.append((done_s, peak)))
    assert taken.clip.sample_rate_hz == 44100
    assert taken.clip.samples.shape == (22050,)
    assert np.allclose(taken.clip.samples, 0.1)
    assert (taken.clipped_frames, taken.gaps, taken.device) == (0, 0, "Desk microphone")
    assert told[-1] == (0.5, pytest.approx(0.1))


def test_clipping_and_gaps_of_a_recording_are_counted(sound: type[PaperStream]) -> None:
    """Every frame at full scale counts, and every report of lost input."""
    sound.signal, sound.overflows = 1.0, True
    taken = player.record(0.1, device="Headset")
    assert taken.clipped_frames == 1600
    assert taken.gaps >= 3


def test_microphone_pulled_out_is_told(sound: type[PaperStream]) -> None:
    """A recording that stops by itself is no recording."""
    sound.lives = 3
    with pytest.raises(DeviceError, match="gone away while recording"):
        player.record(60.0)


def test_microphone_that_refuses_is_told(sound: type[PaperStream]) -> None:
    """The cure for an input device that cannot be opened is a file recorded elsewhere."""
    sound.refusal = PortAudioError("Device unavailable", -9985)
    with pytest.raises(DeviceError, match=r"is busy or unplugged.*firing-pulse analyse FILE"):
        player.record(1.0)


def test_native_messages_vanish_and_pythons_own_arrive() -> None:
    """What C libraries write to file descriptor 2 is dropped, what Python writes to stderr is not."""
    code = (
        "import os, sys; from pulse_audio import player\n"
        "with player._native_messages_dropped():\n"
        "    os.write(2, b'ALSA lib noise'); print('ours', file=sys.stderr)\n"
        "print('after', file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=True)
    assert done.stderr.splitlines() == ["ours", "after"]


def test_scheduling_that_the_system_refuses_is_left_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    """A C library may have the calls and answer each with ENOSYS: the sound goes on without."""

    def refuse(*_: object) -> None:
        raise OSError(errno.ENOSYS, "Function not implemented")

    for name in ("sched_getscheduler", "sched_getparam", "sched_setscheduler"):
        monkeypatch.setattr(os, name, refuse, raising=False)
    with ahead_of_others() as allowed:
        step_back()
    assert not allowed


def test_scheduling_is_put_back() -> None:
    """Sound may go ahead of other programs while it plays, and not after; where it is not allowed nothing happens."""
    if not hasattr(os, "sched_getscheduler"):
        pytest.skip("this system has no real-time scheduling")
    before = os.sched_getscheduler(0)
    with ahead_of_others() as allowed:
        assert (os.sched_getscheduler(0) == os.SCHED_RR) == (allowed or before == os.SCHED_RR)
    assert os.sched_getscheduler(0) == before
