"""Sound clips in and out of files. The only module that imports soundfile.

Samples are float64, full scale is 1, shape (frames,) for mono or (frames, channels).
"""

from dataclasses import dataclass
from pathlib import Path
from types import ModuleType

import numpy as np
from numpy.typing import NDArray

from pulse_audio.errors import ClipError, OutputError
from pulse_audio.files import replaced_file, shown

Floats = NDArray[np.float64]
FORMATS = {".wav": "WAV", ".flac": "FLAC", ".ogg": "OGG"}
SUBTYPES = {"16": "PCM_16", "24": "PCM_24", "float": "FLOAT"}
MAX_CHANNELS = 64
BLOCK_FRAMES = 1 << 16


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Clip:
    """Sampled sound.

    Attributes
    ----------
    samples : ndarray of float64, shape (frames,) or (frames, channels)
    sample_rate_hz : int
    """

    samples: Floats
    sample_rate_hz: int

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return len(self.samples) / self.sample_rate_hz


@dataclass(frozen=True, kw_only=True, slots=True)
class ClipInfo:
    """What a sound file's header says."""

    frames: int
    channels: int
    sample_rate_hz: int

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return self.frames / self.sample_rate_hz


def _soundfile() -> ModuleType:
    try:
        import soundfile
    except (ImportError, OSError) as e:
        raise ClipError(f"cannot read or write sound: the soundfile package does not load ({e})") from e
    return soundfile  # type: ignore[no-any-return]


def clip_info(path: Path) -> ClipInfo:
    """Read a sound file's header.

    Raises
    ------
    ClipError
        No file, no sound file, or a header that claims what cannot be.
    """
    soundfile = _soundfile()
    if not path.is_file():
        reason = "it is a folder" if path.is_dir() else "there is no such file"
        raise ClipError(f"{shown(path)}: {reason}; give a sound file (WAV, FLAC, OGG, AIFF)")
    try:
        info = soundfile.info(str(path))
    except (soundfile.SoundFileError, RuntimeError, OSError) as e:
        raise ClipError(f"{shown(path)}: not a sound file that can be read (WAV, FLAC, OGG, AIFF)") from e
    if not 1 <= info.channels <= MAX_CHANNELS or info.samplerate < 1:
        raise ClipError(f"{shown(path)}: {info.channels} channels at {info.samplerate} Hz cannot be right")
    return ClipInfo(frames=info.frames, channels=info.channels, sample_rate_hz=info.samplerate)


def read_clip(path: Path, *, start_s: float = 0.0, end_s: float | None = None, channel: int | None = None) -> Clip:
    """Read a sound file, or a span of it, as a clip.

    Parameters
    ----------
    path : Path
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
        The file cannot be read, the span or channel is not in it, or it holds no samples.
    """
    soundfile = _soundfile()
    info = clip_info(path)
    first = round(start_s * info.sample_rate_hz)
    last = info.frames if end_s is None else min(round(end_s * info.sample_rate_hz), info.frames)
    if not 0 <= first < max(last, 1):
        raise ClipError(
            f"{shown(path)}: the span {start_s:g} to {'the end' if end_s is None else f'{end_s:g}'} s "
            f"is not in it; it lasts {info.duration_s:.2f} s"
        )
    if channel is not None and not 1 <= channel <= info.channels:
        raise ClipError(f"{shown(path)}: no channel {channel}; it has {info.channels}")
    blocks: list[Floats] = []
    try:
        # Block by block: a header that claims hours costs nothing until the samples are really there.
        with soundfile.SoundFile(str(path)) as stream:
            stream.seek(first)
            left = last - first
            while left > 0:
                block = stream.read(min(BLOCK_FRAMES, left), dtype="float64", always_2d=True)
                if not len(block):
                    break
                blocks.append(block if channel is None else block[:, channel - 1 : channel])
                left -= len(block)
    except (soundfile.SoundFileError, RuntimeError, OSError) as e:
        if not blocks:
            raise ClipError(f"{shown(path)}: the sound in it cannot be read; it may be damaged") from e
    if not blocks:
        raise ClipError(f"{shown(path)}: holds no samples")
    samples = np.concatenate(blocks)
    return Clip(samples=samples[:, 0] if samples.shape[1] == 1 else samples, sample_rate_hz=info.sample_rate_hz)


def output_format(path: Path, subtype: str) -> tuple[str, str]:
    """Return soundfile's format and subtype for a file name and one of ``16``, ``24``, ``float``.

    Raises
    ------
    OutputError
        Another file ending, or a subtype that the format does not have.
    """
    kind = FORMATS.get(path.suffix.lower())
    if kind is None:
        raise OutputError(f"cannot tell the format of {shown(path)}; name it .wav, .flac or .ogg")
    if kind == "OGG":
        return kind, "VORBIS"
    if kind == "FLAC" and subtype == "float":
        raise OutputError("FLAC holds whole numbers only; take --bits 24, or a .wav file")
    return kind, SUBTYPES[subtype]


def write_clip(path: Path, clip: Clip, *, subtype: str = "16", force: bool = False) -> None:
    """Write a clip whole or not at all.

    Raises
    ------
    OutputError
        The file exists and `force` is false, or it cannot be written.
    """
    soundfile = _soundfile()
    kind, sub = output_format(path, subtype)
    channels = 1 if clip.samples.ndim == 1 else clip.samples.shape[1]
    with replaced_file(path, force=force) as stream:
        try:
            with soundfile.SoundFile(stream, "w", clip.sample_rate_hz, channels, sub, format=kind) as sink:
                for at in range(0, len(clip.samples), BLOCK_FRAMES):
                    sink.write(clip.samples[at : at + BLOCK_FRAMES])
        except soundfile.SoundFileError as e:
            raise OutputError(f"cannot write {shown(path)}: {e}") from e
