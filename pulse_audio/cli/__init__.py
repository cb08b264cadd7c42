"""The command line: one thin module per command, loaded only when that command runs."""

import contextlib
import io
import os
import sys
from collections.abc import Sequence
from difflib import get_close_matches
from importlib import import_module
from typing import Any

import click

from pulse_audio import __version__
from pulse_audio.cli.progress import show_progress
from pulse_audio.errors import PulseError, own_fault
from pulse_audio.files import shown

COMMANDS = {
    "layouts": "List the engine layouts that are known by name.",
    "explain": "Show how a layout fires, and why.",
    "render": "Write the sound of a layout to a file.",
    "compare": "Write several layouts in turn, at one speed and loudness.",
    "play": "Play layouts through the loudspeaker.",
    "analyse": "Read the firing intervals from a recording.",
    "drill": "Train the ear: even or uneven, which layout, how many pulses.",
    "lesson": "Make a teaching page with sound for one or more layouts.",
    "demo": "Make a folder of examples to listen to.",
}
FAILED, MISUSED, INTERRUPTED = 1, 2, 130


class _Group(click.Group):
    """Loads a command when it is called, and turns every error into one line and an exit code."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        command = import_module(f"pulse_audio.cli.{cmd_name}").command
        assert isinstance(command, click.Command)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        if args and args[0] not in COMMANDS and not args[0].startswith("-"):
            near = get_close_matches(args[0], COMMANDS, 1)
            ctx.fail(f"there is no command {args[0]!r}" + (f" (did you mean {near[0]}?)" if near else ""))
        return super().resolve_command(ctx, args)

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except click.UsageError as e:
            if e.ctx is None and ctx.invoked_subcommand:  # click's parser does not say whose option it was
                command = self.get_command(ctx, ctx.invoked_subcommand)
                assert command is not None
                e.ctx = click.Context(command, parent=ctx, info_name=ctx.invoked_subcommand)
            raise

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))

    def main(self, args: Sequence[str] | None = None, prog_name: str | None = "firing-pulse", **extra: Any) -> Any:  # type: ignore[override]
        extra.pop("standalone_mode", None)
        # Read when a command loads numpy: all matrices here are small, and one is not worth more than one thread.
        os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
        for stream in (sys.stdout, sys.stderr):
            if isinstance(stream, io.TextIOWrapper):
                stream.reconfigure(errors="backslashreplace")  # a terminal without our characters still gets the rest
        try:
            code = super().main(args, prog_name, standalone_mode=False, **extra)
            if sys.stdout is not None:
                sys.stdout.flush()
        except click.UsageError as e:
            where = e.ctx.command_path if e.ctx else "firing-pulse"
            code = _complain(f"{where}: {e.format_message().rstrip('.')}; see {where} --help", MISUSED)
        except click.ClickException as e:
            code = _complain(f"firing-pulse: {e.format_message()}", e.exit_code)
        except PulseError as e:
            code = _complain(f"firing-pulse: {e}", FAILED)
        except MemoryError:
            code = _complain("firing-pulse: not enough memory; give a shorter duration or span", FAILED)
        except (KeyboardInterrupt, click.Abort):
            code = INTERRUPTED
        except OSError as e:
            code = _output_failed(e)
        except Exception as e:
            code = _complain(f"firing-pulse: {own_fault(e)}", FAILED)
        sys.exit(code if isinstance(code, int) else 0)


def _complain(message: str, code: int) -> int:
    show_progress("")
    click.echo(shown(" ".join(message.split())), err=True)
    return code


def _output_failed(error: OSError) -> int:
    """Answer a stdout that takes no more: nothing to say if its reader has gone, else the reason."""
    with contextlib.suppress(OSError):
        # Python writes out what is left when it ends, and would complain once more.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    if isinstance(error, BrokenPipeError):
        return FAILED
    what = f"{error.filename}: " if error.filename else "cannot write the answer: "
    return _complain(f"firing-pulse: {what}{str(error.strerror or error).lower()}", FAILED)


@click.group(
    name="firing-pulse",
    cls=_Group,
    invoke_without_command=True,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.version_option(__version__, prog_name="firing-pulse")
@click.pass_context
def main(ctx: click.Context) -> None:
    """Hear how a crank layout fires, and find how a recording fires."""
    if ctx.invoked_subcommand is None:
        click.echo(ctx.get_help())
