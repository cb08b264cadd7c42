"""``firing-pulse render``: the sound of a layout, to a file."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from pulse_audio.cli import options
from pulse_audio.cli.paths import OUTPUT, SOUND, check_outputs, sample_format

if TYPE_CHECKING:
    from pulse_audio.exhaust import Exhaust
    from pulse_audio.firing import FiringEvents, Liveliness
    from pulse_audio.layout import Layout
    from pulse_audio.speed import SpeedCurve

USUAL_S, DURATIONS_S = 6.0, (0.01, 3600.0)
USUAL_LOAD = 0.5
BYTES = {"16": 2, "24": 3, "float": 4}
WAV_BYTES = 2**32 - 1000  # its sizes are 32 bits wide

# Said here again, so that --help need not read the exhausts.
EXHAUSTS = (
    "open-stubs", "straight-pipes", "open-collector", "unequal-primaries", "stepped-collector", "bank-silencers",
    "road-silencer", "quiet-road-silencer",
)  # fmt: skip

exhaust_option = click.option(
    "--exhaust",
    type=options.EXHAUST,
    metavar="NAME|FILE",
    default="open-stubs",
    show_default=True,
    help=f"Exhaust to sound through: {', '.join(EXHAUSTS)}, or a TOML file.",
)


@click.command()
@options.layout_argument()
@click.option("-o", "--output", type=SOUND, required=True, metavar="FILE", help="A .wav, .flac or .ogg file.")
@options.speed_option
@options.duration_option(USUAL_S, *DURATIONS_S)
@click.option("--blip", is_flag=True, help="With --rpm LO:HI: idle at LO and snap the throttle open to HI.")
@exhaust_option
@click.option("--ideal", is_flag=True, help="A perfectly regular engine, without flow noise.")
@click.option(
    "--load",
    type=options.Within(0.0, 1.0),
    default=USUAL_LOAD,
    show_default=True,
    metavar="SHARE",
    help="Throttle from 0, closed, to 1, open.",
)
@click.option(
    "--noise",
    "noise_db",
    type=options.Within(-60.0, 20.0, "dB"),
    default=0.0,
    show_default=True,
    metavar="DB",
    help="Flow noise against its usual level.",
)
@click.option("--misfire", multiple=True, metavar="CYL[:SHARE]", help="Cylinder that fails in a share of its cycles.")
@click.option("--stereo", is_flag=True, help="Open ends placed from left to right as the layout lies.")
@click.option(
    "--ticks",
    "tick_db",
    type=options.Within(-80.0, -6.0, "dB"),
    metavar="DB",
    help="Tick at each firing TDC, with peaks at this level; -20 is soft.",
)
@click.option("--loop", is_flag=True, help="Whole cycles that repeat without a seam; steady speed only.")
@click.option("--events", type=OUTPUT, metavar="FILE.csv", help="Also write a table of the firings.")
@options.sample_rate_option
@options.bits_option
@options.seed_option
@options.force_option
def command(
    *,
    layout: "Layout",
    output: Path,
    speed: options.Speed,
    duration_s: float | None,
    blip: bool,
    exhaust: "Exhaust",
    ideal: bool,
    load: float,
    noise_db: float,
    misfire: tuple[str, ...],
    stereo: bool,
    tick_db: float | None,
    loop: bool,
    events: Path | None,
    sample_rate_hz: int,
    bits: str | None,
    seed: int,
    force: bool,
) -> None:
    """Write the sound of a layout to a file.

    LAYOUT is a name from the command layouts, a path to a TOML file, or intervals alone such as 270-450.
    """
    from pulse_audio.clip import write_blocks
    from pulse_audio.errors import OutputError
    from pulse_audio.files import replaced_file, shown
    from pulse_audio.firing import firing_parts
    from pulse_audio.loop import fit_loop, loop_events, render_loop
    from pulse_audio.synth import Synth, highest_rpm, render_blocks

    if blip and (speed.from_file is not None or speed.steady_rpm is not None):
        raise click.UsageError("--blip needs two speeds: give --rpm LO:HI")
    if blip and speed.low_rpm > speed.high_rpm:
        low, high = speed.high_rpm, speed.low_rpm
        raise click.UsageError(
            f"--blip idles at the first speed and snaps up to the second: give --rpm {low:g}:{high:g}"
        )
    if loop and speed.steady_rpm is None:
        raise click.UsageError("--loop needs a steady speed: give --rpm one number")
    if ideal and noise_db:
        raise click.UsageError("--ideal is without flow noise: leave out --noise, or --ideal")
    life = _liveliness(misfire, layout, ideal=ideal, load=load, noise_db=noise_db)
    bits = sample_format(output, bits)
    check_outputs(output, events, force=force)
    duration_s = options.lasting(duration_s, speed, USUAL_S, *DURATIONS_S)
    curve = _curve(speed, duration_s, blip=blip)
    channels = 2 if stereo else 1
    if output.suffix.lower() == ".wav" and duration_s * sample_rate_hz * channels * BYTES[bits] > WAV_BYTES:
        raise OutputError("the sound would not fit in a WAV file; take .flac or .ogg, fewer bits, or less duration")
    if loop:
        assert speed.steady_rpm is not None
        whole = fit_loop(layout, speed.steady_rpm, duration_s=duration_s, sample_rate_hz=sample_rate_hz)
        fired = iter([loop_events(layout, whole, life=life, seed=seed)])
        made = render_loop(
            layout, speed.steady_rpm, duration_s=duration_s, sample_rate_hz=sample_rate_hz, exhaust=exhaust, life=life,
            seed=seed, stereo=stereo, tick_db=tick_db,
        )  # fmt: skip
        duration_s, blocks = made.duration_s, iter([made.samples])
    else:
        options.note_less_than_a_cycle(layout, curve, duration_s)
        fired = firing_parts(layout, curve, duration_s=duration_s, life=life, seed=seed)
        synth = Synth(
            layout, curve, sample_rate_hz=sample_rate_hz, exhaust=exhaust, life=life, seed=seed, stereo=stereo,
            tick_db=tick_db, level_rpm=highest_rpm(curve, duration_s),
        )  # fmt: skip
        blocks = render_blocks(synth, duration_s)
    write_blocks(output, blocks, channels=channels, sample_rate_hz=sample_rate_hz, subtype=bits, force=force)
    click.echo(
        f"{shown(output)}: {shown(layout.name)} {_speed_words(speed, blip=blip)} through {shown(exhaust.name)}, "
        f"{_unusual(life, ideal=ideal)}{duration_s:.2f} s, {sample_rate_hz} Hz, {'stereo' if stereo else 'mono'}"
    )
    if events is not None:
        count = 0
        with replaced_file(events, force=force) as table:
            table.write(b"time_s,cylinder,crank_deg,strength\n")
            for part in fired:
                table.write(_event_rows(part, layout.cycle_deg).encode())
                count += part.time_s.size
        click.echo(f"{shown(events)}: {count} firing{'s' * (count != 1)}")


def _liveliness(
    misfire: tuple[str, ...], layout: "Layout", *, ideal: bool, load: float, noise_db: float
) -> "Liveliness":
    from pulse_audio.errors import RangeError
    from pulse_audio.firing import Liveliness, parse_misfire

    try:
        failing = tuple(parse_misfire(text, layout) for text in misfire)
        life = Liveliness(load=load, noise_db=noise_db, misfire=failing)
    except RangeError as e:
        raise click.UsageError(str(e)) from None
    if sum(share == 1 for _, share in failing) == len(layout.cylinders):
        raise click.UsageError("no cylinder ever fires: give --misfire to fewer of them, or a share, such as 1:0.5")
    return Liveliness.ideal(load=load, misfire=failing) if ideal else life


def _curve(speed: options.Speed, duration_s: float, *, blip: bool) -> "SpeedCurve":
    from pulse_audio.speed import SpeedCurve

    if blip:
        return SpeedCurve.blip(speed.low_rpm, speed.high_rpm, duration_s)
    return speed.curve(duration_s)


def _speed_words(speed: options.Speed, *, blip: bool) -> str:
    return f"idling at {speed.low_rpm:g} rpm with blips to {speed.high_rpm:g}" if blip else speed.words


def _unusual(life: "Liveliness", *, ideal: bool) -> str:
    """Say what is not as usual about the engine, each with a comma behind it."""
    told = ["perfectly regular"] * ideal
    if life.load != USUAL_LOAD:
        told.append(f"load {life.load:g}")
    if life.noise_db and not ideal:
        told.append(f"flow noise {life.noise_db:+g} dB")
    told += [f"cylinder {number} failing in {100 * share:g} % of its cycles" for number, share in life.misfire]
    return "".join(f"{part}, " for part in told)


def _event_rows(found: "FiringEvents", cycle_deg: float) -> str:
    """Return firings as lines of CSV; crank degrees are those of the cycle."""
    columns = (found.time_s, found.cylinder + 1, found.crank_deg % cycle_deg, found.strength)
    rows = zip(*(column.tolist() for column in columns), strict=True)
    return "".join(f"{t:.9f},{c},{a:.6f},{s:.4f}\n" for t, c, a, s in rows)
