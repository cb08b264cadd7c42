"""Files that a command reads and writes: argument types, and that no output takes the place of an input."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from pulse_audio.errors import OutputError, PulseError
from pulse_audio.files import check_target, same_file, shown

FILES_READ = "pulse_audio.files_read"  # in click's meta: what this command line has the command read


def note_read(ctx: click.Context | None, path: str | Path) -> None:
    """Remember a file that the command reads, so that no output takes its place."""
    if ctx is not None:
        ctx.meta.setdefault(FILES_READ, []).append(path)


def check_outputs(*outputs: Path | None, force: bool) -> None:
    """Refuse, before any work, what cannot be written, or would replace a file that is read or written as well.

    Raises
    ------
    click.UsageError
        An output is the same file as an input or as another output, by whatever path.
    OutputError
        An output exists and `force` is false, or it cannot be written.
    """
    wanted = [path for path in outputs if path is not None]
    for number, path in enumerate(wanted):
        if any(same_file(path, read) for read in click.get_current_context().meta.get(FILES_READ, ())):
            raise click.UsageError(f"{shown(path)} is read by this command; give what it writes another name")
        if any(same_file(path, other) for other in wanted[:number]):
            raise click.UsageError(f"two outputs cannot be one file, {shown(path)}; give each its own name")
    for path in wanted:
        check_target(path, force=force)


class InputType(click.Path):
    """A file to read; converts to a Path."""

    def __init__(self) -> None:
        super().__init__(path_type=Path)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return the path, and remember that it is read."""
        path: Any = super().convert(value, param, ctx)
        note_read(ctx, path)
        return path


class OutputType(click.Path):
    """A file to write, whose name says its format; converts to a Path."""

    def __init__(self, check: Callable[[Path], object] | None = None) -> None:
        super().__init__(path_type=Path, dir_okay=False)
        self._check = check

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return the path, or fail with the endings that are possible."""
        path: Any = super().convert(value, param, ctx)
        try:
            if self._check is not None:
                self._check(path)
        except PulseError as e:
            self.fail(str(e), param, ctx)
        return path


def _check_sound(path: Path) -> None:
    from pulse_audio.clip import output_format

    output_format(path, "16")


def _check_picture(path: Path) -> None:
    from pulse_audio.figures import check_name

    check_name(path)


def _check_page(path: Path) -> None:
    if path.suffix.lower() not in (".html", ".htm"):
        raise OutputError(f"the page is HTML, and {shown(path)} does not say so; name it .html")


INPUT = InputType()
OUTPUT = OutputType()
SOUND = OutputType(_check_sound)
PICTURE = OutputType(_check_picture)
PAGE = OutputType(_check_page)


def sample_format(output: Path, bits: str | None) -> str:
    """Return the sample format for a sound file, 16 if none is given.

    Raises
    ------
    click.UsageError
        The file's format does not have it.
    """
    from pulse_audio.clip import output_format

    if bits and output.suffix.lower() == ".ogg":
        raise click.UsageError(f"--bits means nothing for {shown(output)}; leave it out, or write .wav or .flac")
    try:
        output_format(output, bits or "16")
    except OutputError as e:
        raise click.UsageError(str(e)) from None
    return bits or "16"
