"""``firing-pulse compare``: several layouts in turn in one file, at one speed and loudness."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from pulse_audio.cli import options
from pulse_audio.cli.render import exhaust_option

if TYPE_CHECKING:
    from pulse_audio.layout import Layout

MOST_LAYOUTS = 12


@click.command()
@options.layout_argument(many=True)
@click.option("-o", "--output", type=options.OUTPUT, required=True, metavar="FILE", help="A .wav, .flac or .ogg file.")
@options.speed_option()
@click.option(
    "--duration",
    "duration_s",
    type=options.Within(0.5, 600.0),
    default=4.0,
    show_default=True,
    metavar="S",
    help="Length of each layout in seconds.",
)
@click.option(
    "--gap",
    "gap_s",
    type=options.Within(0.0, 10.0),
    default=0.7,
    show_default=True,
    metavar="S",
    help="Silence between two layouts in seconds.",
)
@click.option("--rounds", type=click.IntRange(1, 20), default=1, show_default=True, help="How often all of them come.")
@exhaust_option
@click.option("--ideal", is_flag=True, help="Perfectly regular engines, without flow noise.")
@options.figure_option
@options.sample_rate_option
@options.bits_option
@options.seed_option
@options.force_option
def command(
    *,
    layouts: tuple["Layout", ...],
    output: Path,
    speed: options.Speed,
    duration_s: float,
    gap_s: float,
    rounds: int,
    exhaust: str,
    ideal: bool,
    figure: Path | None,
    sample_rate_hz: int,
    bits: str,
    seed: int,
    force: bool,
) -> None:
    """Write several layouts in turn, at one speed and loudness.

    Prints when each begins. Loudness is that of ITU-R BS.1770.
    """
    import numpy as np

    from pulse_audio import loudness
    from pulse_audio.clip import output_format, write_blocks
    from pulse_audio.exhaust import find_exhaust
    from pulse_audio.files import check_target, shown
    from pulse_audio.firing import Liveliness
    from pulse_audio.synth import LEVEL_LUFS, render

    if not 2 <= len(layouts) <= MOST_LAYOUTS:
        raise click.UsageError(f"{len(layouts)} layout to compare; give 2 to {MOST_LAYOUTS}")
    pipes = find_exhaust(exhaust)
    output_format(output, bits)
    if figure:
        from pulse_audio import figures

        figures.check_name(figure)
    for path in filter(None, (output, figure)):
        check_target(path, force=force)
    life = Liveliness.ideal() if ideal else Liveliness()
    curve = speed.curve(duration_s)
    clips = loudness.match(
        [
            render(
                layout, curve, duration_s=duration_s, sample_rate_hz=sample_rate_hz, exhaust=pipes, life=life, seed=seed
            )
            for layout in layouts
        ],
        LEVEL_LUFS,
    )
    gap = np.zeros(round(gap_s * sample_rate_hz))
    turns = [(layout, clip) for _ in range(rounds) for layout, clip in zip(layouts, clips, strict=True)]
    blocks = [part for _, clip in turns for part in (clip.samples, gap)][:-1]
    write_blocks(output, blocks, channels=1, sample_rate_hz=sample_rate_hz, subtype=bits, force=force)
    level = f"{loudness.integrated_lufs(clips[0]):.1f} LUFS"
    click.echo(f"{shown(output)}: at {shown(speed.text)} rpm through {shown(pipes.name)}, each at {level}")
    begin_s = 0.0
    for layout, clip in turns:
        click.echo(f"{begin_s:8.2f} s  {shown(layout.name)}  {layout.intervals_text}")
        begin_s += clip.duration_s + gap.size / sample_rate_hz
    if figure:
        figures.write_figure(figure, figures.compare_figure(layouts), force=force)
        click.echo(f"wrote {shown(figure)}", err=True)
