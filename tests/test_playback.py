"""The queue between the worker that makes sound and the device that plays it, with a device made of paper."""
# ruff: noqa: D102 - the methods of the stand-ins are those of the protocols in playback

import gc
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from types import SimpleNamespace

import numpy as np
import pytest
from numpy.typing import NDArray

from pulse_audio.console import play_unattended
from pulse_audio.errors import DeviceError, PulseError
from pulse_audio.playback import DEVICE_BLOCKS, Dropouts, Playback

RATE_HZ = 48_000
FINE = SimpleNamespace(output_underflow=False)
DRY = SimpleNamespace(output_underflow=True)


@dataclass
class Counter:
    """A source whose samples are their own numbers, so that a lost or doubled block shows."""

    length: int = 10**9
    channels: int = 1
    frame: int = 0
    step: int = 1
    wait: Callable[[], object] = lambda: None
    calls: list[int] = field(default_factory=list)

    def next_block(self, n_frames: int) -> NDArray[np.float64]:
        self.wait()
        self.calls.append(n_frames)
        count = min(n_frames, self.length - self.frame)
        samples = np.arange(self.frame, self.frame + count) * float(self.step)
        self.frame += count
        return samples if self.channels == 1 else np.column_stack([samples, -samples])

    def scene(self) -> int:
        return self.frame


class PaperStream:
    """A device that asks for blocks only when the test says so, and whose clock the test sets."""

    def __init__(self, latency: float = 0.02) -> None:
        self.active, self.time, self.latency = True, 0.0, latency
        self.log: list[str] = []

    def start(self) -> None:
        self.log.append("start")

    def stop(self) -> None:
        self.log.append("stop")

    def abort(self) -> None:
        self.log.append("abort")

    def close(self) -> None:
        self.log.append("close")


def pull(playback: Playback[int], frames: int = 256, *, status: object = FINE, now_s: float = 0.0, dac_s: float = 0.0,
         channels: int = 1) -> NDArray[np.float32]:  # fmt: skip
    out = np.full((frames, channels), np.nan, dtype=np.float32)
    playback.callback(out, frames, SimpleNamespace(currentTime=now_s, outputBufferDacTime=dac_s), status)
    return out


def settle(happened: Callable[[], object]) -> None:
    until = time.monotonic() + 5.0
    while not happened():
        assert time.monotonic() < until
        time.sleep(0.001)


@pytest.fixture
def started() -> object:
    """Make a started playback that is closed after the test."""
    made: list[Playback[int]] = []

    def start(source: Counter, stream: PaperStream | None = None, **options: int) -> Playback[int]:
        playback = Playback(source, sample_rate_hz=RATE_HZ, **options)
        made.append(playback)
        playback.start(stream or PaperStream())
        return playback

    yield start
    for playback in made:
        playback.close()


Start = Callable[..., Playback[int]]


@pytest.mark.parametrize(("made", "channels"), [(1, 1), (2, 2), (1, 2), (2, 1)])
def test_device_gets_every_sample_once_and_in_order(started: Start, made: int, channels: int) -> None:
    """What the source makes arrives whole, through more blocks than the queue holds; one channel fills two."""
    playback = started(Counter(channels=made), queue_blocks=3, channels=channels)
    blocks = []
    for _ in range(20):
        settle(lambda: not playback._ready.empty())
        blocks.append(pull(playback, channels=channels))
    heard = np.concatenate(blocks)
    # The second channel of a two-channel source is the first one upside down, so that their mean is silence.
    assert np.array_equal(heard[:, 0], np.arange(20 * 256) * (0 if (made, channels) == (2, 1) else 1))
    assert channels == 1 or np.array_equal(heard[:, 1], heard[:, 0] * (-1 if made == 2 else 1))
    assert playback.dropouts.total == 0


def test_queue_is_full_before_the_device_begins_and_short_afterwards(started: Start) -> None:
    """A device's first gulp of eight blocks finds them ready; then four wait, so that keys act soon."""
    source = Counter()
    stream = PaperStream()
    playback = started(source, stream, queue_blocks=4)
    assert stream.log == ["start"]
    for _ in range(8):
        pull(playback)
    assert playback.dropouts.total == 0
    for _ in range(10):
        settle(lambda: not playback._ready.empty())
        pull(playback)
    settle(lambda: playback._ready.qsize() == 4)
    time.sleep(0.05)
    assert playback._ready.qsize() == 4


def test_late_worker_gives_silence_and_is_counted_apart_from_a_dry_device(started: Start) -> None:
    """An empty queue and a device underflow are two faults with two counts, and no sample is lost by either."""
    gate = threading.Event()
    gate.set()
    playback = started(Counter(wait=gate.wait), queue_blocks=2)
    gate.clear()
    made = []
    while True:
        block = pull(playback)
        if playback.dropouts.late_blocks:
            break
        made.append(block)
    assert np.all(block == 0)
    assert playback.dropouts == Dropouts(late_blocks=1, device=0)
    gate.set()
    settle(lambda: not playback._ready.empty())
    made.append(pull(playback, status=DRY))
    assert playback.dropouts == Dropouts(late_blocks=1, device=1)
    assert np.array_equal(np.concatenate(made)[:, 0], np.arange(len(made) * 256))


def test_failure_that_also_ends_the_sound_is_told(started: Start) -> None:
    """A source that fails ends the sound: who waits for the end is told of the failure all the same."""
    broken = threading.Event()

    def fail() -> None:
        if broken.is_set():
            raise PulseError("the source is broken")

    playback = started(Counter(wait=fail), queue_blocks=2)
    broken.set()
    while not playback.finished.is_set():
        pull(playback)
    with pytest.raises(PulseError, match="the source is broken"):
        play_unattended(playback)


def test_recent_dropouts_leave_out_the_silent_start_and_are_forgotten(
    started: Start, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A break in the first second is not told on the screen, a later one is, and no more once it is old; all count."""
    playback = started(Counter())
    pull(playback, status=DRY)
    assert playback.recent_dropouts.total == 0
    for _ in range(RATE_HZ // 256 + 1):
        settle(lambda: not playback._ready.empty())
        pull(playback)
    pull(playback, status=DRY)
    assert playback.recent_dropouts.device == 1
    monkeypatch.setattr("pulse_audio.playback.RECENT_S", 0.01)
    time.sleep(0.02)
    assert playback.recent_dropouts == Dropouts()
    assert playback.dropouts.device == 2


def test_advice_names_each_fault_and_the_option_that_cures_it() -> None:
    """Both kinds of dropout are told, with the block length to try."""
    assert Dropouts().advice(256) == ""
    assert Dropouts(late_blocks=1, device=2).advice(256) == (
        "dropouts: 1 block not ready in time and the device ran dry 2 times; a longer block helps: --block 512"
    )


def test_an_action_is_heard_after_the_queued_blocks(started: Start) -> None:
    """A change made now is in the first block that is made after it, whole, and in none before."""
    source = Counter(step=1)
    playback = started(source, queue_blocks=4)
    for _ in range(20):
        settle(lambda: not playback._ready.empty())
        pull(playback)
    settle(lambda: len(source.calls) == 25)  # twenty played, four queued, one in the worker's hand
    playback.do(lambda: setattr(source, "step", -1))
    signs = []
    for _ in range(8):
        settle(lambda: not playback._ready.empty())
        signs.append(set(np.sign(pull(playback)[1:, 0])))
    assert signs == [{1.0}] * 5 + [{-1.0}] * 3


def test_end_of_the_source_is_played_out_then_finished(started: Start) -> None:
    """The last block is filled up with silence; the end is known once silence has pushed all out of the device."""
    playback = started(Counter(length=300))
    assert np.array_equal(pull(playback)[:, 0], np.arange(256))
    last = pull(playback)[:, 0]
    assert np.array_equal(last[:44], np.arange(256, 300))
    assert np.all(last[44:] == 0)
    for _ in range(DEVICE_BLOCKS + 1):
        assert not playback.finished.is_set()
        settle(lambda: not playback._ready.empty())
        assert np.all(pull(playback) == 0)
    assert playback.finished.is_set()
    assert np.all(pull(playback) == 0)
    assert playback.dropouts.total == 0
    playback.check()


def test_scene_follows_the_sound_and_not_the_worker(started: Start) -> None:
    """The scene shown is that of the frame which leaves the loudspeaker by the stream's clock."""
    stream = PaperStream()
    playback = started(Counter(), stream, queue_blocks=8)
    for block in range(4):
        pull(playback, now_s=10.0 + block * 256 / RATE_HZ, dac_s=10.03 + block * 256 / RATE_HZ)
    stream.time = 10.03 + 300 / RATE_HZ  # frame 300 is being heard: 44 frames into the second block
    scene, since_s = playback.heard()
    assert scene == 256
    assert since_s == pytest.approx(44 / RATE_HZ, abs=1e-9)
    assert playback.heard_frame == pytest.approx(300, abs=1e-3)


def test_stream_latency_stands_in_where_the_device_gives_no_times(started: Start) -> None:
    """A device whose callback times are equal is taken at its stream latency."""
    stream = PaperStream(latency=0.05)
    playback = started(Counter(), stream)
    pull(playback, now_s=2.0, dac_s=2.0)
    pull(playback, now_s=2.0, dac_s=2.0)
    stream.time = 2.05 + 100 / RATE_HZ
    assert playback.heard_frame == pytest.approx(356, abs=1e-3)


def test_heard_frame_never_runs_ahead_of_what_was_handed_over(started: Start) -> None:
    """A stream clock that goes on while nothing is handed over does not move the marker past the sound."""
    stream = PaperStream()
    playback = started(Counter(), stream)
    assert playback.heard_frame == 0
    pull(playback, now_s=1.0, dac_s=1.02)
    stream.time = 9.0
    assert playback.heard_frame == 256


def test_error_of_the_source_reaches_the_caller(started: Start) -> None:
    """A worker that fails stops the sound, and `check` raises what went wrong."""

    def fail() -> None:
        raise PulseError("the exhaust fell off")

    playback = started(Counter(), queue_blocks=2)
    playback.do(fail)
    settle(lambda: pull(playback) is not None and playback._failure)
    with pytest.raises(PulseError, match="the exhaust fell off"):
        playback.check()


def test_device_that_goes_away_is_told(started: Start) -> None:
    """A stream that is no longer active though nobody stopped it is a lost device."""
    stream = PaperStream()
    playback = started(Counter(), stream)
    playback.check()
    stream.active = False
    with pytest.raises(DeviceError, match="gone away"):
        playback.check()


def test_device_that_falls_silent_is_told(started: Start, monkeypatch: pytest.MonkeyPatch) -> None:
    """A device that stops asking for blocks is lost even if it claims to be active."""
    monkeypatch.setattr("pulse_audio.playback.SILENCE_MEANS_LOST_S", 0.05)
    playback = started(Counter())
    pull(playback)
    time.sleep(0.1)
    with pytest.raises(DeviceError, match="gone away"):
        playback.check()


def test_closing_does_not_wait_for_a_device_that_never_answers(monkeypatch: pytest.MonkeyPatch) -> None:
    """A stream that hangs on closing is left behind."""
    monkeypatch.setattr("pulse_audio.playback.CLOSE_WAIT_S", 0.05)
    release = threading.Event()
    stream = PaperStream()
    stream.abort = release.wait  # type: ignore[method-assign]
    playback = Playback(Counter(), sample_rate_hz=RATE_HZ)
    playback.start(stream)
    playback.close()
    assert "close" not in stream.log
    release.set()
    settle(lambda: "close" in stream.log)


def test_stream_is_stopped_softly_at_the_end_and_at_once_otherwise() -> None:
    """What was handed over is heard to its end if the source ended; a quit cuts it."""
    for length, expected in ((10, ["start", "stop", "close"]), (10**9, ["start", "abort", "close"])):
        stream = PaperStream()
        playback = Playback(Counter(length=length), sample_rate_hz=RATE_HZ)
        playback.start(stream)
        for _ in range(2 + DEVICE_BLOCKS):
            settle(lambda p=playback: not p._ready.empty())
            pull(playback)
        playback.close()
        assert stream.log == expected
    assert gc.get_freeze_count() == 0
