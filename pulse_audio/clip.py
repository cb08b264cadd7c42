"""Sound clips in and out of files. The only module that imports soundfile.

Samples are float64, full scale is 1, shape (frames,) for mono or (frames, channels).
"""

import contextlib
import io
import os
import re
import signal
import threading
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from numbers import Integral
from pathlib import Path
from types import ModuleType
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

from pulse_audio import checks
from pulse_audio.errors import ClipError, OutputError
from pulse_audio.files import replaced_file, shown, unread_reason

Floats = NDArray[np.float64]
FORMATS = {".wav": "WAV", ".flac": "FLAC", ".ogg": "OGG"}
SUBTYPES = {"16": "PCM_16", "24": "PCM_24", "float": "FLOAT"}
MAX_CHANNELS = 64
RATES_HZ = (1_000, 400_000)
MAX_CHANNELS_WRITTEN = 8  # FLAC has no more; OGG with hundreds brings libsndfile down
BLOCK_FRAMES = 1 << 13  # a damaged block is lost whole, so they are short
LATEST_S = 1e9  # later than any file lasts
LARGEST_SAMPLE = 1e10  # whole numbers of 32 bits stored as float without scaling still pass
NO_NUMBERS = "holds samples that are no numbers or beyond any scale"
CANCELLED = 1e-3  # of the channels' power is left in their mean
PROMISE = re.compile(r"^ *(?:data|SSND) *: (\d+) \(should be (\d+)\)", re.MULTILINE)
UNKNOWN_LENGTH = 0x7FFFF000  # recorders that write as they go put a number above this where the length should be


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Clip:
    """Sampled sound.

    Attributes
    ----------
    samples : ndarray of float64, shape (frames,) or (frames, channels)
    sample_rate_hz : int
    cut_short : bool
        Whether the file it came from promised more sound than it held.

    Raises
    ------
    ClipError
        Samples of another kind or shape, or a rate that is no whole number above 0. That every sample is a number is
        not checked here: it costs as much as reading them.
    """

    samples: Floats
    sample_rate_hz: int
    cut_short: bool = False

    def __post_init__(self) -> None:
        """Refuse what is no sound."""
        kind = getattr(self.samples, "dtype", type(self.samples).__name__)
        if kind != np.float64:
            raise ClipError(
                f"samples are {kind}; give an array of float64, full scale 1 (16-bit ones divided by 32768)"
            )
        if self.samples.ndim not in (1, 2) or 0 in self.samples.shape[1:]:
            raise ClipError(f"samples have the shape {self.samples.shape}; give (frames,) or (frames, channels)")
        if not isinstance(self.sample_rate_hz, Integral) or self.sample_rate_hz < 1:
            raise ClipError(f"sample_rate_hz={self.sample_rate_hz!r} must be a whole number of hertz, 1 or more")

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return len(self.samples) / self.sample_rate_hz

    def mono(self) -> Floats:
        """Return the mean of the channels, shape (frames,)."""
        return self.samples if self.samples.ndim == 1 else np.asarray(self.samples.mean(axis=1))

    def check_channels(self) -> None:
        """Raise ClipError if the channels cancel each other, so that nothing is left of their mean."""
        if self.samples.ndim == 2:
            each = float(np.sum(self.samples**2)) / self.samples.shape[1]
            _refuse_cancelled("the clip", float(np.sum(self.mono() ** 2)), each)


def _refuse_cancelled(name: str, of_mean: float, of_channels: float) -> None:
    if of_mean < CANCELLED * of_channels:
        wired = "as with a lead wired the wrong way round"
        raise ClipError(f"{name}: its channels cancel each other, {wired}; give one alone (analyse: --channel 1)")


def cut(clip: Clip, start_s: float, end_s: float) -> Clip:
    """Return a span of a clip."""
    first, last = (round(time_s * clip.sample_rate_hz) for time_s in (start_s, end_s))
    return Clip(samples=clip.samples[first:last], sample_rate_hz=clip.sample_rate_hz)


class _Stream:
    """A binary file as libsndfile's callbacks want it: an error is kept for later, since none may leave a callback."""

    def __init__(self, stream: IO[bytes]) -> None:
        self._stream = stream
        self.error: Exception | None = None

    def _try(self, name: str, *args: Any) -> int:
        try:
            return int(getattr(self._stream, name)(*args))
        except (OSError, ValueError, OverflowError) as e:
            self.error = self.error or e
            return 0

    def seek(self, offset: int, whence: int = 0) -> int:
        return self._try("seek", offset, whence)

    def tell(self) -> int:
        return self._try("tell")

    def readinto(self, buffer: Any) -> int:
        return self._try("readinto", buffer)

    def write(self, data: bytes) -> int:
        return self._try("write", data)


@contextlib.contextmanager
def _ctrl_c_waits() -> Iterator[None]:
    """Hold Ctrl-C until libsndfile has returned: raised inside a callback it would be lost, and the file called bad."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    held: list[int] = []
    usual = signal.signal(signal.SIGINT, lambda number, _frame: held.append(number))
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, usual)
        if held:
            signal.raise_signal(signal.SIGINT)


def _soundfile() -> ModuleType:
    try:
        import soundfile
    except (ImportError, OSError) as e:
        raise ClipError(f"cannot read or write sound: the soundfile package does not load ({e})") from e
    return soundfile  # type: ignore[no-any-return]


def readable_kinds() -> str:
    """Return the best-known kinds of sound file that can be read here; MP3 needs libsndfile 1.1 or later."""
    mp3 = ", MP3" if "MP3" in _soundfile().available_formats() else ""
    return f"WAV, FLAC, OGG, AIFF{mp3}"


@contextlib.contextmanager
def _opened(path: Path) -> Iterator[Any]:
    """Open a sound file for reading; a path that is none, and a header that cannot be, raise `ClipError`."""
    soundfile = _soundfile()
    if not os.path.isfile(path):
        reason = "there is no such file"
        if os.path.lexists(path):
            reason = "it is a folder" if os.path.isdir(path) else "it is no plain file"
            if not os.path.exists(path):
                reason = "it is a link that leads to no file"
        raise ClipError(f"{shown(path)}: {reason}; give a sound file ({readable_kinds()})")
    try:
        stream = path.open("rb")
    except OSError as e:
        raise ClipError(f"{shown(path)}: {unread_reason(e)}") from e
    with stream:
        try:
            if not stream.read(1):
                raise ClipError(f"{shown(path)}: the file is empty; copy or record it again")
            stream.seek(0)
        except OSError as e:
            raise ClipError(f"{shown(path)}: {unread_reason(e)}") from e
        try:
            # By handle, not by name: libsndfile would guess from the ending, and open companions of some formats.
            with _ctrl_c_waits():
                sound = soundfile.SoundFile(_Stream(stream))
        except (soundfile.SoundFileError, RuntimeError, TypeError, ValueError) as e:
            raise ClipError(
                f"{shown(path)}: not a sound file that can be read ({readable_kinds()}); "
                "convert it, such as the m4a of a telephone, to WAV or FLAC, or copy it again"
            ) from e
        with sound:
            if not 1 <= sound.channels <= MAX_CHANNELS or not RATES_HZ[0] <= sound.samplerate <= RATES_HZ[1]:
                claim = f"{sound.channels} channels at {sound.samplerate} Hz"
                raise ClipError(f"{shown(path)}: {claim} cannot be right; export it again")
            yield sound


def read_clip(
    path: Path | str, *, start_s: float = 0.0, end_s: float | None = None, channel: int | None = None
) -> Clip:
    """Read a sound file, or a span of it, as a clip.

    Parameters
    ----------
    path : Path or str
    start_s, end_s : float
        Span to read; to the end if `end_s` is None.
    channel : int or None
        Channel to read, from 1; None reads all.

    Returns
    -------
    Clip
        As many frames as the file holds: fewer than its header claims if it was cut short.

    Raises
    ------
    ClipError
        The file cannot be read, the span or channel is not in it, it holds no samples, or what it holds are no
        numbers.
    RangeError
        A time below 0, or none at all; no path.
    """
    path = checks.path(path)
    with _opened(path) as sound:
        part = _Part(sound, path, start_s, end_s, channel)
        samples = np.concatenate(list(part.blocks()))
    return Clip(
        samples=samples[:, 0] if samples.shape[1] == 1 else samples,
        sample_rate_hz=part.sample_rate_hz,
        cut_short=part.cut_short,
    )


def read_in_turn(
    path: Path, *, start_s: float = 0.0, end_s: float | None = None, channel: int | None = None, turn_s: float = 60.0
) -> Iterator[Clip]:
    """Read a sound file of any length as mono clips of `turn_s` seconds, one after the other.

    Parameters and errors are those of `read_clip`; all channels are averaged if none is named, and must not cancel each
    other. Only the last clip can tell that the file was cut short.
    """
    with _opened(path) as sound:
        part = _Part(sound, path, start_s, end_s, channel)
        turn = round(turn_s * part.sample_rate_hz)
        held: list[Floats] = []
        frames, of_mean, of_channels = 0, 0.0, 0.0
        for block in part.blocks():
            held.append(block.mean(axis=1))
            frames += len(block)
            of_mean += float(np.sum(held[-1] ** 2))
            of_channels += float(np.sum(block**2)) / block.shape[1]
            if frames > turn:  # one frame more: so the last clip is never empty
                joined = np.concatenate(held)
                yield Clip(samples=joined[:turn], sample_rate_hz=part.sample_rate_hz)
                held, frames = [joined[turn:]], frames - turn
        _refuse_cancelled(shown(path), of_mean, of_channels)
        yield Clip(samples=np.concatenate(held), sample_rate_hz=part.sample_rate_hz, cut_short=part.cut_short)


class _Part:
    """A span and a channel of an opened sound file; both must be in it."""

    def __init__(self, sound: Any, path: Path, start_s: float, end_s: float | None, channel: int | None) -> None:
        self.sample_rate_hz = int(sound.samplerate)
        self._sound, self._name, self._channel = sound, shown(path), channel
        self._at = self._frame("start_s", start_s)
        self._last = sound.frames if end_s is None else min(self._frame("end_s", end_s), sound.frames)
        self._to_its_end = end_s is None
        self.cut_short = False  # known once all was read
        if not 0 <= self._at < max(self._last, 1):
            asked = f"from {start_s:g} s on" if end_s is None else f"from {start_s:g} to {end_s:g} s"
            lasts = f"{sound.frames / self.sample_rate_hz:.2f} s"
            raise ClipError(f"{self._name}: there is no sound {asked}; it lasts {lasts}: choose a span within that")
        if channel is not None and channel not in range(1, sound.channels + 1):
            there = "only channel 1" if sound.channels == 1 else f"channels 1 to {sound.channels}"
            raise ClipError(f"{self._name}: there is no channel {channel}; it has {there}")

    def _frame(self, name: str, time_s: float) -> int:
        return round(checks.seconds(name, time_s, low=0.0, high=LATEST_S) * self.sample_rate_hz)

    def blocks(self) -> Iterator[Floats]:
        """Read block by block, each (n, channels): a header that claims hours costs nothing until they are there."""
        first = self._at
        try:
            self._sound.seek(first)
            while self._at < self._last:
                with _ctrl_c_waits():
                    block = self._sound.read(min(BLOCK_FRAMES, self._last - self._at), dtype="float64", always_2d=True)
                if not len(block):
                    break
                self._at += len(block)
                if not _all_numbers(block):
                    raise ClipError(f"{self._name}: {NO_NUMBERS}; export it again as 16-bit WAV or FLAC")
                yield block if self._channel is None else block[:, self._channel - 1 : self._channel]
        except (_soundfile().SoundFileError, RuntimeError):
            pass  # damaged from here on; what came before it is good
        if self._at == first:
            raise ClipError(f"{self._name}: holds no sound, or none that can be read; copy or record it again")
        self.cut_short = self._at < self._last or (self._to_its_end and _promised_more(self._sound))


def _all_numbers(samples: Floats) -> bool:
    """Whether no sample is NaN, infinite or beyond any scale; the extremes pass NaN on, at less cost than isfinite."""
    return not samples.size or bool(max(samples.max(), -samples.min()) <= LARGEST_SAMPLE)


def _promised_more(sound: Any) -> bool:
    promise = PROMISE.search(sound.extra_info)
    return promise is not None and int(promise[2]) < int(promise[1]) < UNKNOWN_LENGTH


def output_format(path: Path, subtype: str) -> tuple[str, str]:
    """Return soundfile's format and subtype for a file name and one of ``16``, ``24``, ``float``.

    Raises
    ------
    OutputError
        Another file ending, or a subtype that is unknown or that the format does not have.
    """
    if not isinstance(subtype, str) or subtype not in SUBTYPES:
        raise OutputError(f"there is no subtype {subtype!r}; give {', '.join(map(repr, SUBTYPES))}")
    kind = FORMATS.get(path.suffix.lower())
    if kind is None:
        raise OutputError(f"cannot tell the format of {shown(path)}; name it .wav, .flac or .ogg")
    if kind == "OGG":
        return kind, "VORBIS"
    if kind == "FLAC" and subtype == "float":
        raise OutputError("FLAC holds whole numbers only; take --bits 24, or a .wav file")
    return kind, SUBTYPES[subtype]


def write_clip(path: Path | str, clip: Clip, *, subtype: str = "16", force: bool = False) -> None:
    """Write a clip whole or not at all.

    Parameters
    ----------
    path : Path or str
        Its ending decides the format: ``.wav``, ``.flac`` or ``.ogg``.
    clip : Clip
    subtype : str
        ``16`` or ``24``, which hold no more than full scale and cut what is beyond it, or ``float``; OGG has its own.
    force : bool
        Whether an existing file is replaced.

    Raises
    ------
    OutputError
        The file exists and `force` is false, or it cannot be written.
    ClipError
        Samples that are no numbers.
    RangeError
        No path or no clip.
    """
    path, clip = checks.path(path), checks.kind("clip", clip, Clip)
    blocks = (clip.samples[at : at + BLOCK_FRAMES] for at in range(0, len(clip.samples), BLOCK_FRAMES))
    channels = 1 if clip.samples.ndim == 1 else clip.samples.shape[1]
    write_blocks(path, blocks, channels=channels, sample_rate_hz=clip.sample_rate_hz, subtype=subtype, force=force)


def write_blocks(
    path: Path,
    blocks: Iterable[Floats],
    *,
    channels: int,
    sample_rate_hz: int,
    subtype: str = "16",
    force: bool = False,
) -> None:
    """Write sound that comes block by block, for what is too long to hold; whole or not at all.

    Parameters
    ----------
    path : Path
        Its ending decides the format: ``.wav``, ``.flac`` or ``.ogg``.
    blocks : iterable of ndarray, each of shape (n,) or (n, channels)
    channels, sample_rate_hz : int
    subtype : str
        ``16`` or ``24``, which hold no more than full scale and cut what is beyond it, or ``float``; OGG has its own.
    force : bool
        Whether an existing file is replaced.

    Raises
    ------
    OutputError
        The file exists and `force` is false, or it cannot be written.
    ClipError
        Samples that are no numbers.
    """
    soundfile = _soundfile()
    kind, sub = output_format(path, subtype)
    if not 1 <= channels <= MAX_CHANNELS_WRITTEN:
        raise OutputError(f"cannot write {channels} channels; give 1 to {MAX_CHANNELS_WRITTEN}")
    with replaced_file(path, force=force) as file:
        stream = _Stream(file)
        try:
            with _ctrl_c_waits():
                sink = soundfile.SoundFile(stream, "w", sample_rate_hz, channels, sub, format=kind)
            with sink:
                for block in blocks:
                    if not _all_numbers(block):
                        raise ClipError(f"cannot write {shown(path)}: the sound {NO_NUMBERS}; see how it was made")
                    with _ctrl_c_waits():
                        sink.write(block)
        except (soundfile.SoundFileError, AssertionError) as e:
            # soundfile asserts that all was written, which is not so on a full disk.
            reason = getattr(e, "error_string", str(e)).rstrip(".").lower()
            raise stream.error or OutputError(
                f"cannot write {shown(path)} at {sample_rate_hz} Hz: {reason}; try another rate or a .wav file"
            ) from e
        if stream.error:
            raise stream.error


def flac_bytes(clip: Clip) -> bytes:
    """Return a clip as a 16-bit FLAC file in memory."""
    stream = io.BytesIO()
    _soundfile().write(stream, clip.samples, clip.sample_rate_hz, format="FLAC", subtype="PCM_16")
    return stream.getvalue()
