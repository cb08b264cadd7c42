"""Recording at the command line: cautions first, the level while it records, and what went wrong with it."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from pulse_audio.cli.progress import show_progress
from pulse_audio.units import db_from_ratio

if TYPE_CHECKING:
    from pulse_audio.player import Recording

CAUTIONS = (
    "Before an engine is recorded: run it outdoors, never in a closed room; exhaust gas kills, and the carbon monoxide "
    "in it has no smell.",
    "Protect your ears beside an open exhaust, keep hands, clothes and cables off hot and moving parts, and mind "
    "the neighbours and the local rules for running engines.",
)
FULL_SCALE_DB = -0.01
METER_CELLS, METER_LOW_DB = 20, -60.0
QUIET_DB = -50.0


def record_clip(
    duration_s: float, *, device: str | None = None, keep: Path | None = None, force: bool = False
) -> "Recording":
    """Record one channel from an input device; cautions, level and faults are told on stderr.

    Parameters
    ----------
    duration_s : float
    device : str or None
        Number or name; the system's default if None.
    keep : Path or None
        Sound file to write as well (24 bit).
    force : bool
        Whether `keep` may replace a file.

    Raises
    ------
    DeviceError
        The device cannot be used, or went away.
    OutputError
        `keep` cannot be written.
    """
    from pulse_audio.clip import write_clip
    from pulse_audio.files import check_target, shown
    from pulse_audio.player import record

    if keep is not None:
        check_target(keep, force=force)
    for line in CAUTIONS:
        click.echo(line, err=True)
    try:
        recording = record(
            duration_s,
            device=device,
            on_level=lambda done_s, peak: show_progress(meter(done_s, duration_s, peak)),
        )
    finally:
        show_progress("")
    for line in faults(recording):
        click.echo(line, err=True)
    if keep is not None:
        write_clip(keep, recording.clip, subtype="24", force=force)
        click.echo(f"kept in {shown(keep)}", err=True)
    return recording


def meter(done_s: float, duration_s: float, peak: float) -> str:
    """Return the line that is shown while recording: time, a bar, decibels, and a word where it is too loud."""
    peak_db = max(db_from_ratio(peak), METER_LOW_DB)
    full = round((1 - peak_db / METER_LOW_DB) * METER_CELLS)
    bar = "#" * full + "." * (METER_CELLS - full)
    words = " TOO LOUD: clipped" if peak_db > FULL_SCALE_DB else ""
    return f"recording {done_s:.0f} of {duration_s:g} s [{bar}] peak {peak_db:.0f} dB{words}"


def faults(recording: "Recording") -> list[str]:
    """Return what is wrong with a recording, each with what to do about it."""
    found = []
    clip = recording.clip
    if recording.clipped_frames:
        found.append(
            f"caution: {recording.clipped_frames} samples are clipped; turn the input down or stand further away, "
            "and record again"
        )
    peak_db = db_from_ratio(float(max(clip.samples.max(), -clip.samples.min())))
    if peak_db < QUIET_DB:
        found.append(f"caution: very quiet, peak {peak_db:.0f} dB; check that {recording.device} is the right device")
    if recording.gaps:
        found.append(f"caution: the device lost sound {recording.gaps} times; close other programs and record again")
    return found
