"""``play``: layouts through the loudspeaker, changed by keys while they sound."""

from contextlib import closing
from typing import TYPE_CHECKING

import click

from pulse_audio.cli import options
from pulse_audio.cli.render import exhaust_option
from pulse_audio.files import shown

if TYPE_CHECKING:
    from pulse_audio.exhaust import Exhaust
    from pulse_audio.layout import Layout

LONGEST_S = 12 * 3600.0
WANTS_KEYS = "the keys that go on to the others need a terminal, and no --seconds"


def show_devices(ctx: click.Context, _param: click.Parameter, wanted: bool) -> None:
    """Print the sound devices and leave."""
    if not wanted:
        return
    from pulse_audio.player import INSTEAD, list_devices

    devices = list_devices()
    if not devices:
        click.echo(f"No sound device is found; connect one or switch it on{INSTEAD['output']}", err=True)
    for device in devices:
        uses = [f"plays {device.outputs}"] * bool(device.outputs) + [f"records {device.inputs}"] * bool(device.inputs)
        default = " (default)" if device.is_default_output or device.is_default_input else ""
        click.echo(f"{device.number:3} {shown(device.name)}: {', '.join(uses)}, {device.rate_hz} Hz{default}")
    ctx.exit()


list_devices_option = click.option(
    "--list-devices", is_flag=True, is_eager=True, expose_value=False, callback=show_devices,
    help="Print the sound devices and stop.",
)  # fmt: skip
device_option = click.option("--device", metavar="NUMBER|NAME", help="Sound device; see --list-devices.")
block_option = click.option(
    "--block",
    "block_frames",
    type=options.Whole(32, 8192, "frames"),
    default=256,
    show_default=True,
    metavar="FRAMES",
    help="Frames in a block: longer cures dropouts, shorter acts sooner.",
)
level_option = click.option(
    "--level",
    "level_db",
    type=options.Within(-40.0, 0.0, "dB"),
    default=-12.0,
    show_default=True,
    metavar="DB",
    help="Loudness in dB; 0 is the loudest allowed. It rises to this from silence.",
)


@click.command()
@options.layout_argument(many=True)
@click.option("--rpm", type=options.RPM, default=900.0, show_default=True, help="Crank speed to begin with.")
@exhaust_option
@click.option("--ideal", is_flag=True, help="A perfectly regular engine, without flow noise.")
@click.option("--stereo", is_flag=True, help="Open ends placed from left to right as the layout lies.")
@click.option("--ticks", is_flag=True, help="Begin with the crank ticks on.")
@level_option
@click.option(
    "--seconds",
    "duration_s",
    type=options.Within(0.1, LONGEST_S, "s"),
    metavar="S",
    help="Play for so long, without keys.",
)
@click.option("--plain", is_flag=True, help="Lines of text instead of a screen, for a screen reader.")
@device_option
@block_option
@options.sample_rate_option
@options.seed_option
@list_devices_option
def command(
    *,
    layouts: tuple["Layout", ...],
    rpm: float,
    exhaust: "Exhaust",
    ideal: bool,
    stereo: bool,
    ticks: bool,
    level_db: float,
    duration_s: float | None,
    plain: bool,
    device: str | None,
    block_frames: int,
    sample_rate_hz: int,
    seed: int,
) -> None:
    """Play layouts through the loudspeaker.

    At a terminal, keys change speed, layout, exhaust, cylinders, ticks and level while it plays; h shows them.
    Elsewhere, and with --seconds, it plays the first layout and prints one line.
    """
    from pulse_audio import console, keys
    from pulse_audio.firing import Liveliness
    from pulse_audio.live import LiveEngine
    from pulse_audio.player import playing
    from pulse_audio.screen import CAUTION

    engine = LiveEngine(
        layouts,
        _exhausts(exhaust),
        rpm=rpm,
        sample_rate_hz=sample_rate_hz,
        life=Liveliness.ideal() if ideal else Liveliness(),
        seed=seed,
        stereo=stereo,
        level_db=level_db,
        ticks=ticks,
        duration_s=duration_s,
    )
    attended = duration_s is None and keys.has_keys()
    with (
        closing(engine),
        playing(engine, sample_rate_hz=sample_rate_hz, device=device, block_frames=block_frames) as playback,
    ):
        if attended:
            playback.do(engine.prepare_neighbours)
            console.play_with_keys(playback, engine, plain=plain)
        else:
            click.echo(CAUTION, err=True)
            if len(layouts) > 1:
                click.echo(f"note: only {shown(layouts[0].name)} is played; {WANTS_KEYS}", err=True)
            length = "until stopped" if duration_s is None else f"for {duration_s:g} s"
            first = layouts[0]
            click.echo(f"playing {shown(first.name)} at {rpm:g} rpm, intervals {first.intervals_text}, {length}")
            console.play_unattended(playback)
        advice = playback.dropouts.advice(block_frames)
    if advice:
        click.echo(advice, err=True)


def _exhausts(chosen: "Exhaust") -> tuple["Exhaust", ...]:
    """Return the exhausts to switch between, beginning with the one that was asked for."""
    from pulse_audio.exhaust import exhaust_names, find_exhaust

    return (chosen, *(e for e in map(find_exhaust, exhaust_names()) if e != chosen))
