"""Sound files in and out: what is written is read back the same, and a bad file is one clear line."""

import io
import os
import struct
import subprocess
import sys
import wave
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from pulse_audio.clip import Clip, read_clip, read_in_turn, write_blocks, write_clip
from pulse_audio.errors import ClipError, OutputError, RangeError

RATE_HZ = 44_100


def _noise(*shape: int) -> NDArray[np.float64]:
    return np.random.default_rng(1).uniform(-0.9, 0.9, shape)


def _wav_header(data_bytes: int, *, channels: int = 1, rate_hz: int = RATE_HZ, kind: int = 1, bits: int = 16) -> bytes:
    """Return a canonical 44-byte RIFF/WAVE header (Multimedia Programming Interface 1.0, 1991, from memory)."""
    frame = channels * bits // 8
    form = struct.pack("<HHIIHH", kind, channels, rate_hz, rate_hz * frame & 0xFFFFFFFF, frame, bits)
    total = 36 + data_bytes & 0xFFFFFFFF
    return (
        b"RIFF"
        + struct.pack("<I", total)
        + b"WAVEfmt "
        + struct.pack("<I", 16)
        + form
        + b"data"
        + struct.pack("<I", data_bytes & 0xFFFFFFFF)
    )


@pytest.mark.parametrize("channels", [1, 2, 8])
@pytest.mark.parametrize(("subtype", "bits"), [("16", 16), ("24", 24)])
def test_wav_read_by_standard_library(tmp_path: Path, channels: int, subtype: str, bits: int) -> None:
    """The standard library's wave module reads what we write: shape, rate, and each sample to half a step.

    Half a step for rounding, half more because full scale is taken as 2**(bits-1) by some and one less by others.
    """
    samples = _noise(1000, channels)
    write_clip(tmp_path / "a.wav", Clip(samples=samples, sample_rate_hz=RATE_HZ), subtype=subtype)
    with wave.open(str(tmp_path / "a.wav")) as reader:
        assert reader.getparams()[:4] == (channels, bits // 8, RATE_HZ, 1000)
        raw = reader.readframes(1000)
    width = bits // 8
    whole = [int.from_bytes(raw[i : i + width], "little", signed=True) for i in range(0, len(raw), width)]
    step = 2.0 ** (1 - bits)
    assert np.max(np.abs(np.reshape(whole, samples.shape) * step - samples)) <= step


@pytest.mark.parametrize(
    ("name", "subtype", "tolerance"),
    [
        ("a.wav", "16", 2.0**-15),
        ("a.wav", "24", 2.0**-23),
        ("a.wav", "float", 2.0**-24),  # rounding of a 24-bit mantissa below 1
        ("a.flac", "16", 2.0**-15),
        ("a.flac", "24", 2.0**-23),
        ("A.FLAC", "24", 2.0**-23),
    ],
)
def test_lossless_round_trip(tmp_path: Path, name: str, subtype: str, tolerance: float) -> None:
    """What is written is read back to one step of the format."""
    clip = Clip(samples=_noise(20_000, 2), sample_rate_hz=48_000)
    write_clip(tmp_path / name, clip, subtype=subtype)
    back = read_clip(tmp_path / name)
    assert (back.sample_rate_hz, back.cut_short) == (48_000, False)
    assert back.samples.shape == clip.samples.shape
    assert np.max(np.abs(back.samples - clip.samples)) <= tolerance


def test_ogg_round_trip(tmp_path: Path) -> None:
    """OGG loses detail, not the sound: a tone comes back with the same length and an error 20 dB below it."""
    tone = 0.5 * np.sin(2 * np.pi * 440 * np.arange(RATE_HZ) / RATE_HZ)
    write_clip(tmp_path / "a.ogg", Clip(samples=tone, sample_rate_hz=RATE_HZ))
    back = read_clip(tmp_path / "a.ogg")
    assert back.samples.shape == tone.shape
    assert np.std(back.samples - tone) < 0.1 * np.std(tone)


def test_span_and_channel(tmp_path: Path) -> None:
    """A span and a channel are cut where asked, counted from 0 s and from channel 1."""
    samples = _noise(30_000, 2)
    write_clip(tmp_path / "a.wav", Clip(samples=samples, sample_rate_hz=10_000), subtype="float")
    part = read_clip(tmp_path / "a.wav", start_s=0.5, end_s=2.0, channel=2)
    np.testing.assert_allclose(part.samples, samples[5_000:20_000, 1], atol=2.0**-24)
    assert part.duration_s == 1.5
    assert read_clip(tmp_path / "a.wav", start_s=1.0, end_s=99.0).duration_s == 2.0


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"samples": np.zeros(9, dtype=np.int16)}, "samples are int16; give an array of float64"),
        ({"samples": np.zeros(9, dtype=np.float32)}, "samples are float32; give"),
        ({"samples": [0.0, 0.5]}, "samples are list; give"),
        ({"samples": np.zeros((3, 2, 1))}, r"samples have the shape \(3, 2, 1\); give \(frames,\) or"),
        ({"samples": np.float64(0.5)}, r"samples have the shape \(\)"),
        ({"samples": np.zeros((9, 0))}, r"samples have the shape \(9, 0\)"),
        ({"sample_rate_hz": 0}, "sample_rate_hz=0 must be a whole number of hertz, 1 or more"),
        ({"sample_rate_hz": -1}, "sample_rate_hz=-1 must be"),
        ({"sample_rate_hz": 44_100.5}, "sample_rate_hz=44100.5 must be"),
        ({"sample_rate_hz": "44100"}, "sample_rate_hz='44100' must be"),
    ],
)
def test_what_is_no_sound_makes_no_clip(change: dict[str, object], said: str) -> None:
    """Samples that are no float64, have another shape, or a rate that is none are refused when the clip is made."""
    with pytest.raises(ClipError, match=said):
        Clip(**{"samples": np.zeros(9), "sample_rate_hz": RATE_HZ, **change})  # type: ignore[arg-type]


def test_clip_may_be_empty() -> None:
    """A clip of no frames is a clip: the end of a span can lie at its beginning. One frame a second will do."""
    assert Clip(samples=np.zeros(3), sample_rate_hz=1).duration_s == 3.0
    assert Clip(samples=np.zeros((0, 2)), sample_rate_hz=RATE_HZ).duration_s == 0.0


def test_path_may_be_text(tmp_path: Path) -> None:
    """A path given as text is read and written like one given as a Path."""
    path = str(tmp_path / "a.wav")
    write_clip(path, Clip(samples=_noise(100), sample_rate_hz=RATE_HZ))
    assert len(read_clip(path).samples) == 100


@pytest.mark.parametrize("name", ["start_s", "end_s"])
@pytest.mark.parametrize("time_s", [float("nan"), float("inf"), -0.5, "x"])
def test_times_that_are_none(tmp_path: Path, name: str, time_s: float) -> None:
    """A span that begins or ends at no time is refused by its name."""
    write_clip(tmp_path / "a.wav", Clip(samples=_noise(100), sample_rate_hz=RATE_HZ))
    with pytest.raises(RangeError, match=f"^{name}="):
        read_clip(tmp_path / "a.wav", **{name: time_s})


@pytest.mark.parametrize("frames", [1, 9_999, 10_000, 10_001, 35_000])
def test_read_in_turn(tmp_path: Path, frames: int) -> None:
    """Parts of a second each, put together, are the average of all channels, and only the last may be shorter."""
    samples = _noise(frames, 2)
    write_clip(tmp_path / "a.wav", Clip(samples=samples, sample_rate_hz=10_000), subtype="float")
    parts = [part.samples for part in read_in_turn(tmp_path / "a.wav", turn_s=1.0)]
    assert {len(part) for part in parts[:-1]} <= {10_000}
    assert 0 < len(parts[-1]) <= 10_000
    np.testing.assert_allclose(np.concatenate(parts), samples.mean(axis=1), atol=2.0**-24)


@pytest.mark.parametrize(
    ("span", "said"),
    [
        ({"start_s": 3.0}, r"there is no sound from 3 s on; it lasts 3\.00 s: choose"),
        ({"start_s": 2.0, "end_s": 1.0}, "there is no sound from 2 to 1 s"),
        ({"channel": 3}, "there is no channel 3; it has channels 1 to 2"),
        ({"channel": 0}, "there is no channel 0; it has channels 1 to 2"),
        ({"channel": 1.5}, r"there is no channel 1\.5; it has channels 1 to 2"),
    ],
)
def test_span_or_channel_that_is_not_there(tmp_path: Path, span: dict[str, float], said: str) -> None:
    """A span or channel outside the file is answered with what the file has."""
    write_clip(tmp_path / "a.wav", Clip(samples=_noise(30_000, 2), sample_rate_hz=10_000))
    with pytest.raises(ClipError, match=said):
        read_clip(tmp_path / "a.wav", **span)  # type: ignore[arg-type]


@pytest.mark.parametrize("channels", [1, 2, 8])
@pytest.mark.parametrize("rate_hz", [8_000, 44_100, 192_000])
def test_unusual_but_good(tmp_path: Path, channels: int, rate_hz: int) -> None:
    """Low and high sample rates and eight channels are read as they are."""
    samples = _noise(500, channels)
    soundfile.write(tmp_path / "a.wav", samples, rate_hz)
    clip = read_clip(tmp_path / "a.wav")
    assert clip.sample_rate_hz == rate_hz
    assert clip.samples.shape == ((500,) if channels == 1 else (500, channels))


def test_one_sample(tmp_path: Path) -> None:
    """A clip of one sample is read; that it is too short is for the analysis to say."""
    soundfile.write(tmp_path / "a.wav", [0.5], RATE_HZ)
    assert read_clip(tmp_path / "a.wav").samples.shape == (1,)


BAD = {
    "empty.wav": (b"", "the file is empty"),
    "text.wav": (b"this is no sound" * 100, "not a sound file"),
    "headerless.raw": (b"\1\2" * 1000, "not a sound file"),
    "name-only.wav": (_wav_header(1000)[:12], "not a sound file"),
    "no-data.wav": (_wav_header(0), "holds no sound"),
    "zeros.flac": (bytes(5000), "not a sound file"),
    "cut-header.flac": (b"fLaC\0\0\0\x22", "not a sound file"),
    "cut-header.ogg": (b"OggS\0\2", "not a sound file"),
    "no-channels.wav": (_wav_header(1000, channels=0) + bytes(1000), "not a sound file"),
    "many-channels.wav": (_wav_header(1000, channels=1000) + bytes(2000), "cannot be right|not a sound file"),
    "slow.wav": (_wav_header(1000, rate_hz=11) + bytes(1000), "11 Hz cannot be right"),
    "fast.wav": (_wav_header(1000, rate_hz=2**31 - 1) + bytes(1000), "cannot be right"),
    "no-rate.wav": (_wav_header(1000, rate_hz=0) + bytes(1000), "cannot be right|not a sound file"),
    "nan.wav": (_wav_header(4000, kind=3, bits=32) + struct.pack("<f", float("nan")) * 1000, "no numbers"),
    "infinite.wav": (_wav_header(4000, kind=3, bits=32) + struct.pack("<f", float("-inf")) * 1000, "no numbers"),
    "huge.wav": (_wav_header(8000, kind=3, bits=64) + struct.pack("<d", 1e300) * 1000, "beyond any scale"),
}


@pytest.mark.parametrize("name", BAD)
def test_bad_file(tmp_path: Path, name: str) -> None:
    """A file that is no sound, or holds none, is named in one line that says what is wrong."""
    body, said = BAD[name]
    (tmp_path / name).write_bytes(body)
    with pytest.raises(ClipError, match=f"{name}: .*({said})") as caught:
        read_clip(tmp_path / name)
    assert str(caught.value).isprintable()


def test_no_file(tmp_path: Path) -> None:
    """A missing file, a folder, a pipe, a link to nothing and an impossible name each say what they are."""
    os.mkfifo(tmp_path / "pipe.wav")
    (tmp_path / "link.wav").symlink_to("moved.wav")
    for name, said in (
        ("none.wav", "there is no such file"),
        ("x" * 300, "there is no such file"),
        ("nul\0.wav", "there is no such file"),
        (".", "it is a folder"),
        ("pipe.wav", "it is no plain file"),
        ("link.wav", "it is a link that leads to no file"),
    ):
        with pytest.raises(ClipError, match=said):
            read_clip(tmp_path / name)


def test_name_with_bytes_that_are_no_text(tmp_path: Path) -> None:
    """A file name that is not valid UTF-8 is read and written like any other."""
    path = tmp_path / os.fsdecode(b"take\xff.wav")
    write_clip(path, Clip(samples=_noise(100), sample_rate_hz=RATE_HZ))
    assert len(read_clip(path).samples) == 100


@pytest.mark.parametrize("ending", ["wav", "aiff", "flac"])
def test_truncated_file_gives_what_it_holds(tmp_path: Path, ending: str) -> None:
    """Half a file gives about half the sound, and says that it was cut short."""
    samples = _noise(RATE_HZ)
    soundfile.write(tmp_path / f"whole.{ending}", samples, RATE_HZ)
    body = (tmp_path / f"whole.{ending}").read_bytes()
    cut = tmp_path / f"cut.{ending}"
    cut.write_bytes(body[: len(body) // 2])
    clip = read_clip(cut)
    assert clip.cut_short
    # A damaged block is lost whole: at most 8192 of the 22 050 samples in the half.
    assert 0.5 * RATE_HZ - 8192 <= len(clip.samples) <= 0.5 * RATE_HZ
    np.testing.assert_allclose(clip.samples, samples[: len(clip.samples)], atol=2.0**-15)
    assert not read_clip(tmp_path / f"whole.{ending}").cut_short


def test_recorder_that_never_wrote_the_length(tmp_path: Path) -> None:
    """A WAV whose length field was left at all ones, as streaming recorders do, is whole as far as we can tell."""
    (tmp_path / "a.wav").write_bytes(_wav_header(0xFFFFFFFF) + _noise(1000).astype("<f8").tobytes())
    assert not read_clip(tmp_path / "a.wav").cut_short


def test_header_that_claims_ten_hours(tmp_path: Path) -> None:
    """A 1 kB file whose header claims ten hours costs no memory: it is read in well under 50 MB more."""
    hours = _wav_header(10 * 3600 * 8000 * 2, rate_hz=8000)
    (tmp_path / "a.wav").write_bytes(hours + bytes(1000 - len(hours)))
    code = """
import resource, sys
from pathlib import Path
import soundfile
from pulse_audio.clip import read_clip
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
clip = read_clip(Path(sys.argv[1]))
after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
print(len(clip.samples), clip.cut_short, (after - before) // 1024)
"""
    out = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path / "a.wav")], capture_output=True, text=True, check=True
    ).stdout.split()
    assert out[:2] == ["478", "True"]
    assert int(out[2]) < 50


@pytest.mark.parametrize("ending", ["wav", "flac", "ogg", "aiff"])
def test_damaged_bodies_never_print_or_crash(tmp_path: Path, ending: str, capfd: pytest.CaptureFixture[str]) -> None:
    """Flipped bytes give sound or a ClipError, and nothing on the terminal from below."""
    memory = io.BytesIO()
    soundfile.write(memory, _noise(4000, 2), RATE_HZ, format=ending)
    dice = np.random.default_rng(2)
    for _ in range(100):
        body = np.frombuffer(memory.getvalue(), dtype=np.uint8).copy()
        where = dice.integers(0, len(body), 8) % dice.choice([64, 512, len(body)])
        body[where] = dice.integers(0, 256, 8)
        (tmp_path / "a.snd").write_bytes(body[: dice.integers(1, 2 * len(body))].tobytes())
        try:
            clip = read_clip(tmp_path / "a.snd")
        except ClipError as e:
            assert str(e).isprintable()
        else:
            assert np.isfinite(clip.samples).all()
    assert capfd.readouterr() == ("", "")


def test_existing_output_is_kept(tmp_path: Path) -> None:
    """An existing file is not replaced unless told so, whatever the format."""
    (tmp_path / "a.wav").write_text("mine")
    with pytest.raises(OutputError, match="exists already"):
        write_clip(tmp_path / "a.wav", Clip(samples=_noise(10), sample_rate_hz=RATE_HZ))
    assert (tmp_path / "a.wav").read_text() == "mine"


@pytest.mark.parametrize(
    ("name", "subtype", "said"),
    [
        ("a.mp7", "16", "name it .wav, .flac or .ogg"),
        ("a", "16", "name it"),
        ("a.flac", "float", "whole numbers only"),
        ("a.wav", "32", "there is no subtype '32'; give '16', '24', 'float'"),
        ("a.wav", 16, "there is no subtype 16; give '16', '24', 'float'"),
    ],
)
def test_format_that_we_do_not_write(tmp_path: Path, name: str, subtype: object, said: str) -> None:
    """Another ending, or a sample kind that the format lacks, is refused before anything is written."""
    with pytest.raises(OutputError, match=said):
        write_clip(tmp_path / name, Clip(samples=_noise(10), sample_rate_hz=RATE_HZ), subtype=subtype)  # type: ignore[arg-type]
    assert os.listdir(tmp_path) == []


@pytest.mark.parametrize(
    ("name", "channels", "rate_hz", "said"),
    [
        ("a.ogg", 300, 8_000, "give 1 to 8"),
        ("a.wav", 0, 8_000, "give 1 to 8"),
        ("a.flac", 1, 10**6, "try another rate"),
    ],
)
def test_sound_that_the_format_cannot_hold(tmp_path: Path, name: str, channels: int, rate_hz: int, said: str) -> None:
    """Channels or a rate beyond the format are refused in one line, and nothing is left."""
    with pytest.raises(OutputError, match=said):
        write_blocks(tmp_path / name, [np.zeros((100, channels))], channels=channels, sample_rate_hz=rate_hz)
    assert os.listdir(tmp_path) == []


@pytest.mark.parametrize("name", ["a.wav", "a.flac", "a.ogg"])
@pytest.mark.parametrize("wrong", [np.nan, np.inf, -np.inf, -1e300])
def test_samples_that_are_no_numbers_are_not_written(tmp_path: Path, name: str, wrong: float) -> None:
    """One sample that is no number, far into the sound, is refused; the file that is there stays."""
    (tmp_path / name).write_text("mine")
    samples = _noise(20_000, 2)
    samples[15_000, 1] = wrong
    with pytest.raises(ClipError, match=f"cannot write .*{name}: the sound holds samples that are no numbers"):
        write_clip(tmp_path / name, Clip(samples=samples, sample_rate_hz=RATE_HZ), force=True)
    assert (tmp_path / name).read_text() == "mine"
    assert os.listdir(tmp_path) == [name]


def test_what_is_no_clip_or_path_is_refused(tmp_path: Path) -> None:
    """Bare samples instead of a clip, and no path at all, are told in one line that says what is wanted."""
    with pytest.raises(RangeError, match="clip is of type ndarray; give a Clip, as read_clip and render return"):
        write_clip(tmp_path / "a.wav", _noise(10))  # type: ignore[arg-type]
    for call in (read_clip, lambda none: write_clip(none, Clip(samples=_noise(10), sample_rate_hz=RATE_HZ))):
        with pytest.raises(RangeError, match="path is of type NoneType; give a file's name as text or a Path"):
            call(None)  # type: ignore[arg-type]


@pytest.mark.parametrize("name", ["a.wav", "a.flac", "a.ogg"])
def test_full_disk(tmp_path: Path, name: str) -> None:
    """A disk that fills up while sound is written gives one line, and neither a file nor a word from libsndfile.

    The limit on file size stands in for a full disk: both end a write half way with an OSError.
    """
    code = """
import resource, sys
from pathlib import Path
import numpy as np
from pulse_audio.clip import Clip, write_clip
from pulse_audio.errors import OutputError
resource.setrlimit(resource.RLIMIT_FSIZE, (30_000, 30_000))
clip = Clip(samples=np.random.default_rng(1).uniform(-1, 1, 200_000), sample_rate_hz=44_100)
try:
    write_clip(Path(sys.argv[1]), clip)
except OutputError as e:
    print(e)
"""
    done = subprocess.run([sys.executable, "-c", code, name], cwd=tmp_path, capture_output=True, text=True, check=True)
    assert (done.stdout, done.stderr) == (f"cannot write {name}: file too large\n", "")
    assert os.listdir(tmp_path) == []


@pytest.mark.parametrize("second", [-1.0, -0.98, -0.94])
def test_channels_that_cancel_are_refused(tmp_path: Path, rng: np.random.Generator, second: float) -> None:
    """A lead wired the wrong way round leaves nothing of the sum: it is said, and either channel can be read.

    The second channel s times the first leaves (1 + s)^2 / 2 (1 + s^2) of their power: a thousandth at s = -0.939.
    """
    one = 0.1 * rng.standard_normal(8000)
    path = tmp_path / "a.wav"
    soundfile.write(path, np.stack([one, second * one], axis=1), 8000)
    with pytest.raises(ClipError, match=r"a\.wav: its channels cancel each other"):
        list(read_in_turn(path))
    with pytest.raises(ClipError, match="the clip: its channels cancel"):
        read_clip(path).check_channels()
    assert len(next(read_in_turn(path, channel=2)).samples) == 8000


def test_channels_that_leave_enough_are_read(tmp_path: Path, rng: np.random.Generator) -> None:
    """At s = -0.93, 1.3 thousandths of the power are left: faint, but a sound."""
    one = 0.1 * rng.standard_normal(8000)
    soundfile.write(tmp_path / "a.wav", np.stack([one, -0.93 * one], axis=1), 8000, subtype="FLOAT")
    (part,) = read_in_turn(tmp_path / "a.wav")
    assert part.samples == pytest.approx(0.035 * one, abs=1e-7)  # single precision
    read_clip(tmp_path / "a.wav").check_channels()


def test_the_mean_of_channels_is_that_of_their_samples(rng: np.random.Generator) -> None:
    """Channels that differ, however much, are averaged; one channel is left as it is."""
    two = rng.standard_normal((100, 2))
    assert Clip(samples=two, sample_rate_hz=8000).mono() == pytest.approx((two[:, 0] + two[:, 1]) / 2)
    assert Clip(samples=two[:, 0], sample_rate_hz=8000).mono() == pytest.approx(two[:, 0])
