"""Whatever a user gives by mistake is answered with one clear line and exit code 1 or 2, and leaves nothing behind."""

import json
import os
import struct
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile
from click.testing import Result

Run = Callable[..., Result]
Refused = Callable[..., str]
RENDER = ("render", "boxer-twin", "--output", "out.wav")


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Work in an empty folder."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.mark.parametrize(
    ("args", "code", "said"),
    [
        (("explain", "boxer-twim"), 2, "boxer-twin"),
        (("explain", "no-such-thing-at-all"), 2, "layouts"),
        (("explain", "270-460"), 2, "add up to 730"),
        (("explain", "-270-450"), 2, ""),
        (("explain", "missing.toml"), 2, "missing.toml"),
        (("explain", ""), 2, ""),
        (("explain", "boxer-twin", "--rpm", "0"), 2, "20 to 15000"),
        ((*RENDER, "--rpm", "0"), 2, "20 to 15000"),
        ((*RENDER, "--rpm", "-900"), 2, "20 to 15000"),
        ((*RENDER, "--rpm", "1e308"), 2, "20 to 15000"),
        ((*RENDER, "--rpm", "nan"), 2, "rpm"),
        ((*RENDER, "--rpm", "inf"), 2, "20 to 15000"),
        ((*RENDER, "--rpm", "fast"), 2, "is not a number"),
        ((*RENDER, "--rpm", "15"), 2, "did you give hertz? 15 Hz is 900 rpm"),
        ((*RENDER, "--rpm", "900:"), 2, "900:4000"),
        ((*RENDER, "--rpm", "missing.csv"), 2, "missing.csv"),
        ((*RENDER, "--duration", "0"), 2, "0.01"),
        ((*RENDER, "--duration", "1e9"), 2, "3600"),
        ((*RENDER, "--duration", "nan"), 2, "is not a number"),
        (("analyse", "noise.wav", "--start", "nan"), 2, "is not a number"),
        (("render", "boxer-twin", "--output", "no/such/folder/out.wav"), 1, "there is no folder"),
        (("render", "boxer-twin", "--output", "out.mp7"), 2, ".wav"),
        (("render", "boxer-twin", "--output", "."), 2, "folder|directory"),
        (("render", "boxer-twin", "--output", "out.flac", "--bits", "float"), 2, "whole numbers"),
        (("render", "boxer-twin", "--output", os.devnull), 2, ""),
        (("compare", "boxer-twin", "boxer-twim", "--output", "out.wav"), 2, "boxer-twin"),
        (("lesson", "boxer-twim", "--output", "out.html"), 2, "boxer-twin"),
    ],
)
def test_mistakes(*, run: Run, refused: Refused, folder: Path, args: tuple[str, ...], code: int, said: str) -> None:
    """A mistake on the command line is one line that says what would be right, and writes nothing."""
    line = refused(*args)
    assert any(part in line for part in said.split("|")), line
    assert run(*args).exit_code == code
    assert os.listdir(folder) == []


def test_huge_numbers_are_refused_at_once(refused: Refused) -> None:
    """More digits than Python turns into a number, and layouts with absurd counts, are refused like other mistakes."""
    refused("explain", "9" * 5000)
    refused("explain", "-".join(["1"] * 720))
    refused("explain", "x" * 100_000)
    refused(*RENDER, "--rpm", "9" * 5000)
    refused(*RENDER, "--seed", "9" * 5000)


LAYOUT_FILES = {
    "not-toml": (b"strokes = = 4", "is no TOML"),
    "not-text": (bytes(range(256)), "is no TOML"),
    "empty": (b"", "firing_deg is missing"),
    "no-tdc": (b"bank_deg=[0,0]\nthrow_deg=[0,180]\nfiring_deg=[0,90]", "it can fire at 180 or 540"),
    "lists-differ": (b"bank_deg=[0]\nthrow_deg=[0,180]\nfiring_deg=[0,180]", "lists differ in length"),
    "words-for-numbers": (b'firing_deg=["early","late"]', "numbers only"),
    "many-cylinders": (b"firing_deg=[" + b"0,\n" * 30_000 + b"]", "1 to 48"),
    "too-large": (b"#" * 200_000, "larger than"),
    "deep": (b"firing_deg=" + b"[" * 40_000, "a line has more than"),
    "nested": (b"firing_deg=[0]\n" + b"a." * 20_000 + b"b=1", "a line has more than"),
    "nan": (b"firing_deg=[nan]", "out of range"),
    "strokes": (b"strokes=3\nfiring_deg=[0]", "must be 2 or 4"),
    "boolean": (b"firing_deg=[true]", "numbers only"),
    "unknown-key": (b"firing_deg=[0]\nfirring_deg=[0]", "firring_deg"),
}


@pytest.mark.parametrize("name", LAYOUT_FILES)
def test_layout_files(refused: Refused, folder: Path, name: str) -> None:
    """A layout file with a fault is one line that names the fault, whatever is in it."""
    body, said = LAYOUT_FILES[name]
    (folder / f"{name}.toml").write_bytes(body)
    line = refused("explain", f"{name}.toml")
    assert any(part in line for part in said.split("|")), line[:500]
    assert len(line) < 1000


SPEED_FILES = {
    "empty": (b"", "first line must be time_s,rpm"),
    "no-header": (b"0,900\n1,1000\n", "first line must be time_s,rpm"),
    "no-points": (b"time_s,rpm\n", "no points"),
    "words": (b"time_s,rpm\n0,fast\n", "line 2"),
    "three-columns": (b"time_s,rpm\n0,900,1\n", "line 2"),
    "falling": (b"time_s,rpm\n1,900\n0,900\n", "numbers that rise"),
    "zero": (b"time_s,rpm\n0,0\n", "out of range"),
    "nan": (b"time_s,rpm\n0,nan\n", "rpm"),
    "nan-time": (b"time_s,rpm\n0,900\nnan,900\n", "numbers that rise"),
    "binary": (bytes(range(256)) * 4, "is no text"),
    "nul": (b"time_s,rpm\n\0,900\n", "line 2"),
    "huge-cell": (b"time_s,rpm\n" + b"1" * 300_000 + b",900\n", "speed"),
}


@pytest.mark.parametrize("name", SPEED_FILES)
def test_speed_files(refused: Refused, folder: Path, name: str) -> None:
    """A speed file with a fault is one line that names the line or the rule."""
    body, said = SPEED_FILES[name]
    (folder / f"{name}.csv").write_bytes(body)
    line = refused(*RENDER, "--rpm", f"{name}.csv")
    assert said in line, line[:500]
    assert not (folder / "out.wav").exists()


@pytest.mark.parametrize("name", ["out.wav", "out.flac", "out.ogg"])
def test_existing_output(run: Run, refused: Refused, folder: Path, name: str) -> None:
    """An existing output is refused and kept, and replaced with --force."""
    (folder / name).write_text("mine")
    args = ("render", "boxer-twin", "--duration", "0.5", "--output", name)
    assert "exists already; give --force" in refused(*args)
    assert (folder / name).read_text() == "mine"
    assert run(*args, "--force").exit_code == 0
    assert soundfile.info(folder / name).frames > 0
    assert os.listdir(folder) == [name]


def _clip(name: str, samples: object, rate_hz: int = 44_100, subtype: str | None = None) -> None:
    soundfile.write(name, samples, rate_hz, subtype=subtype)


@pytest.mark.parametrize("name", ["text.wav", "empty.wav", "none.wav", ".", "nan.wav", "one-sample.wav"])
def test_clips_that_cannot_be_analysed(run: Run, folder: Path, name: str) -> None:
    """No sound file, an empty or missing one, one of NaN and one of one sample: one line each, and exit code 1."""
    Path("text.wav").write_text("no sound at all")
    Path("empty.wav").write_bytes(b"")
    _clip("nan.wav", np.full(44_100, np.nan), subtype="FLOAT")
    _clip("one-sample.wav", [0.5])
    result = run("analyse", name)
    assert (result.exit_code, result.stdout) == (1, "")
    assert len(result.stderr.splitlines()) == 1
    assert result.stderr.startswith(f"firing-pulse: {name}: ")


def test_file_that_opens_and_cannot_be_read(refused: Refused) -> None:
    """A bad disk gives an error at the first read; so does this file, which opens, at a place where no memory is."""
    if not Path("/proc/self/mem").exists():
        pytest.skip("this system has no file that opens and cannot be read")
    assert refused("analyse", "/proc/self/mem").startswith("firing-pulse: /proc/self/mem: ")


@pytest.mark.parametrize(
    "name", ["silent", "constant", "eight-channels", "8-khz", "192-khz", "clipped", "tiny", "11-hz"]
)
def test_odd_clips_get_an_answer(run: Run, name: str) -> None:
    """Silent and odd, but readable: an answer of the contract that claims no rhythm, or one line that says why not."""
    noise = np.random.default_rng(1).uniform(-0.3, 0.3, (88_200, 8))
    made: dict[str, tuple[object, int]] = {
        "silent": (np.zeros(88_200), 44_100),
        "constant": (np.full(88_200, 0.5), 44_100),
        "eight-channels": (noise, 44_100),
        "8-khz": (noise[:16_000, 0], 8_000),
        "192-khz": (noise[:, 0], 192_000),
        "clipped": (np.sign(noise[:, 0]), 44_100),
        "tiny": (noise[:, 0] * 1e-12, 44_100),
        "11-hz": (noise[:, 0], 11),
    }
    samples, rate_hz = made[name]
    _clip("clip.wav", samples, rate_hz, subtype="DOUBLE")
    result = run("analyse", "--json", "clip.wav")
    answer = json.loads(result.stdout)
    if "error" in answer:
        assert result.exit_code == 1
        assert len(result.stderr.splitlines()) == 1
    else:
        assert (result.exit_code, result.stderr) == (0, "")
        assert answer["verdict"] in ("no-rhythm", "undetermined")


def test_header_that_claims_ten_hours(run: Run, folder: Path) -> None:
    """A 1 kB file whose header claims ten hours is told to be too short or cut, not worked on for hours."""
    size = 10 * 3600 * 8000 * 2
    header = (
        b"RIFF" + struct.pack("<I", 36 + size) + b"WAVEfmt " + struct.pack("<IHHIIHH", 16, 1, 1, 8000, 16000, 2, 16)
    )
    (folder / "claims.wav").write_bytes((header + b"data" + struct.pack("<I", size)).ljust(1000, b"\1"))
    result = run("analyse", "claims.wav")
    assert result.exit_code == 1
    assert len(result.stderr.splitlines()) == 1
