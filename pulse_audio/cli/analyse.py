"""``firing-pulse analyse``: what a recording's rhythm says about the engine."""

import json
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pulse_audio import checks
from pulse_audio.cli.options import LAYOUT, Whole, Within, force_option, json_option
from pulse_audio.cli.paths import INPUT, PICTURE, SOUND, check_outputs
from pulse_audio.cli.progress import show_progress
from pulse_audio.errors import PulseError, RangeError
from pulse_audio.files import shown

if TYPE_CHECKING:
    from pulse_audio.analysis.result import Analysis, Hints
    from pulse_audio.batch import Task
    from pulse_audio.clip import Clip

    Answer = tuple[str, Analysis | PulseError, Callable[[Analysis], Clip]]

MAX_CYLINDERS = 48
MAX_SPAN_S = 400_000.0
MICROPHONE = "microphone"


def _speed_range(_ctx: click.Context, _param: click.Parameter, text: str | None) -> tuple[float, float] | None:
    if text is None:
        return None
    try:
        first, last = text.split(":")
        low, high = checks.rpm(first), checks.rpm(last)
    except RangeError as e:
        raise click.BadParameter(str(e)) from None
    except ValueError:
        raise click.BadParameter(f"{text!r}: give the lowest and the highest speed, such as 800:3000") from None
    if low >= high:
        raise click.BadParameter(f"{text!r}: the lowest speed comes first, such as 800:3000")
    return low, high


def _checked_layout(ctx: click.Context, param: click.Parameter, text: str | None) -> str | None:
    if text is not None:
        LAYOUT.convert(text, param, ctx)
    return text


@click.command(name="analyse")
@click.argument("clips", nargs=-1, type=INPUT, metavar="CLIP...")
@json_option
@click.option("--strokes", type=click.Choice(["2", "4"]), help="The engine is known to be a two- or four-stroke.")
@click.option("--cylinders", type=Whole(1, MAX_CYLINDERS), help="The number of cylinders is known.")
@click.option("--rpm", callback=_speed_range, metavar="LO:HI", help="The mean speed is known to be in this range.")
@click.option(
    "--layout",
    callback=_checked_layout,
    metavar="LAYOUT",
    help="Also say whether it fires like this: a layout's name, a TOML file, or intervals.",
)
@click.option("--start", "start_s", type=Within(0, MAX_SPAN_S, "s"), default=0.0, metavar="S", help="Listen from here.")
@click.option("--end", "end_s", type=Within(0, MAX_SPAN_S, "s", min_open=True), metavar="S", help="Listen up to here.")
@click.option("--channel", type=Whole(1), help="Listen to this channel only; the first is 1.")
@click.option("--jobs", type=Whole(1, 256), default=1, show_default=True, help="Clips to work on at once.")
@click.option(
    "--figure", type=PICTURE, metavar="FILE", help="Also draw the answer (.png, .svg or .pdf); one clip only."
)
@click.option(
    "--hear-back",
    type=SOUND,
    metavar="FILE",
    help="Also write the span that was heard, a gap, and the best reading rebuilt; one clip only.",
)
@click.option(
    "--microphone",
    "microphone_s",
    type=Within(1, 600, "s"),
    metavar="S",
    help="Record for this many seconds instead of reading a file.",
)
@click.option("--device", metavar="NAME", help="Microphone to record from: its number or name.")
@click.option("--keep", type=SOUND, metavar="FILE", help="Also write what the microphone heard.")
@force_option
@click.pass_context
def command(
    ctx: click.Context,
    *,
    clips: tuple[Path, ...],
    as_json: bool,
    strokes: str | None,
    cylinders: int | None,
    rpm: tuple[float, float] | None,
    layout: str | None,
    start_s: float,
    end_s: float | None,
    channel: int | None,
    jobs: int,
    figure: Path | None,
    hear_back: Path | None,
    microphone_s: float | None,
    device: str | None,
    keep: Path | None,
    force: bool,
) -> None:
    """Read from recordings whether an engine fires evenly, at what intervals and rate, and which layouts fit.

    An even rhythm hides the number of cylinders: then every reading that fits is listed, and the hints --strokes,
    --cylinders and --rpm narrow them.
    """
    if (microphone_s is None) == (not clips):
        raise click.UsageError("give one or more CLIPs, or --microphone S")
    if microphone_s is None and (device or keep):
        raise click.UsageError("--device and --keep go with --microphone")
    if microphone_s is not None and (start_s or end_s or channel):
        raise click.UsageError("--start, --end and --channel choose a part of a file; --microphone records one channel")
    if (figure or hear_back) and len(clips) > 1:
        raise click.UsageError("--figure and --hear-back take one CLIP")
    if end_s is not None and end_s <= start_s:
        raise click.UsageError(f"--end {end_s:g} must be greater than --start {start_s:g}")
    check_outputs(figure, hear_back, keep, force=force)
    from pulse_audio.analysis.result import Analysis, Hints
    from pulse_audio.batch import Task
    from pulse_audio.report import CAUTION

    hints = Hints(strokes=int(strokes) if strokes else None, cylinders=cylinders, rpm=rpm, layout=layout)
    if microphone_s is not None:
        answers = _from_microphone(microphone_s, device, keep, hints, force=force)
    else:
        answers = _from_files(
            [Task(path=c, start_s=start_s, end_s=end_s, channel=channel, hints=hints) for c in clips], jobs
        )
    outcomes: list[Analysis | PulseError] = []
    for name, outcome, sound in answers:
        _print_answer(name, outcome, as_json=as_json, first=not outcomes)
        outcomes.append(outcome)
        if isinstance(outcome, Analysis):
            _write_extras(sound, outcome, figure, hear_back, force=force)
    if not as_json and any(isinstance(o, Analysis) and o.is_told for o in outcomes):
        click.echo(f"\n{CAUTION}")
    if any(isinstance(o, PulseError) for o in outcomes):
        ctx.exit(1)


def _from_files(tasks: "list[Task]", jobs: int) -> "Iterator[Answer]":
    """Yield each clip's name, what was found, and a function that reads the span it is about."""
    from pulse_audio.batch import analyse_files, read_span

    outcomes = analyse_files(tasks, jobs=jobs)
    for number, task in enumerate(tasks, start=1):
        show_progress(f"listening to {number} of {len(tasks)}: {task.path}")
        outcome = next(outcomes)
        show_progress("")
        yield str(task.path), outcome, partial(read_span, task)


def _from_microphone(
    duration_s: float, device: str | None, keep: Path | None, hints: "Hints", *, force: bool
) -> "Iterator[Answer]":
    """Record, and yield what was found."""
    from pulse_audio.batch import Task, analyse_parts
    from pulse_audio.cli.microphone import record_clip
    from pulse_audio.clip import cut

    clip = record_clip(duration_s, device=device, keep=keep, force=force).clip
    name = keep or Path(MICROPHONE)
    yield str(name), analyse_parts([clip], Task(path=name, hints=hints)), lambda found: cut(clip, *found.span_s)


def _print_answer(name: str, outcome: "Analysis | PulseError", *, as_json: bool, first: bool) -> None:
    from pulse_audio.report import to_json, to_text

    if isinstance(outcome, PulseError):
        if as_json:
            click.echo(json.dumps({"file": name, "error": str(outcome)}))
        click.echo(f"firing-pulse: {shown(outcome)}", err=True)
    elif as_json:
        click.echo(json.dumps(to_json(name, outcome), allow_nan=False))
    else:
        click.echo(("" if first else "\n") + to_text(name, outcome))


def _write_extras(
    sound: "Callable[[Analysis], Clip]", found: "Analysis", figure: Path | None, hear_back: Path | None, *, force: bool
) -> None:
    """Write the picture and the sound that were asked for."""
    if figure:
        from pulse_audio.figures import analysis_figure, write_figure

        write_figure(figure, analysis_figure(sound(found), found), force=force)
        click.echo(f"wrote {shown(figure)}", err=True)
    if hear_back:
        from pulse_audio.clip import write_clip
        from pulse_audio.hearback import heard_back

        write_clip(hear_back, heard_back(sound(found), found), force=force)
        click.echo(f"wrote {shown(hear_back)}: the recording, a gap, and the best reading rebuilt", err=True)
