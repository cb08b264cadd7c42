"""A folder of examples: two twins that differ in nothing but their crank, and a recording to find out about."""

import csv
import io
import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from pulse_audio import catalogue, loudness, report
from pulse_audio.batch import Task, analyse_file
from pulse_audio.clip import Clip, write_clip
from pulse_audio.errors import ClipError
from pulse_audio.files import made_folder, replaced_file, write_text
from pulse_audio.firing import Liveliness
from pulse_audio.speed import SpeedCurve
from pulse_audio.synth import render
from pulse_audio.units import rpm_to_deg_per_s

EVEN, UNEVEN = "parallel-twin-360", "parallel-twin-180"
SLOW_RPM, IDLE_RPM = 120.0, 900.0
SLOW_S, IDLE_S, GAP_S = 8.0, 6.0, 0.7
SAMPLE_RATE_HZ = 44_100
TABLE, RECORDING, ANSWER, GUIDE = "firing-table.csv", "recording.flac", "recording-answer", "LISTEN.md"


@dataclass(frozen=True, kw_only=True, slots=True)
class Made:
    """A file of the demo, and what it is."""

    path: Path
    about: str


def shipped_clips() -> tuple[Path, ...]:
    """Return the recordings that come with the package: beside it in a checkout, within it when installed.

    Raises
    ------
    ClipError
        None is there.
    """
    here = Path(__file__).parent
    found = next(
        (clips for folder in (here, here.parent) if (clips := sorted((folder / "samples").glob("*.flac")))), []
    )
    if not found:
        raise ClipError("the recordings that come with firing-pulse are missing; install it again")
    return tuple(found)


def make_demo(folder: Path, *, force: bool) -> Iterator[Made]:
    """Write the demo, yielding each file once it is there.

    Raises
    ------
    OutputError
        The folder holds something and `force` is false, or cannot be written.
    """
    recording = shipped_clips()[0]  # its own name would give the answer away
    made_folder(folder, force=force)
    for name, about, rpm, duration_s in (
        ("slow", f"at {SLOW_RPM:.0f} rpm, so slow that each pulse can be counted", SLOW_RPM, SLOW_S),
        ("idle", f"idling at {IDLE_RPM:.0f} rpm", IDLE_RPM, IDLE_S),
    ):
        even, uneven = _twins(rpm, duration_s)
        for kind, clip, what in (
            ("even", even, "the even twin"),
            ("uneven", uneven, "the uneven twin"),
            ("side-by-side", _in_turn(even, uneven), "the even twin, then the uneven one,"),
        ):
            path = folder / f"{name}-{kind}.wav"
            write_clip(path, clip, force=force)
            yield Made(path=path, about=f"{what} {about}")
    write_text(folder / TABLE, _firing_table(), force=force)
    yield Made(path=folder / TABLE, about="when each cylinder fires, in degrees and in milliseconds")
    with replaced_file(folder / RECORDING, force=force) as stream:
        stream.write(recording.read_bytes())
    yield Made(path=folder / RECORDING, about="a recording of an engine that nobody has told you about")
    answer = analyse_file(Task(path=recording))
    text = f"{report.to_text(RECORDING, answer)}\n\n{report.CAUTION}\n"
    write_text(folder / f"{ANSWER}.txt", text, force=force)
    yield Made(path=folder / f"{ANSWER}.txt", about="what `firing-pulse analyse` finds in it")
    line = json.dumps(report.to_json(RECORDING, answer), allow_nan=False)
    write_text(folder / f"{ANSWER}.json", line + "\n", force=force)
    yield Made(path=folder / f"{ANSWER}.json", about="the same for programs")
    write_text(folder / GUIDE, _guide(), force=force)
    yield Made(path=folder / GUIDE, about="what to listen for: start here")


def _twins(rpm: float, duration_s: float) -> tuple[Clip, ...]:
    """Return the even and the uneven twin at one speed and loudness."""
    clips = [
        render(
            catalogue.layout(name),
            SpeedCurve.steady(rpm),
            duration_s=duration_s,
            sample_rate_hz=SAMPLE_RATE_HZ,
            life=Liveliness() if rpm == IDLE_RPM else None,
            seed=1,
        )
        for name in (EVEN, UNEVEN)
    ]
    return loudness.match(clips)


def _in_turn(*clips: Clip) -> Clip:
    gap = np.zeros(round(GAP_S * SAMPLE_RATE_HZ))
    parts = [part for clip in clips for part in (clip.samples, gap)][:-1]
    return Clip(samples=np.concatenate(parts), sample_rate_hz=SAMPLE_RATE_HZ)


def firing_rows() -> list[tuple[str, int, float, float, float, float]]:
    """Return layout, cylinder, firing angle, degrees and milliseconds (slow, idle) to the next firing."""
    rows = []
    for name in (EVEN, UNEVEN):
        layout = catalogue.layout(name)
        for number, gap_deg in zip(layout.firing_order, layout.intervals_deg, strict=True):
            slow, idle = (1000 * gap_deg / rpm_to_deg_per_s(rpm) for rpm in (SLOW_RPM, IDLE_RPM))
            rows.append((name, number, layout.cylinders[number - 1].firing_deg, gap_deg, slow, idle))
    return rows


def _firing_table() -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    speeds = (f"ms_to_next_at_{rpm:.0f}_rpm" for rpm in (SLOW_RPM, IDLE_RPM))
    writer.writerow(("layout", "cylinder", "fires_at_deg", "deg_to_next", *speeds))
    for name, number, *values in firing_rows():
        writer.writerow((name, number, *(f"{value:.1f}" for value in values)))
    return text.getvalue()


def _guide() -> str:
    table = "\n".join(
        f"| {name} | {number} | {fires:.0f} | {gap:.0f} | {slow:.0f} | {idle:.1f} |"
        for name, number, fires, gap, slow, idle in firing_rows()
    )
    return GUIDE_TEXT.format(
        even=EVEN, uneven=UNEVEN, slow=f"{SLOW_RPM:.0f}", idle=f"{IDLE_RPM:.0f}", table=table, recording=RECORDING
    )


GUIDE_TEXT = """\
# What to listen for

Tuesday evening, the class in the old sail loft at Sallowby. Ines Marlow has two twins on the board: same bore, same
stroke, same pipes. Only the crank differs. "Which of the two," she asks, "is limping?"

Start softly. Low notes sound softer than they are, and small loudspeakers can be overdriven by them.

## 1. Count

Play `slow-even.wav`. At {slow} rpm you can count along: the beats are all alike, two in every two turns of the crank.
Both pistons rise together, and the cylinders take turns: one fires, and a whole turn later the other.

Play `slow-uneven.wav`. Still two beats in two turns, but now one comes close behind the other and then there is a long
wait: one, two, and nothing, nothing. The pistons rise in turn, half a turn apart, so that the second fires half a turn
after the first, and then one and a half turns pass.

| layout | cylinder | fires at, degrees | degrees to the next | ms to the next at {slow} rpm | at {idle} rpm |
|---|---|---|---|---|---|
{table}

`slow-side-by-side.wav` plays one and then the other, equally loud.

## 2. Feel

Play `idle-side-by-side.wav`: the same two engines at {idle} rpm. Nobody counts fifteen beats a second, but the ear
still knows: the even twin hums along, the uneven one lopes. That lope is the same wait as before, only shorter.

With the environment of README active, ask for the reason and hear one more crank:

- `firing-pulse explain {even}`
- `firing-pulse explain {uneven}`
- `firing-pulse compare {even} {uneven} parallel-twin-270 -o three.wav`

## 3. Find out

Aurel, in the second row, has brought `{recording}`: his neighbour's machine, recorded over the fence. Does it fire
evenly? Decide first, then look into `recording-answer.txt`.

To ask the same of a recording of yours: `firing-pulse analyse YOUR.wav`

Record out of doors only: exhaust gas holds carbon monoxide, which kills within minutes in a closed or half-closed
room, whether a door is open or not. Keep your distance from an open exhaust, wear hearing protection, and mind the
local rules on noise. And whatever the answer says: it describes a sound and is no diagnosis of an engine.
"""
