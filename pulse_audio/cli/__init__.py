"""The command line: one thin module per command, loaded only when that command runs."""

import os
import signal
import sys
from collections.abc import Sequence
from importlib import import_module
from typing import Any

import click

from pulse_audio import __version__
from pulse_audio.errors import PulseError

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
INTERRUPTED = 130


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

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))

    def main(self, args: Sequence[str] | None = None, prog_name: str | None = "firing-pulse", **extra: Any) -> Any:  # type: ignore[override]
        extra.pop("standalone_mode", None)
        try:
            code = super().main(args, prog_name, standalone_mode=False, **extra)
            sys.stdout.flush()
        except click.UsageError as e:
            where = e.ctx.command_path if e.ctx else "firing-pulse"
            code = _complain(f"{where}: {e.format_message().rstrip('.')}; see {where} --help", 2)
        except click.ClickException as e:
            code = _complain(f"firing-pulse: {e.format_message()}", e.exit_code)
        except PulseError as e:
            code = _complain(f"firing-pulse: {e}", 1)
        except (KeyboardInterrupt, click.Abort):
            code = INTERRUPTED
        except BrokenPipeError:
            # The reader has gone; Python would complain once more when it closes stdout at exit.
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            code = 128 + signal.SIGPIPE
        sys.exit(code if isinstance(code, int) else 0)


def _complain(message: str, code: int) -> int:
    line = " ".join(message.split())
    click.echo("".join(c if c.isprintable() else repr(c)[1:-1] for c in line), err=True)
    return code


@click.group(cls=_Group, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="firing-pulse")
def main() -> None:
    """Hear how a crank layout fires, and find how a recording fires."""
