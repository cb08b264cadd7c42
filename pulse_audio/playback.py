"""Sound block by block: a worker thread makes blocks ahead of time, the device's callback only copies them.

This module knows no sound device; `player` opens one and hands over its stream, and tests hand over a fake one.
Everything that changes the sound is done by the worker between two blocks, so the source needs no locks.
"""

import contextlib
import gc
import queue
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Generic, Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

from pulse_audio.errors import DeviceError

Floats = NDArray[np.float64]
BLOCK_FRAMES = 256
# 4 blocks of 256 at 48 kHz and the one in hand are 27 ms, longer than the bursts in which sound servers ask for them,
# and 6 in the device another 32 to 37 ms: a key is heard after some 65 ms. With 4 in the device a busy machine let it
# run dry 54 times in 10 minutes, with 6 not once (tests/bench/bench_play.py).
QUEUE_BLOCKS = 4
DEVICE_BLOCKS = 6
# A sound server may take 1.6 s before it asks for the second block (seen with a null sink that was asleep).
SILENCE_MEANS_LOST_S = 5.0
CLOSE_WAIT_S = 2.0
RECENT_S = 60.0
UNHEARD_S = 1.0  # the sound rises from silence, and a sound server that wakes up may run dry meanwhile

Scene_co = TypeVar("Scene_co", covariant=True)


class Source(Protocol[Scene_co]):
    """What can be played."""

    def next_block(self, n_frames: int) -> Floats:
        """Return the next samples, shape (n_frames,) or (n_frames, channels); fewer than asked for at the end."""

    def scene(self) -> Scene_co:
        """Return a frozen description of the source as it is at the next frame."""


class Stream(Protocol):
    """The part of a device's output stream that playback needs."""

    @property
    def active(self) -> bool:
        """Whether the device still asks for blocks."""

    @property
    def time(self) -> float:
        """The stream's own clock, seconds."""

    @property
    def latency(self) -> float:
        """Seconds from callback to ear where the callback is not told better."""

    def start(self) -> None:
        """Begin to call back."""

    def stop(self) -> None:
        """Stop once what was handed over has been heard."""

    def abort(self) -> None:
        """Stop now."""

    def close(self) -> None:
        """Give the device back."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Dropouts:
    """How often the sound was broken, by cause."""

    late_blocks: int = 0
    device: int = 0

    @property
    def total(self) -> int:
        """Breaks of either kind."""
        return self.late_blocks + self.device

    def advice(self, block_frames: int, when: str = "") -> str:
        """Say what broke, `when`, and which option cures it; empty if nothing did."""
        parts = []
        if self.late_blocks:
            parts.append(f"{self.late_blocks} {_plural('block', self.late_blocks)} not ready in time")
        if self.device:
            parts.append(f"the device ran dry {self.device} {_plural('time', self.device)}")
        if not parts:
            return ""
        return f"dropouts{when}: {' and '.join(parts)}; a longer block helps: --block {2 * block_frames}"


def _plural(word: str, count: int) -> str:
    return word if count == 1 else word + "s"


class Playback(Generic[Scene_co]):
    """Plays one source through one stream.

    Parameters
    ----------
    source : Source
        Used by the worker thread only; change it through `do`.
    sample_rate_hz, channels, block_frames, queue_blocks : int
        One channel is copied to two; two are averaged into one.
    """

    def __init__(
        self,
        source: Source[Scene_co],
        *,
        sample_rate_hz: int,
        channels: int = 1,
        block_frames: int = BLOCK_FRAMES,
        queue_blocks: int = QUEUE_BLOCKS,
    ) -> None:
        self.sample_rate_hz = sample_rate_hz
        self.channels = channels
        self.block_frames = block_frames
        self.finished = threading.Event()
        self._source = source
        # A device fills its own buffer at one go when it starts; until then the queue holds that much more.
        self._ready: queue.Queue[NDArray[np.float32] | None] = queue.Queue(maxsize=queue_blocks + 2 * DEVICE_BLOCKS)
        self._queue_blocks = queue_blocks
        self._actions: queue.SimpleQueue[Callable[[], object]] = queue.SimpleQueue()
        self._scenes: deque[tuple[int, Scene_co]] = deque(maxlen=4096)
        self._scenes_lock = threading.Lock()
        self._stopping = threading.Event()
        self._worker = threading.Thread(target=self._make_blocks, name="sound worker", daemon=True)
        self._failure: BaseException | None = None
        self._stream: Stream | None = None
        self._frames_out = 0
        self._anchor = (0, 0.0)  # a frame, and the stream time at which it is heard
        self._last_call_s = 0.0
        self._late_blocks = 0
        self._device_dropouts = 0
        self._broken: deque[tuple[float, bool]] = deque(maxlen=16_384)  # when, and whether by the device

    def start(self, stream: Stream) -> None:
        """Fill the queue, then let the stream begin to call `callback`."""
        self._stream = stream
        # A full collection of all loaded modules takes longer than the queue lasts; they need no looking through.
        gc.collect()
        gc.freeze()
        self._worker.start()
        while not (self._ready.full() or self._failure or self.finished.is_set() or not self._worker.is_alive()):
            time.sleep(0.001)
        self.check()
        self._ready.maxsize = self._queue_blocks
        self._last_call_s = time.monotonic()
        stream.start()

    def callback(self, outdata: NDArray[np.float32], frames: int, times: Any, status: Any) -> None:
        """Copy one block to the device; called by the device's thread, so it never waits and never computes."""
        self._last_call_s = time.monotonic()
        if status.output_underflow:
            self._device_dropouts += 1
            self._note_break(of_device=True)
        try:
            block = None if self.finished.is_set() else self._ready.get_nowait()
        except queue.Empty:
            self._late_blocks += 1
            self._note_break(of_device=False)
            outdata.fill(0)
            return
        if block is None:
            self.finished.set()
            outdata.fill(0)
            return
        outdata[:] = block
        delay_s = times.outputBufferDacTime - times.currentTime
        if delay_s <= 0:  # some devices do not say
            delay_s = self._stream.latency if self._stream else 0.0
        self._anchor = (self._frames_out, times.currentTime + delay_s)
        self._frames_out += frames

    def _note_break(self, *, of_device: bool) -> None:
        if self._frames_out > UNHEARD_S * self.sample_rate_hz:
            self._broken.append((self._last_call_s, of_device))

    def do(self, action: Callable[[], object]) -> None:
        """Have the worker run an action on the source before it makes the next block."""
        self._actions.put(action)

    @property
    def dropouts(self) -> Dropouts:
        """Breaks so far."""
        return Dropouts(late_blocks=self._late_blocks, device=self._device_dropouts)

    @property
    def recent_dropouts(self) -> Dropouts:
        """Breaks of the last minute, without those in the first second, which is close to silence."""
        since_s = time.monotonic() - RECENT_S
        recent = [of_device for at_s, of_device in tuple(self._broken) if at_s >= since_s]
        return Dropouts(late_blocks=recent.count(False), device=recent.count(True))

    @property
    def heard_frame(self) -> float:
        """The frame that leaves the loudspeaker now, by the stream's own clock."""
        frame, at_s = self._anchor
        since_s = self._stream.time - at_s if self._stream else 0.0
        return min(max(frame + since_s * self.sample_rate_hz, 0.0), float(self._frames_out))

    def heard(self) -> tuple[Scene_co, float]:
        """Return the scene of the block that is heard now, and the seconds since that block began."""
        frame = self.heard_frame
        with self._scenes_lock:
            while len(self._scenes) > 1 and self._scenes[1][0] <= frame:
                self._scenes.popleft()
            first, scene = self._scenes[0]
        return scene, max(frame - first, 0.0) / self.sample_rate_hz

    def check(self) -> None:
        """Raise what stopped the sound, if anything did.

        Raises
        ------
        DeviceError
            The device has gone.
        """
        if self._failure is not None:
            raise self._failure
        if self._stream is None or self.finished.is_set() or not self._last_call_s:
            return
        silent_s = time.monotonic() - self._last_call_s
        if not self._stream.active or silent_s > SILENCE_MEANS_LOST_S:
            raise DeviceError(
                "the sound device has gone away while playing; connect it and start again, "
                "or write files instead: firing-pulse render LAYOUT -o FILE.wav, or drill --print DIR"
            )

    def close(self) -> None:
        """Stop the worker and give the device back; a device that does not answer is left behind after 2 s."""
        self._stopping.set()
        with contextlib.suppress(queue.Empty):
            while True:
                self._ready.get_nowait()
        if self._worker.is_alive():
            self._worker.join(CLOSE_WAIT_S)
        closer = threading.Thread(target=self._close_stream, name="sound closer", daemon=True)
        closer.start()
        closer.join(CLOSE_WAIT_S)
        gc.unfreeze()

    def _close_stream(self) -> None:
        stream = self._stream
        if stream is None:
            return
        with contextlib.suppress(Exception):
            if self.finished.is_set():
                stream.stop()
            else:
                stream.abort()
        with contextlib.suppress(Exception):
            stream.close()

    def _make_blocks(self) -> None:
        made = 0
        try:
            ended = False
            while not (ended or self._stopping.is_set()):
                with contextlib.suppress(queue.Empty):
                    while True:
                        self._actions.get_nowait()()
                with self._scenes_lock:
                    self._scenes.append((made, self._source.scene()))
                samples = self._source.next_block(self.block_frames)
                block = np.zeros((self.block_frames, self.channels), dtype=np.float32)
                block[: len(samples)] = _on_channels(samples, self.channels)
                ended = len(samples) < self.block_frames
                made += self.block_frames
                self._hand_over(block)
            # Some devices, when stopped, drop what they still hold: let that be silence.
            for _ in range(DEVICE_BLOCKS):
                self._hand_over(np.zeros((self.block_frames, self.channels), dtype=np.float32))
            self._hand_over(None)
        except BaseException as e:  # a thread's error is shown by the thread that waits for it
            self._failure = e
            self._hand_over(None)

    def _hand_over(self, block: NDArray[np.float32] | None) -> None:
        while not self._stopping.is_set():
            with contextlib.suppress(queue.Full):
                self._ready.put(block, timeout=0.1)
                return


def _on_channels(samples: Floats, channels: int) -> Floats:
    wide = samples[:, None] if samples.ndim == 1 else samples
    return wide.mean(axis=1, keepdims=True) if channels == 1 else wide
