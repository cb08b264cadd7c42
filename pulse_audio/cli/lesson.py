"""``firing-pulse lesson``: a teaching page with sound for a class."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from pulse_audio.cli.options import EXHAUST, RPM, force_option, layout_argument, seed_option
from pulse_audio.cli.paths import INPUT, PAGE, check_outputs
from pulse_audio.cli.progress import show_progress
from pulse_audio.files import shown, write_text

if TYPE_CHECKING:
    from pulse_audio.exhaust import Exhaust
    from pulse_audio.layout import Layout
    from pulse_audio.lesson import Recording

DEFAULT_RPMS = "60, 120, 300, 900 and 3000"


@click.command()
@layout_argument(many=True)
@click.option("--output", "-o", type=PAGE, required=True, metavar="FILE", help="The page to write (.html).")
@click.option(
    "--rpm",
    "rpms",
    type=RPM,
    multiple=True,
    metavar="RPM",
    help=f"A speed to choose on the page; give it again for more.  [default: {DEFAULT_RPMS}]",
)
@click.option("--exhaust", type=EXHAUST, metavar="NAME|FILE", help="Exhaust to sound through: its name or a TOML file.")
@click.option("--recording", type=INPUT, metavar="CLIP", help="Put a recording and its analysis beside the layouts.")
@click.option("--title", metavar="TEXT", help="Heading of the page.")
@click.option(
    "--texts",
    type=INPUT,
    metavar="FILE",
    help="The page's words: a translated copy of pulse_audio/lesson/english.toml.",
)
@seed_option
@force_option
def command(
    *,
    layouts: "tuple[Layout, ...]",
    output: Path,
    rpms: tuple[float, ...],
    exhaust: "Exhaust | None",
    recording: Path | None,
    title: str | None,
    texts: Path | None,
    seed: int,
    force: bool,
) -> None:
    """Make a teaching page with sound for one or more layouts.

    The page is one file that opens from disk and needs no network: turning cranks in step with the sound, firing
    strips, several speeds, what to listen for, and a self-test.
    """
    check_outputs(output, force=force)
    from pulse_audio.lesson import SPEEDS_RPM, build_page, read_texts

    page = build_page(
        layouts,
        rpms=rpms or SPEEDS_RPM,
        exhaust=exhaust,
        recording=_recording(recording) if recording else None,
        texts=read_texts(texts) if texts else None,
        title=title,
        seed=seed,
        progress=lambda made, total: show_progress(f"making sound {made} of {total}"),
    )
    show_progress("")
    write_text(output, page, force=force)
    megabytes = len(page.encode()) / 1e6
    many = "s" if len(layouts) > 1 else ""
    click.echo(f"wrote {shown(output)}: {len(layouts)} layout{many}, {megabytes:.1f} MB")


def _recording(path: Path) -> "Recording":
    from pulse_audio.batch import Task, analyse_files, read_span
    from pulse_audio.errors import PulseError
    from pulse_audio.lesson import Recording

    show_progress(f"listening to {path}")
    task = Task(path=path)
    (found,) = analyse_files([task])
    if isinstance(found, PulseError):
        raise found
    return Recording(name=shown(path.name), clip=read_span(task, found), analysis=found)
