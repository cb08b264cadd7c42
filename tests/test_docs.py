"""Every command line in README.md and docs/ works, and every link leads somewhere."""

import os
import re
import runpy
import shlex
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import click
import numpy as np
import pytest
import soundfile

import pulse_audio
from pulse_audio.cli import COMMANDS, main

ROOT = Path(__file__).parents[1]
PAGES = sorted([ROOT / "README.md", ROOT / "DEVELOPERS.md", *(ROOT / "docs").glob("*.md")])
BLOCK = re.compile(r"^```(\w+)[ ]*(\S*)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
LINK = re.compile(r"\]\((?!https?:)([^)#]+)")
# Run by .ci/run or not at all: an environment within an environment.
SET_UP = (".venv", "python3 -m venv", ". .venv", "pip install")
WRITES = ("-o", "--output", "--events", "--figure", "--hear-back", "--keep", "--print", ">")  # a new file follows
NEEDS_A_PERSON = ("play", "drill")  # their options are checked here; tests of their own play them


@dataclass(frozen=True, kw_only=True)
class Page:
    """The parts of a page that can be tried: files that it gives in full, command lines in order, lines they print."""

    files: dict[str, str]
    commands: tuple[str, ...]
    printed: tuple[str, ...]


def _read(path: Path) -> Page:
    blocks = BLOCK.findall(path.read_text(encoding="utf-8"))
    lines = "\n".join(body for language, _, body in blocks if language == "sh").replace("\\\n", " ").splitlines()
    return Page(
        files={name: body for _, name, body in blocks if name},
        commands=tuple(line for line in lines if line.strip() and not line.startswith(SET_UP)),
        printed=tuple(line for language, _, body in blocks if language == "output" for line in body.splitlines()),
    )


def _only_checked(line: str) -> bool:
    words = shlex.split(line)
    return words[1] in NEEDS_A_PERSON or "--microphone" in words


@pytest.mark.parametrize("path", PAGES, ids=lambda p: p.name)
def test_commands_in_page_run(path: Path, tmp_path: Path) -> None:
    """Run in order in one folder, each command of a page ends well, and what the page shows of the answers is there."""
    page = _read(path)
    (tmp_path / "samples").symlink_to(ROOT / "samples")
    for name, body in page.files.items():
        (tmp_path / name).write_text(body, encoding="utf-8")
    bin_folder = Path(sys.executable).parent
    env = {**os.environ, "PATH": f"{bin_folder}{os.pathsep}{os.environ['PATH']}"}
    printed = ""
    for line in page.commands:
        assert line.startswith(("firing-pulse ", "python ", "eval ")), f"{line}: say how this is to be tested"
        if line.startswith("firing-pulse ") and _only_checked(line):
            _, name, *args = shlex.split(line)
            command = main.get_command(click.Context(main), name)
            assert command is not None
            command.make_context(name, args)
            continue
        done = subprocess.run(["bash", "-c", line], cwd=tmp_path, env=env, capture_output=True, text=True, check=False)
        assert done.returncode == 0, f"{line}\n{done.stderr}"
        assert "Traceback" not in done.stderr
        printed += done.stdout
    answers = {" ".join(line.split()) for line in printed.splitlines()}
    assert {" ".join(line.split()) for line in page.printed} <= answers
    for kept in (ROOT / "docs" / "media").glob("*.ogg"):
        if (tmp_path / kept.name).exists():
            _assert_same_sound(tmp_path / kept.name, kept)


def _assert_same_sound(made: Path, kept: Path) -> None:
    """Assert that two sound files correlate: a lossy copy does by 0.998, the same engine under another seed by 0.01."""
    (one, one_hz), (two, two_hz) = soundfile.read(made), soundfile.read(kept)
    assert (one.shape, one_hz) == (two.shape, two_hz), f"make {kept} anew"
    assert np.corrcoef(one, two)[0, 1] > 0.9, f"make {kept} anew, with the command beside it in the page"


@pytest.mark.parametrize("path", PAGES, ids=lambda p: p.name)
def test_links_lead_somewhere(path: Path) -> None:
    """Every link to a file of the project leads to one that is there."""
    for target in LINK.findall(path.read_text(encoding="utf-8")):
        assert (path.parent / target).exists(), f"{path.name} links to {target}"


def test_api_reference_is_that_of_the_docstrings() -> None:
    """docs/api.md is what docs/make_api.py makes of the docstrings now."""
    made = runpy.run_path(str(ROOT / "docs" / "make_api.py"))["api_page"]()
    page = (ROOT / "docs" / "api.md").read_text(encoding="utf-8")
    assert page == made, "make it anew: python docs/make_api.py"
    assert all(f"\n## {name}\n" in page for name in pulse_audio.__all__)


def test_every_command_is_in_the_docs() -> None:
    """Each command has an example in README.md or docs/."""
    lines = [line for path in PAGES for line in _read(path).commands]
    for name in COMMANDS:
        assert any(line.startswith(f"firing-pulse {name}") for line in lines) or name == "demo", name


def test_readme_sets_up_with_two_commands() -> None:
    """The first shell block of README.md is the two commands: one installs and runs the demo, one runs the tests."""
    first = next(body for language, _, body in BLOCK.findall((ROOT / "README.md").read_text()) if language == "sh")
    lines = first.splitlines()
    assert len(lines) == 2
    assert lines[0].startswith("python3 -m venv .venv && ")
    assert lines[0].endswith("firing-pulse demo")
    assert lines[1].endswith(".venv/bin/pytest")


def test_readme_says_how_to_find_the_command() -> None:
    """README.md activates the environment before its first bare command; each tutorial and the recipes send there."""
    blocks = BLOCK.findall((ROOT / "README.md").read_text(encoding="utf-8"))
    lines = "".join(body for language, _, body in blocks if language == "sh").splitlines()
    bare = next(k for k, line in enumerate(lines) if line.startswith("firing-pulse "))
    assert ". .venv/bin/activate" in lines[:bare]
    for page in [*(ROOT / "docs").glob("tutorial-*.md"), ROOT / "docs" / "how-to.md"]:
        assert "](../README.md#try-it)" in page.read_text(encoding="utf-8").split("```")[0], page.name


def test_pictures_are_installed_as_the_program_says() -> None:
    """README.md names the same command for matplotlib as the message that asks for it."""
    asked = re.search(r"install it with: ([^\"]+)", (ROOT / "pulse_audio/figures/style.py").read_text())
    assert asked is not None
    assert f"\n{asked[1]}\n" in (ROOT / "README.md").read_text(encoding="utf-8")


def test_no_two_commands_write_one_file() -> None:
    """Whoever follows the pages one after the other in one folder never meets a file that exists already."""
    written = [
        words[k + 1]
        for path in PAGES
        for words in map(shlex.split, _read(path).commands)
        for k, word in enumerate(words)
        if word in WRITES
    ]
    assert len(written) > 20
    assert [name for name in written if written.count(name) > 1] == []


def test_versions_agree() -> None:
    """The version is the same in pyproject.toml, in the package, and at the top of the change log."""
    project = (ROOT / "pyproject.toml").read_text()
    log = (ROOT / "DEVELOPERS.md").read_text().split("## Change log")[1]
    assert re.search(r'^version = "(.*)"$', project, re.MULTILINE)[1] == pulse_audio.__version__  # type: ignore[index]
    assert re.search(r"^### (\S+)", log, re.MULTILINE)[1] == pulse_audio.__version__  # type: ignore[index]


def test_every_folder_of_code_is_packaged() -> None:
    """The packages that pyproject.toml lists are all that there are, so that none is missing from a wheel."""
    listed = set(re.findall(r'^    "(pulse_audio[\w.]*)",$', (ROOT / "pyproject.toml").read_text(), re.MULTILINE))
    folders = {p.parent.relative_to(ROOT) for p in (ROOT / "pulse_audio").rglob("*.py")}
    assert listed == {".".join(folder.parts) for folder in folders} | {"pulse_audio.samples"}
