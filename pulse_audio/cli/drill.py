"""``drill``: a listening exercise at the keyboard, or a paper for a class."""

import secrets
import shutil
import sys
from pathlib import Path
from textwrap import fill
from typing import TYPE_CHECKING

import click

from pulse_audio.cli import options, play
from pulse_audio.cli.paths import OUTPUT
from pulse_audio.files import check_target, made_folder, shown, write_text

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from pulse_audio.drill import Progress

KINDS = ("even", "which", "count", "where")  # as in the module drill, which is slow to load
NEW_SEEDS = 1_000_000  # six digits are soon copied from a paper


@click.command()
@click.option("--questions", "count", type=options.Whole(1, 99), default=12, show_default=True, help="How many.")
@click.option(
    "--kind",
    "kinds",
    type=click.Choice(KINDS),
    multiple=True,
    help="Ask only this kind; may be given several times. even: even or uneven; which: one of two layouts; "
    "count: pulses in a cycle; where: the crank at a pulse.",
)
@click.option("--start", "level", type=options.Whole(0, 9), default=0, show_default=True, help="Difficulty at first.")
@click.option("--keep", type=OUTPUT, metavar="FILE", help="Write the result to a text file.")
@click.option(
    "--print",
    "paper",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="DIR",
    help="Write a paper, an answer sheet and the sound files to a folder instead of asking.",
)
@play.level_option
@click.option(
    "--seed",
    type=options.SEED,
    help="Ask what this number asked before; if not given, a new one is drawn and told at the end.",
)
@options.force_option
@play.device_option
@play.block_option
@options.sample_rate_option
@play.list_devices_option
def command(
    *,
    count: int,
    kinds: tuple[str, ...],
    level: int,
    keep: Path | None,
    paper: Path | None,
    level_db: float,
    seed: int | None,
    force: bool,
    device: str | None,
    block_frames: int,
    sample_rate_hz: int,
) -> None:
    """Train the ear: even or uneven, which layout, how many pulses, where the crank is.

    Questions grow harder with right answers and easier after wrong ones. Answer with a letter and Enter.
    """
    kinds = kinds or KINDS
    if seed is None:
        seed = secrets.randbelow(NEW_SEEDS)
    if paper is not None:
        if keep is not None:
            raise click.UsageError("--keep is for a drill that is answered here; give --print or --keep")
        _write_paper(paper, kinds, count, seed=seed, level=level, sample_rate_hz=sample_rate_hz, force=force)
        return
    if keep is not None:
        check_target(keep, force=force)
    from pulse_audio import drill, drill_session, keys
    from pulse_audio.drill_sound import Turntable
    from pulse_audio.player import playing
    from pulse_audio.screen import CAUTION

    table = Turntable(level_db, sample_rate_hz)
    progress = drill.begin(seed=seed, kinds=kinds, level=level)
    with (
        keys.ended_by_signal(),
        playing(table, sample_rate_hz=sample_rate_hz, device=device, block_frames=block_frames) as playback,
    ):

        def sound(samples: "NDArray[np.float64]") -> None:
            playback.check()
            playback.do(lambda: table.put_on(samples))

        click.echo(_fitted(CAUTION), err=True)
        try:
            for now in drill_session.hold(
                progress, count, sample_rate_hz=sample_rate_hz, say=_say, read=_read_line, play=sound
            ):
                progress = now
        finally:  # what has been answered is kept, however the drill ends
            playback.do(table.end)
            playback.finished.wait(1.0)
            _tell(progress, keep, force=force)


def _tell(progress: "Progress", keep: Path | None, *, force: bool) -> None:
    from pulse_audio.drill_session import kept_text, summary_lines

    click.echo("")
    for line in summary_lines(progress):
        _say(line)
    if keep is not None:
        write_text(keep, kept_text(progress), force=force)
        click.echo(f"kept in {shown(keep)}", err=True)
    click.echo(f"--seed {progress.seed} with the same options begins the same drill again", err=True)


def _say(text: str) -> None:
    click.echo(_fitted(text))


def _fitted(text: str) -> str:
    """Break lines at words where a terminal would break them anywhere."""
    if sys.stdout is None or not sys.stdout.isatty():
        return text
    width = max(shutil.get_terminal_size().columns - 1, 20)
    lines = (fill(line, width, subsequent_indent="     " if line[:2] == "  " else "") for line in text.split("\n"))
    return "\n".join(lines)


def _read_line(prompt: str) -> str | None:
    click.echo(_fitted(prompt.rstrip()) + " ", nl=False)
    if sys.stdin is None:
        return None
    try:
        return input()
    except EOFError:
        return None


def _write_paper(
    folder: Path, kinds: tuple[str, ...], count: int, *, seed: int, level: int, sample_rate_hz: int, force: bool
) -> None:
    from pulse_audio import drill_session
    from pulse_audio.clip import write_clip
    from pulse_audio.drill_sound import question_clip, slow_clip

    made_folder(folder, force=force)
    questions = drill_session.paper_questions(kinds, count, seed=seed, level=level)
    for question in questions:
        for name, make in ((drill_session.sound_name, question_clip), (drill_session.slow_name, slow_clip)):
            write_clip(folder / name(question), make(question, sample_rate_hz), force=force)
    write_text(folder / "paper.md", drill_session.paper_text(questions, seed), force=force)
    write_text(folder / "answers.md", drill_session.answers_text(questions, seed), force=force)
    click.echo(f"{shown(folder)}: paper.md, answers.md and {2 * count} sound files, seed {seed}")
