"""``firing-pulse demo``: a folder of examples to listen to."""

from pathlib import Path

import click

from pulse_audio.cli.options import force_option
from pulse_audio.cli.progress import show_progress
from pulse_audio.files import shown


@click.command(name="demo")
@click.argument("folder", type=click.Path(path_type=Path), default=Path("firing-pulse-demo"))
@force_option
def command(folder: Path, force: bool) -> None:
    """Make a folder of examples: an even and an uneven twin, slow and idling, and a recording to find out about.

    FOLDER is firing-pulse-demo if none is given.
    """
    from pulse_audio.demo import GUIDE, make_demo

    show_progress("making sounds")
    for made in make_demo(folder, force=force):
        show_progress("")
        click.echo(f"{shown(made.path)}: {made.about}")
        show_progress("working")
    show_progress("")
    click.echo(f"\nBegin with {shown(folder / GUIDE)}.")
