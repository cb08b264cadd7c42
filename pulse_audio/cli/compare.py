"""``firing-pulse compare``: several layouts in turn in one file, at one speed and loudness."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from pulse_audio.cli import options
from pulse_audio.cli.paths import SOUND, check_outputs, sample_format
from pulse_audio.cli.render import exhaust_option

if TYPE_CHECKING:
    from pulse_audio.exhaust import Exhaust
    from pulse_audio.layout import Layout

MOST_LAYOUTS = 12
USUAL_S, DURATIONS_S = 4.0, (0.5, 600.0)


@click.command()
@options.layout_argument(many=True)
@click.option("-o", "--output", type=SOUND, required=True, metavar="FILE", help="A .wav, .flac or .ogg file.")
@options.speed_option
@options.duration_option(USUAL_S, *DURATIONS_S, "Length of each layout")
@click.option(
    "--gap",
    "gap_s",
    type=options.Within(0.0, 10.0, "s"),
    default=0.7,
    show_default=True,
    metavar="S",
    help="Silence between two layouts in seconds.",
)
@click.option("--rounds", type=options.Whole(1, 20), default=1, show_default=True, help="How often all of them come.")
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
    duration_s: float | None,
    gap_s: float,
    rounds: int,
    exhaust: "Exhaust",
    ideal: bool,
    figure: Path | None,
    sample_rate_hz: int,
    bits: str | None,
    seed: int,
    force: bool,
) -> None:
    """Write several layouts in turn, at one speed and loudness.

    Prints when each begins. Loudness is that of ITU-R BS.1770.
    """
    import numpy as np

    from pulse_audio import loudness
    from pulse_audio.clip import write_blocks
    from pulse_audio.files import shown
    from pulse_audio.firing import Liveliness
    from pulse_audio.synth import LEVEL_LUFS, render

    if not 2 <= len(layouts) <= MOST_LAYOUTS:
        many = "s" if len(layouts) > 1 else ""
        raise click.UsageError(f"{len(layouts)} layout{many} to compare; give 2 to {MOST_LAYOUTS}")
    bits = sample_format(output, bits)
    check_outputs(output, figure, force=force)
    duration_s = options.lasting(duration_s, speed, USUAL_S, *DURATIONS_S)
    life = Liveliness.ideal() if ideal else Liveliness()
    curve = speed.curve(duration_s)
    options.note_less_than_a_cycle(max(layouts, key=lambda layout: layout.cycle_deg), curve, duration_s)
    made = [
        render(
            layout, curve, duration_s=duration_s, sample_rate_hz=sample_rate_hz, exhaust=exhaust, life=life, seed=seed
        )
        for layout in layouts
    ]
    clips = loudness.match(made, LEVEL_LUFS)
    silent = next((layout for layout, clip in zip(layouts, clips, strict=True) if not clip.samples.any()), None)
    if silent is not None:
        raise click.UsageError(f"{shown(silent.name)} does not fire within {duration_s:g} s; give a longer --duration")
    gap = np.zeros(round(gap_s * sample_rate_hz))
    turns = [(layout, clip) for _ in range(rounds) for layout, clip in zip(layouts, clips, strict=True)]
    blocks = [part for _, clip in turns for part in (clip.samples, gap)][:-1]
    write_blocks(output, blocks, channels=1, sample_rate_hz=sample_rate_hz, subtype=bits, force=force)
    level = f"{loudness.integrated_lufs(clips[0]):.1f} LUFS"
    click.echo(f"{shown(output)}: {speed.words} through {shown(exhaust.name)}, each at {level}")
    begin_s = 0.0
    for layout, clip in turns:
        click.echo(f"{begin_s:8.2f} s  {shown(layout.name)}  {layout.intervals_text}")
        begin_s += clip.duration_s + gap.size / sample_rate_hz
    if figure:
        from pulse_audio import figures

        figures.write_figure(figure, figures.compare_figure(layouts), force=force)
        click.echo(f"wrote {shown(figure)}", err=True)
