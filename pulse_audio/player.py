"""Loudspeaker and microphone: the only module that imports sounddevice, and only when sound is to pass.

Everything a sound device can refuse becomes one `DeviceError` that says what to do instead.
"""

import contextlib
import os
import queue
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from types import ModuleType
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from pulse_audio.clip import Clip
from pulse_audio.errors import DeviceError
from pulse_audio.files import shown
from pulse_audio.hurry import ahead_of_others
from pulse_audio.playback import BLOCK_FRAMES, CLOSE_WAIT_S, DEVICE_BLOCKS, SILENCE_MEANS_LOST_S, Playback, Source

FULL_SCALE = 0.999  # a sample at or above this has been cut off by the converter (16 bit: 32735 of 32768)
INSTEAD = {
    "output": "; or write files instead: firing-pulse render LAYOUT -o FILE.wav, or drill --print DIR",
    "input": "; or analyse a file recorded elsewhere: firing-pulse analyse FILE",
}
# Codes of the PortAudio interface (portaudio.h, enum PaErrorCode).
NO_SUCH_RATE, DEVICE_TAKEN, NO_SUCH_CHANNELS = -9997, -9985, -9998

METER_S = 0.1

SceneT = TypeVar("SceneT")


@dataclass(frozen=True, kw_only=True, slots=True)
class Device:
    """A sound device as the system names it."""

    number: int
    name: str
    outputs: int
    inputs: int
    rate_hz: int
    is_default_output: bool
    is_default_input: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class Recording:
    """What a microphone gave.

    Attributes
    ----------
    clip : Clip
        Mono.
    clipped_frames : int
        Frames at full scale, where the true sound is not known.
    gaps : int
        How often the device lost frames.
    device : str
    """

    clip: Clip
    clipped_frames: int
    gaps: int
    device: str


@contextlib.contextmanager
def _native_messages_dropped() -> Iterator[None]:
    """Silence what the system's sound libraries write to file descriptor 2 themselves; our own line says it better.

    What Python writes to `sys.stderr` still arrives.
    """
    try:
        kept = os.dup(2)
    except OSError:  # started without a standard error
        yield
        return
    before = sys.stderr
    try:
        with contextlib.suppress(AttributeError, OSError, ValueError):
            before.flush()
            if before.fileno() == 2:
                sys.stderr = open(  # noqa: SIM115 - closed below, once the old one is back
                    os.dup(kept), "w", buffering=1, encoding=before.encoding, errors=before.errors
                )
        with open(os.devnull, "wb") as nothing:
            os.dup2(nothing.fileno(), 2)
        yield
    finally:
        os.dup2(kept, 2)
        os.close(kept)
        if sys.stderr is not before:
            sys.stderr.close()
            sys.stderr = before


def _sounddevice(kind: str) -> ModuleType:
    try:
        with _native_messages_dropped():
            import sounddevice
    except (ImportError, OSError) as e:
        raise DeviceError(
            f"no sound: the sounddevice package or the PortAudio library does not load ({e}); "
            f"install PortAudio (Debian: libportaudio2){INSTEAD[kind]}"
        ) from e
    return sounddevice  # type: ignore[no-any-return]


def list_devices() -> tuple[Device, ...]:
    """Return every device that plays or records.

    Raises
    ------
    DeviceError
        PortAudio does not load.
    """
    sounddevice = _sounddevice("output")
    default_input, default_output = sounddevice.default.device
    return tuple(
        Device(
            number=number,
            name=str(info["name"]),
            outputs=int(info["max_output_channels"]),
            inputs=int(info["max_input_channels"]),
            rate_hz=round(info["default_samplerate"]),
            is_default_output=number == default_output,
            is_default_input=number == default_input,
        )
        for number, info in enumerate(sounddevice.query_devices())
    )


def choose_device(devices: tuple[Device, ...], wanted: str | None, kind: str) -> Device:
    """Return the device with a number or (a part of) a name; the default one if `wanted` is None.

    Parameters
    ----------
    kind : str
        ``output`` or ``input``.

    Raises
    ------
    DeviceError
        None fits, or several do.
    """
    able = [d for d in devices if (d.outputs if kind == "output" else d.inputs) > 0]
    verb = "plays" if kind == "output" else "records"
    if not able:
        raise DeviceError(f"no sound device that {verb} is connected; connect one{INSTEAD[kind]}")
    if wanted is None:
        return next((d for d in able if (d.is_default_output if kind == "output" else d.is_default_input)), able[0])
    exact = [d for d in able if str(d.number) == wanted or d.name.lower() == wanted.lower()]
    near = exact or [d for d in able if wanted.lower() in d.name.lower()]
    if len(near) == 1:
        return near[0]
    names = ", ".join(f"{d.number} {shown(d.name)}" for d in (near or able))
    if near:
        raise DeviceError(f"--device {shown(wanted)} fits several devices; give one number of: {names}")
    raise DeviceError(f"--device {shown(wanted)}: no device that {verb} has that number or name; there are: {names}")


def _refusal(error: Exception, device: Device, kind: str, rate_hz: int) -> DeviceError:
    """Say in one line why a device could not be opened."""
    code = error.args[1] if len(error.args) > 1 else None
    name = f"device {device.number} ({shown(device.name)})"
    if code == NO_SUCH_RATE:
        why = f"{name} does not take {rate_hz} samples a second; give --sample-rate {device.rate_hz}"
    elif code == DEVICE_TAKEN:
        why = f"{name} is busy or unplugged; close the program that uses it, or choose another with --device"
    elif code == NO_SUCH_CHANNELS:
        why = f"{name} does not take this number of channels; choose another with --device"
    else:
        said = str(error.args[0]) if error.args else str(error)
        why = f"{name} cannot be opened ({' '.join(said.split())}); choose another with --device (see --list-devices)"
    return DeviceError(why + INSTEAD[kind])


@contextlib.contextmanager
def playing(
    source: Source[SceneT], *, sample_rate_hz: int, device: str | None = None, block_frames: int = BLOCK_FRAMES
) -> Iterator[Playback[SceneT]]:
    """Play a source while the block runs.

    Parameters
    ----------
    source : Source
    sample_rate_hz : int
    device : str or None
        Number or name; the system's default if None.
    block_frames : int
        Frames in one block: longer is safer, shorter acts sooner.

    Raises
    ------
    DeviceError
        No device, a busy one, one that does not take this sample rate, or one that goes away.
    """
    with ahead_of_others(), _native_messages_dropped():
        sounddevice = _sounddevice("output")
        chosen = choose_device(list_devices(), device, "output")
        playback = Playback(
            source, sample_rate_hz=sample_rate_hz, channels=min(chosen.outputs, 2), block_frames=block_frames
        )
        try:
            stream = sounddevice.OutputStream(
                device=chosen.number,
                samplerate=sample_rate_hz,
                blocksize=block_frames,
                channels=playback.channels,
                dtype="float32",
                latency=DEVICE_BLOCKS * block_frames / sample_rate_hz,
                callback=playback.callback,
            )
        except (sounddevice.PortAudioError, ValueError) as e:
            raise _refusal(e, chosen, "output", sample_rate_hz) from e
        try:
            try:
                playback.start(stream)
            except sounddevice.PortAudioError as e:
                raise _refusal(e, chosen, "output", sample_rate_hz) from e
            yield playback
        finally:
            playback.close()


def record(
    duration_s: float,
    *,
    device: str | None = None,
    on_level: Callable[[float, float], None] | None = None,
) -> Recording:
    """Record one channel from an input device.

    Parameters
    ----------
    duration_s : float
    device : str or None
        Number or name; the system's default if None.
    on_level : callable or None
        Called about ten times a second with the seconds recorded and the peak (1 is full scale) since the last call.

    Raises
    ------
    DeviceError
        No device, a busy one, one that does not take this sample rate, or one that goes away.
    """
    sounddevice = _sounddevice("input")
    chosen = choose_device(list_devices(), device, "input")
    rate_hz = chosen.rate_hz
    wanted = round(duration_s * rate_hz)
    arrived: queue.SimpleQueue[NDArray[np.float32]] = queue.SimpleQueue()
    gaps = [0]

    def keep(indata: NDArray[np.float32], _frames: int, _times: Any, status: Any) -> None:
        gaps[0] += bool(status.input_overflow)
        arrived.put(indata[:, 0].copy())

    blocks: list[NDArray[np.float32]] = []
    done = 0
    with _native_messages_dropped():
        try:
            stream = sounddevice.InputStream(
                device=chosen.number, samplerate=rate_hz, channels=1, dtype="float32", latency="high", callback=keep
            )
        except (sounddevice.PortAudioError, ValueError) as e:
            raise _refusal(e, chosen, "input", rate_hz) from e
        try:
            try:
                stream.start()
            except sounddevice.PortAudioError as e:
                raise _refusal(e, chosen, "input", rate_hz) from e
            while done < wanted:
                new = _arrived(arrived, stream)
                blocks += new
                done += sum(len(block) for block in new)
                if on_level is not None:
                    on_level(min(done, wanted) / rate_hz, float(max(np.abs(block).max() for block in new)))
        finally:
            # A device that has gone may never answer; it is left behind after 2 s.
            closer = threading.Thread(target=stream.close, daemon=True)
            closer.start()
            closer.join(CLOSE_WAIT_S)
    samples = np.concatenate(blocks)[:wanted].astype(np.float64)
    return Recording(
        clip=Clip(samples=samples, sample_rate_hz=rate_hz),
        clipped_frames=int(np.count_nonzero(np.abs(samples) >= FULL_SCALE)),
        gaps=gaps[0],
        device=chosen.name,
    )


def _arrived(arrived: "queue.SimpleQueue[NDArray[np.float32]]", stream: Any) -> list[NDArray[np.float32]]:
    """Wait for the blocks of the next tenth of a second, at least one."""
    until = time.monotonic() + SILENCE_MEANS_LOST_S
    blocks: list[NDArray[np.float32]] = []
    enough = time.monotonic() + METER_S
    while not blocks or time.monotonic() < enough:
        try:
            blocks.append(arrived.get(timeout=METER_S))
        except queue.Empty:
            if not blocks and (not stream.active or time.monotonic() > until):
                raise DeviceError(
                    "the sound device has gone away while recording; connect it and start again"
                ) from None
    return blocks
