"""Progress on stderr, one line that is written over, and only on a terminal."""

import sys

import click

from pulse_audio.files import shown

CLEAR_LINE = "\r\x1b[2K"


def show_progress(text: str) -> None:
    """Show what is being done; an empty text clears the line. Nothing is shown where stderr is no terminal."""
    if sys.stderr is not None and sys.stderr.isatty():
        click.echo(CLEAR_LINE + shown(text), err=True, nl=False)
