"""What importing the package loads, and that sound devices are needed only for playing."""

import ast
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

import pulse_audio

ROOT = Path(__file__).parents[1]
LIGHT = ("errors", "units", "checks", "files", "layout", "catalogue", "speed", "firing", "clip", "loudness", "analysis")


def _python(code: str, *path: Path, cwd: Path) -> subprocess.CompletedProcess[str]:
    """Run Python on `code` with `path` put before everything that it can import."""
    start = f"import sys; sys.path[:0] = {[str(p) for p in path]!r}\n"
    return subprocess.run([sys.executable, "-c", start + code], cwd=cwd, capture_output=True, text=True, check=False)


def test_ci_tests_what_it_installed() -> None:
    """Where CI says into which environment it installed the package, the one under test is from there."""
    home = os.environ.get("FIRING_PULSE_INSTALLED_IN")
    assert home is None or Path(home).resolve() in Path(pulse_audio.__file__).resolve().parents


@pytest.mark.parametrize("module", ["", *LIGHT])
def test_core_loads_neither_sound_device_nor_command_line(module: str, tmp_path: Path) -> None:
    """Importing the package or a core module loads neither sounddevice nor click."""
    name = f"pulse_audio.{module}".rstrip(".")
    done = _python(f"import {name}; print({{'sounddevice', 'click'}} & set(sys.modules))", cwd=tmp_path)
    assert (done.stdout, done.stderr) == ("set()\n", "")


def test_package_import_loads_nothing_heavy(tmp_path: Path) -> None:
    """`import pulse_audio` loads no numeric library: every name is fetched when first used."""
    heavy = "{'numpy', 'scipy', 'soundfile', 'matplotlib'}"
    done = _python(f"import pulse_audio; print({heavy} & set(sys.modules))", cwd=tmp_path)
    assert (done.stdout, done.stderr) == ("set()\n", "")


def test_help_loads_nothing_heavy(tmp_path: Path) -> None:
    """The help of the command and of each part of it loads no numeric library, so that it is there at once."""
    code = """
from pulse_audio.cli import COMMANDS, main
for args in ([], *([name, "--help"] for name in COMMANDS)):
    try:
        main(args)
    except SystemExit as e:
        assert e.code == 0, args
print({"numpy", "scipy", "soundfile", "sounddevice", "matplotlib"} & set(sys.modules))
"""
    done = _python(code, cwd=tmp_path)
    assert (done.stdout.splitlines()[-1], done.stderr) == ("set()", "")


def test_every_public_name_is_there() -> None:
    """Each name that the package promises can be fetched, and no other can."""
    for name in pulse_audio.__all__:
        assert getattr(pulse_audio, name) is not None
    with pytest.raises(AttributeError, match="nonsense"):
        _ = pulse_audio.nonsense


@pytest.fixture
def no_port_audio(tmp_path: Path) -> Path:
    """Give a folder whose `sounddevice` fails as the real one does where PortAudio is absent."""
    folder = tmp_path / "no_port_audio"
    folder.mkdir()
    (folder / "sounddevice.py").write_text("raise OSError('PortAudio library not found')\n")
    return folder


def _command(*args: str) -> str:
    return f"from pulse_audio.cli import main\nmain({list(args)!r})"


def test_render_and_analyse_without_port_audio(tmp_path: Path, no_port_audio: Path) -> None:
    """Sound is written and read where PortAudio is absent."""
    for args in (
        ("render", "boxer-twin", "--output", "a.wav", "--duration", "2"),
        ("compare", "boxer-twin", "parallel-twin-180", "--output", "b.wav", "--duration", "1"),
        ("analyse", "a.wav"),
    ):
        done = _python(_command(*args), no_port_audio, cwd=tmp_path)
        assert done.returncode == 0, done.stderr
    assert (tmp_path / "a.wav").stat().st_size > 100_000
    assert (tmp_path / "b.wav").exists()


def test_play_without_port_audio(tmp_path: Path, no_port_audio: Path) -> None:
    """Playing without PortAudio ends with one line that says what is missing."""
    done = _python(_command("play", "boxer-twin", "--seconds", "1"), no_port_audio, cwd=tmp_path)
    assert (done.returncode, done.stdout) == (1, "")
    assert len(done.stderr.splitlines()) == 1
    assert "PortAudio" in done.stderr


def _imported(file: Path) -> set[tuple[str, ...]]:
    """Modules of the package that a file imports, each as the parts of its name."""
    found = set()
    for node in ast.walk(ast.parse(file.read_text())):
        if isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] == "pulse_audio":
            parts = tuple(node.module.split(".")[1:])
            found |= {(*parts, alias.name) for alias in node.names} if len(parts) < 2 else {parts}
    return found


@pytest.mark.parametrize("part", ["", "analysis"])
def test_modules_import_only_from_those_named_before_them(part: str) -> None:
    """The table of DEVELOPERS.md names every module once, and in an order in which each imports only earlier ones."""
    rows = [line for line in (ROOT / "DEVELOPERS.md").read_text().splitlines() if line.startswith("| `")]
    table = rows[: next(k for k, row in enumerate(rows) if row.startswith("| `cli/`")) + 1]
    if part:
        (row,) = (row for row in table if row.startswith(f"| `{part}/`"))
        named = re.findall(r"`(\w+)`", row.split(":", 1)[1].split("in that order")[0])
    else:
        named = [re.sub("/$", "", name) for row in table for name in re.findall(r"`(\w+/?)`", row.split("|")[1])]
    folder = ROOT / "pulse_audio" / part
    there = {path.stem for path in folder.glob("*") if path.suffix == ".py" or (path / "__init__.py").exists()}
    assert sorted(named) == sorted(there - {"__init__", "__main__"})
    depth = 1 if part else 0
    for place, name in enumerate(named):
        own = folder / name
        for file in sorted(own.rglob("*.py")) if own.is_dir() else [own.with_suffix(".py")]:
            for parts in _imported(file):
                if len(parts) > depth and (not part or parts[0] == part) and parts[depth] in named:
                    assert parts[depth] in [*named[:place], name], f"{file} imports {parts}"


def test_limits_that_the_command_line_repeats_are_those_of_the_package() -> None:
    """So that help is there at once, the command line has its own copies of a few limits; they are the same."""
    from pulse_audio import layout, speed, synth
    from pulse_audio.cli import analyse, options, render

    assert options.SAMPLE_RATES_HZ == synth.SAMPLE_RATES_HZ
    assert render.DURATIONS_S == speed.DURATIONS_S
    assert analyse.MAX_CYLINDERS == layout.MAX_CYLINDERS
