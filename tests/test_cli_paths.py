"""Files of a command: no output takes the place of an input or of another output, and names say formats."""

import os
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile
from click.testing import Result

Run = Callable[..., Result]
Refused = Callable[..., str]
LAYOUT = "firing_deg = [0, 200]\n"
EXHAUST = "primary = { length_m = 0.5, bore_m = 0.04, gas_c = 500 }\n"
CURVE = "time_s,rpm\n0,900\n1,1200\n"


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Work in a folder with a recording, layouts, an exhaust and a speed curve; some have an output's ending."""
    folder = tmp_path / "work"
    folder.mkdir()
    monkeypatch.chdir(folder)
    soundfile.write("u.wav", np.random.default_rng(1).uniform(-0.1, 0.1, 16_000), 8_000)
    for name, text in {
        "own.toml": LAYOUT, "own.wav": LAYOUT, "own.png": LAYOUT, "own.html": LAYOUT, "pipes.toml": EXHAUST,
        "pipes.wav": EXHAUST, "pa.csv": CURVE,
    }.items():  # fmt: skip
        Path(name).write_text(text, encoding="utf-8")
    os.symlink("u.wav", "link.wav")
    os.link("u.wav", "second.wav")
    return folder


def _contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


@pytest.mark.parametrize("force", [(), ("--force",)], ids=["", "force"])
@pytest.mark.parametrize(
    "line",
    [
        "analyse u.wav --hear-back u.wav",
        "analyse u.wav --hear-back ./u.wav",
        "analyse u.wav --hear-back=../work/u.wav",
        "analyse u.wav --hear-back link.wav",
        "analyse link.wav --hear-back u.wav",
        "analyse u.wav --hear-back second.wav",
        "analyse own.png --figure own.png",
        "lesson boxer-twin --recording own.html -o own.html",
        "lesson boxer-twin --texts own.html -o own.html",
        "lesson ./own.html -o own.html",
        "render inline-four --rpm pa.csv --events pa.csv -o out.wav",
        "render boxer-twin --exhaust pipes.toml --events ./pipes.toml -o out.wav",
        "render boxer-twin --exhaust ./pipes.wav -o pipes.wav",
        "render ./own.wav -o own.wav",
        "compare boxer-twin ./own.wav -o own.wav",
        "compare boxer-twin inline-four --exhaust ./pipes.wav -o pipes.wav",
        "explain ./own.png --figure own.png",
        "explain boxer-twin --exhaust ./own.png --figure own.png",
    ],
)
def test_an_input_is_never_replaced(run: Run, folder: Path, line: str, force: tuple[str, ...]) -> None:
    """An output that is one of the files read is refused as a wrong command line, however its path is spelt."""
    if line.startswith("explain boxer-twin"):
        Path("own.png").write_text(EXHAUST, encoding="utf-8")
    before = _contents(folder)
    result = run(*line.split(), *force)
    assert (result.exit_code, result.stdout) == (2, "")
    assert "is read by this command; give what it writes another name" in result.stderr
    assert len(result.stderr.splitlines()) == 1
    assert _contents(folder) == before


@pytest.mark.parametrize("force", [(), ("--force",)], ids=["", "force"])
@pytest.mark.parametrize(
    "line",
    [
        "render v-twin-45 -o out.wav --events out.wav",
        "render v-twin-45 -o out.wav --events ./out.wav",
        "render v-twin-45 -o ../work/out.wav --events out.wav",
        "render v-twin-45 -o u.wav --events link.wav",
        "analyse --microphone 5 --keep out.wav --hear-back ./out.wav",
    ],
)
def test_two_outputs_are_two_files(run: Run, folder: Path, line: str, force: tuple[str, ...]) -> None:
    """Two outputs of one name are refused before anything is written."""
    before = _contents(folder)
    result = run(*line.split(), *force)
    assert (result.exit_code, result.stdout) == (2, "")
    assert "two outputs cannot be one file" in result.stderr
    assert _contents(folder) == before


def test_force_still_replaces_other_files(run: Run, folder: Path) -> None:
    """With --force an output may replace any file that the same command does not read."""
    result = run("render", "./own.toml", "--rpm", "pa.csv", "-o", "u.wav", "--events", "own.png", "--force")
    assert result.exit_code == 0, result.stderr
    assert soundfile.info("u.wav").samplerate == 48_000
    assert Path("own.png").read_text(encoding="utf-8").startswith("time_s,cylinder")
    assert Path("own.toml").read_text(encoding="utf-8") == LAYOUT


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("render boxer-twin -o a.mp3", "name it .wav, .flac or .ogg"),
        ("compare boxer-twin v-twin-45 -o a", "name it .wav, .flac or .ogg"),
        ("analyse u.wav --hear-back a.txt", "name it .wav, .flac or .ogg"),
        ("analyse u.wav --figure a.jpg", "name it .png, .svg or .pdf"),
        ("explain boxer-twin --figure a.jpg", "name it .png, .svg or .pdf"),
        ("lesson boxer-twin -o page.txt", "name it .html"),
        ("render boxer-twin -o a.flac --bits float", "take --bits 24, or a .wav file"),
        ("render boxer-twin -o a.ogg --bits 24", "leave it out, or write .wav or .flac"),
        ("compare boxer-twin v-twin-45 -o a.ogg --bits float", "leave it out, or write .wav or .flac"),
    ],
)
def test_a_name_that_says_no_format_is_a_wrong_command_line(run: Run, folder: Path, line: str, said: str) -> None:
    """An ending or sample format that a file cannot have is refused with those that it can, before any work."""
    before = _contents(folder)
    result = run(*line.split())
    assert (result.exit_code, result.stdout) == (2, "")
    assert said in result.stderr
    assert _contents(folder) == before


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("explain ./none.toml", "layout file none.toml: there is no such file; check its name and folder"),
        ("explain own.wav/none.toml", "there is no such file; check its name and folder"),
        ("render boxer-twin -o a.wav --exhaust none.toml", "exhaust file none.toml: there is no such file; check its"),
        ("render boxer-twin -o a.wav --rpm none.csv", "speed file none.csv: there is no such file; check its name"),
        ("lesson boxer-twin -o a.html --texts none.toml", "none.toml: there is no such file; check its name"),
        ("explain ./", "it is a folder; name a file in it"),
        ("analyse none.wav", "there is no such file; give a sound file (WAV, FLAC, OGG, AIFF"),
    ],
)
def test_a_file_that_is_not_there(refused: Refused, folder: Path, line: str, said: str) -> None:
    """An input that is not there is one line that says what to do."""
    assert said in refused(*line.split())


@pytest.mark.parametrize("name", ["v-twin-45", "open-stubs"])
def test_a_name_from_the_catalogue_is_no_file_that_is_read(run: Run, folder: Path, name: str) -> None:
    """An output may be called like the layout or the exhaust that is rendered: neither is read from such a file."""
    result = run(*f"render v-twin-45 --exhaust open-stubs --duration 0.2 -o out.wav --events {name}".split())
    assert result.exit_code == 0, result.stderr
    assert Path(name).read_text(encoding="utf-8").startswith("time_s")
