"""The command line as a whole: exit codes, where things are printed, and how it stops."""

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import click
import pytest
from click.testing import CliRunner, Result

import pulse_audio
from pulse_audio import cli, player
from pulse_audio.cli.progress import CLEAR_LINE
from pulse_audio.errors import ClipError, OutputError

Run = Callable[..., Result]


def _start(*args: str, cwd: Path, **options: object) -> subprocess.Popen[str]:
    return subprocess.Popen(  # type: ignore[call-overload,no-any-return]
        [sys.executable, "-m", "pulse_audio", *args],
        cwd=cwd,
        stderr=subprocess.PIPE,
        text=True,
        **{"stdout": subprocess.PIPE, **options},
    )


@pytest.fixture
def command_that(monkeypatch: pytest.MonkeyPatch) -> Callable[[Callable[[], object]], None]:
    """Put a body of our own in the place of ``firing-pulse layouts``."""

    def install(body: Callable[[], object]) -> None:
        @click.command(name="layouts")
        def command() -> object:
            return body()

        monkeypatch.setattr(cli._Group, "get_command", lambda self, ctx, name: command)

    return install


def _raises(error: BaseException) -> Callable[[], object]:
    def body() -> object:
        raise error

    return body


@pytest.mark.parametrize(
    ("error", "code", "said"),
    [
        (ClipError("a.wav: the file is empty"), 1, "firing-pulse: a.wav: the file is empty\n"),
        (OutputError("cannot write a.wav: no"), 1, "firing-pulse: cannot write a.wav: no\n"),
        (click.ClickException("two\nlines"), 1, "firing-pulse: two lines\n"),
        (click.UsageError("wrong."), 2, None),
        (click.BadParameter("\x1b[31m"), 2, None),
        (MemoryError(), 1, "firing-pulse: not enough memory; give a shorter duration or span\n"),
        (PermissionError(13, "Permission denied", "a.toml"), 1, "firing-pulse: a.toml: permission denied\n"),
    ],
)
def test_errors_are_one_line(
    run: Run, command_that: Callable[..., None], error: Exception, code: int, said: str | None
) -> None:
    """Each kind of error is one line on stderr and its exit code; no control character is let through."""
    command_that(_raises(error))
    result = run("layouts")
    assert (result.exit_code, result.stdout) == (code, "")
    assert result.stderr.count("\n") == 1
    assert result.stderr.rstrip("\n").isprintable()
    if said is not None:
        assert result.stderr == said


def test_fault_of_ours_is_called_one(command_that: Callable[..., None]) -> None:
    """An error that nobody foresaw is one line too; it says whose fault it is, and where."""
    command_that(_raises(ZeroDivisionError("division by zero")))
    result = CliRunner().invoke(cli.main, ["layouts"])
    assert (result.exit_code, result.stdout) == (1, "")
    told = r"firing-pulse: a fault of firing-pulse itself \(ZeroDivisionError: division by zero, \S+ line \d+\); .*\n"
    assert re.fullmatch(told, result.stderr)


@pytest.mark.parametrize(("stop", "code"), [(KeyboardInterrupt(), 130), (click.Abort(), 130)])
def test_interrupted(run: Run, command_that: Callable[..., None], stop: BaseException, code: int) -> None:
    """Being interrupted says nothing and exits with 128 + SIGINT (common practice of shells)."""
    command_that(_raises(stop))
    result = run("layouts")
    assert (result.exit_code, result.output.strip()) == (code, "")


def test_exit_code_of_command_is_passed_on(run: Run, command_that: Callable[..., None]) -> None:
    """A command that did part of its work sets the exit code itself."""
    command_that(lambda: click.get_current_context().exit(1))
    assert run("layouts").exit_code == 1
    command_that(lambda: "a value that is no exit code")
    assert run("layouts").exit_code == 0


def test_help_lists_every_command(run: Run) -> None:
    """Without arguments the help is printed, and it names every command."""
    result = run()
    assert (result.exit_code, result.stderr) == (0, "")
    assert all(f"  {name} " in result.stdout for name in cli.COMMANDS)
    assert run("--help").stdout == result.stdout == run("-h").stdout


@pytest.mark.parametrize("name", cli.COMMANDS)
def test_every_command_has_help(run: Run, name: str) -> None:
    """Each command has a help text that says what it does, with a help line for every option."""
    result = run(name, "--help")
    assert (result.exit_code, result.stderr) == (0, "")
    assert result.stdout.startswith(f"Usage: firing-pulse {name} ")
    command = cli.main.get_command(click.Context(cli.main), name)
    assert command is not None
    assert command.help
    assert all(p.help for p in command.params if isinstance(p, click.Option))


def test_version(run: Run) -> None:
    """The version printed is the package's."""
    assert run("--version").stdout == f"firing-pulse, version {pulse_audio.__version__}\n"


@pytest.mark.parametrize("args", [["nonsense"], ["--nonsense"], ["layouts", "--nonsense"], ["render"], ["explain"]])
def test_wrong_command_line(refused: Callable[..., str], run: Run, args: list[str]) -> None:
    """A wrong command line is one line that names the help to read, and exit code 2."""
    assert run(*args).exit_code == 2
    assert refused(*args).endswith("--help")


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (("render", "--duration", "6s"), "'6s' is not a number; give 0.01 to 3600 s"),
        (("render", "--duration", "0"), "0.0 is not in the range 0.01 to 3600 s"),
        (("render", "--sample-rate", "1"), "1 is not in the range 8000 to 192000 Hz"),
        (("analyse", "--cylinders", "two"), "'two' is not a whole number; give 1 to 48"),
        (("analyse", "--end", "0"), "0.0 is not in the range more than 0 up to 400000 s"),
        (("layouts", "--cylinders", "0"), "0 is not in the range 1 or more"),
    ],
)
def test_numbers_are_refused_in_plain_words(refused: Callable[..., str], args: tuple[str, ...], said: str) -> None:
    """A number out of range, or none, is answered with the range and its unit."""
    line = refused(*args)
    assert line == f"firing-pulse {args[0]}: Invalid value for '{args[1]}': {said}; see firing-pulse {args[0]} --help"


def test_help_gives_ranges_in_plain_words(run: Run) -> None:
    """The help of an option names its range as a refusal does."""
    told = " ".join(run("render", "-h").stdout.split())
    assert "Length in seconds; if not given, 6, or that of the CSV file. [0.01 to 3600 s]" in told


def test_option_without_its_value_names_the_help_of_its_command(refused: Callable[..., str]) -> None:
    """An option at the end of the line that lacks its value sends the reader to the help of the right command."""
    line = refused("render", "boxer-twin", "-o", "a.wav", "--ticks")
    assert line == "firing-pulse render: Option '--ticks' requires an argument; see firing-pulse render --help"


@pytest.mark.parametrize(
    "args",
    [
        ("render", "--exhaust", "nosuch"),
        ("compare", "inline-four", "--exhaust", "nosuch"),
        ("explain", "--exhaust", "nosuch"),
        ("play", "--exhaust", "nosuch"),
        ("lesson", "-o", "a.html", "--exhaust", "nosuch"),
        ("render", "--misfire", "3"),
        ("render", "--misfire", "2:50%"),
        ("render", "--blip"),
        ("render", "--loop", "--rpm", "900:1000"),
        ("render", "--ideal", "--noise", "6"),
        ("compare",),
    ],
)
def test_words_that_mean_nothing_are_a_wrong_command_line(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, args: tuple[str, ...]
) -> None:
    """Options that say what cannot be, alone or together, are exit code 2 and one line that names the help."""
    monkeypatch.chdir(tmp_path)
    out = ("-o", "a.wav") if args[0] in ("render", "compare") else ()
    result = run(args[0], "boxer-twin", *args[1:], *out)
    assert (result.exit_code, result.stdout) == (2, "")
    assert result.stderr.endswith(f"see firing-pulse {args[0]} --help\n")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("command", ["compare", "lesson", "play"])
def test_layouts_differ(refused: Callable[..., str], command: str) -> None:
    """A layout that is given twice, in whatever spelling, is refused: there would be nothing to compare."""
    line = refused(command, "boxer-twin", "inline-four", "Boxer_Twin")
    assert "boxer-twin is given twice; give each layout once" in line


@pytest.mark.parametrize("command", ["play", "drill"])
def test_no_sound_device_is_said(run: Run, monkeypatch: pytest.MonkeyPatch, command: str) -> None:
    """Where there is no sound device the list of them is empty, and a note says so and what to do instead."""
    monkeypatch.setattr(player, "list_devices", tuple)
    result = run(command, "--list-devices")
    assert (result.exit_code, result.stdout) == (0, "")
    assert result.stderr.startswith("No sound device is found; ")
    assert "firing-pulse render LAYOUT -o FILE.wav" in result.stderr


def test_slip_in_a_command_is_guessed(refused: Callable[..., str]) -> None:
    """A command spelt otherwise is answered with the one that exists."""
    assert refused("analyze", "a.wav") == (
        "firing-pulse: there is no command 'analyze' (did you mean analyse?); see firing-pulse --help"
    )


def test_module_is_the_command(tmp_path: Path) -> None:
    """``python -m pulse_audio`` prints what ``firing-pulse`` prints."""
    installed = Path(sys.executable).parent / "firing-pulse"
    one = subprocess.run([installed, "--help"], cwd=tmp_path, capture_output=True, text=True, check=True)
    two = subprocess.run(
        [sys.executable, "-m", "pulse_audio", "--help"], cwd=tmp_path, capture_output=True, text=True, check=True
    )
    assert one.stdout == two.stdout
    assert "analyse" in one.stdout


def test_closed_pipe_is_quiet(tmp_path: Path) -> None:
    """A reader that goes away before the answer ends the command without a word."""
    read, write = os.pipe()
    os.close(read)
    with os.fdopen(write, "w") as gone:
        child = _start("layouts", cwd=tmp_path, stdout=gone)
        _, errors = child.communicate(timeout=60)
    assert (child.returncode, errors) == (1, "")


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="/dev/full is a Linux device")
def test_full_stdout_is_one_line(tmp_path: Path) -> None:
    """An answer that cannot be written ends with the reason and exit code 1."""
    with open("/dev/full", "w") as full:
        child = _start("layouts", cwd=tmp_path, stdout=full)
        _, errors = child.communicate(timeout=60)
    assert (child.returncode, errors) == (1, "firing-pulse: cannot write the answer: no space left on device\n")


def test_error_wipes_the_progress_line(tmp_path: Path) -> None:
    """On a terminal the line of progress is wiped before an error takes its place."""
    pytest.importorskip("pty")
    from terminal import terminal

    bad, page = tmp_path / "bad.wav", tmp_path / "page.html"
    bad.write_text("no sound")
    words = ["lesson", "boxer-twin", "--rpm", "900", "--recording", str(bad), "-o", str(page)]
    with terminal([sys.executable, "-m", "pulse_audio", *words], dict(os.environ)) as tty:
        assert tty.wait() == 1
        assert f"{CLEAR_LINE}firing-pulse: {bad}: " in tty.text


def test_closed_stdout(tmp_path: Path) -> None:
    """A command started without a stdout does its work."""
    line = f'"{sys.executable}" -m pulse_audio layouts >&-'
    done = subprocess.run(["sh", "-c", line], cwd=tmp_path, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")


def test_terminal_without_our_characters(tmp_path: Path) -> None:
    """On a terminal that knows ASCII only the answer is still printed."""
    child = _start("explain", "parallel-twin-270", cwd=tmp_path, env={**os.environ, "PYTHONIOENCODING": "ascii"})
    out, errors = child.communicate(timeout=60)
    assert (child.returncode, errors) == (0, "")
    assert out.isascii()


def test_ctrl_c_while_writing(tmp_path: Path) -> None:
    """Ctrl-C during a long render ends at once with exit code 130, no file, and nothing said."""
    child = _start("render", "inline-four", "--duration", "3600", "--output", "long.wav", cwd=tmp_path)
    deadline = time.monotonic() + 60
    while not list(tmp_path.iterdir()) and child.poll() is None and time.monotonic() < deadline:
        time.sleep(0.02)
    child.send_signal(signal.SIGINT)
    out, errors = child.communicate(timeout=60)
    assert (child.returncode, out, errors.strip()) == (130, "", "")
    assert os.listdir(tmp_path) == []


@pytest.mark.parametrize(
    ("words", "position", "offered"),
    [("firing-pulse ex", 1, "explain"), ("firing-pulse explain --r", 2, "--rpm"), ("firing-pulse ", 1, "analyse")],
)
def test_shell_completion(words: str, position: int, offered: str, tmp_path: Path) -> None:
    """The Tab key offers commands and options, by the variables that a shell sets (click's shell completion)."""
    asked = {"_FIRING_PULSE_COMPLETE": "bash_complete", "COMP_WORDS": words, "COMP_CWORD": str(position)}
    child = _start(cwd=tmp_path, env={**os.environ, **asked})
    out, errors = child.communicate(timeout=60)
    assert (child.returncode, errors) == (0, "")
    assert f"plain,{offered}" in out.splitlines()
