"""What `play` shows: pure functions from the state of the sound to lines of text.

Every sign has a shape or a word of its own; colour only repeats it. A line is never longer than the terminal is wide.
"""

from dataclasses import dataclass
from textwrap import wrap

from pulse_audio.controls import KEYS
from pulse_audio.drawing import firings, numbers_text
from pulse_audio.fader import LEVEL_MAX_DB, LEVEL_MIN_DB
from pulse_audio.files import shown
from pulse_audio.live import SILENT_DB, Scene
from pulse_audio.playback import Dropouts
from pulse_audio.units import cycle_hz, firing_hz

MIN_COLUMNS, MAX_COLUMNS = 40, 100
REFRESH_S = 0.05
# At 20 pictures a second a marker that goes round more than 5 times a second would seem to stand or run backwards.
MARKER_MAX_HZ = 5.0
BAR_CELLS = 20
CAUTION = (
    "Caution: begin softly, above all with headphones. Low notes sound softer than they are: they tire the ear and "
    "can overdrive small loudspeakers before they seem loud."
)


@dataclass(frozen=True, kw_only=True, slots=True)
class View:
    """All that the screen depends on.

    Attributes
    ----------
    scene : Scene
        The engine as it is heard now.
    crank_deg : float
        Crank angle heard now, in the cycle.
    dropouts : Dropouts
    block_frames : int
    typed : str
        Digits typed so far.
    keys_shown, caution_shown : bool
    """

    scene: Scene
    crank_deg: float
    dropouts: Dropouts
    block_frames: int
    typed: str = ""
    keys_shown: bool = False
    caution_shown: bool = False


def screen(view: View, *, columns: int, colour: bool) -> list[str]:
    """Return the lines of the screen, each at most `columns` wide (colour codes not counted)."""
    width = min(max(columns, MIN_COLUMNS), MAX_COLUMNS) - 1
    scene = view.scene
    layout = scene.layout
    bold, warn = ("\x1b[1m", "\x1b[33m") if colour else ("", "")
    dropouts = view.dropouts.advice(view.block_frames)
    title = layout.name + (f": {layout.title}" if layout.title else "")
    lines = [
        _styled(_cut(title, width), bold),
        _cut(f"layout {scene.layout_number} of {scene.layout_count}, intervals {intervals_words(scene)}", width),
        "",
        _styled(_cut(speed_words(scene), width), bold),
        "",
        *strip(view, width),
        "",
        _cut(f"exhaust {scene.exhaust}; ticks {'on' if scene.ticks else 'off'}; {cylinder_words(scene)}", width),
        _cut(level_line(scene), width),
        *(_styled(line, warn if dropouts else "") for line in wrap(dropouts or "dropouts: none", width)),
        "",
    ]  # fmt: skip
    if view.caution_shown:
        lines += [*wrap(CAUTION, width), ""]
    if view.keys_shown:
        lines = [line for line in lines if line]  # all of it fits 24 rows
        lines += [_cut(f"{key:15} {what}", width) for key, what in KEYS]
    else:
        lines.append(_cut(f"number: {view.typed}_" if view.typed else scene.note or "h shows the keys, q quits", width))
    return lines


def plain_lines(view: View, before: View | None) -> list[str]:
    """Return what has changed since `before` in whole sentences, for a screen reader; all of it if None."""
    scene, old = view.scene, before.scene if before else None
    says = [
        (scene.layout_number, old and old.layout_number, f"Layout {scene.layout_number} of {scene.layout_count}: "
            f"{scene.layout.name}, intervals {intervals_words(scene)}."),
        (scene.wanted_rpm, old and old.wanted_rpm, f"{scene.wanted_rpm:.0f} rpm."),
        (scene.exhaust, old and old.exhaust, f"Exhaust {scene.exhaust}."),
        (scene.ticks, old.ticks if old else None, f"Ticks {'on' if scene.ticks else 'off'}."),
        (scene.dropped, old.dropped if old else frozenset(), f"{cylinder_words(scene).capitalize()}."),
        (scene.held, old.held if old else False, "Held." if scene.held else "Going on."),
        (scene.level_db, old and old.level_db, f"Level {scene.level_db:.0f} dB of 0."),
        (scene.note, old.note if old else "", scene.note),
        (view.dropouts, before.dropouts if before else Dropouts(), view.dropouts.advice(view.block_frames) + "."),
    ]  # fmt: skip
    lines = [shown(text) for now, then, text in says if now != then and text]
    if view.keys_shown and not (before and before.keys_shown):
        lines += [f"{key}: {what}." for key, what in KEYS]
    return lines


def speed_words(scene: Scene) -> str:
    """Say the speed, where it is going, and what that is in pulses and cycles a second."""
    layout = scene.layout
    if scene.held:
        return f"held at {scene.rpm:.0f} rpm"
    going = f" going to {scene.wanted_rpm:.0f}" if abs(scene.wanted_rpm - scene.rpm) > 0.5 else ""
    pulses = firing_hz(scene.rpm, len(layout.cylinders), layout.strokes)
    cycles = cycle_hz(scene.rpm, layout.strokes)
    return f"{scene.rpm:.0f} rpm{going}, {pulses:.1f} pulses a second, {cycles:.2f} cycles a second"


def intervals_words(scene: Scene) -> str:
    """Name the intervals, and say whether they are even."""
    return f"{scene.layout.intervals_text} ({'even' if scene.layout.is_even else 'uneven'})"


def cylinder_words(scene: Scene) -> str:
    """Say which cylinders fire."""
    count = len(scene.layout.cylinders)
    if not scene.dropped:
        return "all cylinders fire" if count > 1 else "the cylinder fires"
    off = numbers_text(tuple(scene.dropped))
    return f"cylinder {off} off" if len(scene.dropped) == 1 else f"cylinders {off} off"


def level_line(scene: Scene) -> str:
    """Show the level that is asked for as a bar and a number, and the highest sample of the block that is heard."""
    share = (scene.level_db - LEVEL_MIN_DB) / (LEVEL_MAX_DB - LEVEL_MIN_DB)
    full = round(share * BAR_CELLS)
    bar = "#" * full + "." * (BAR_CELLS - full)
    peak = f"{scene.peak_db:.0f} dB" if scene.peak_db > SILENT_DB else "silence"
    return f"level [{bar}] {scene.level_db:.0f} dB, 0 is the loudest; peaks {peak}"


def strip(view: View, width: int) -> list[str]:
    """Draw one cycle as four lines: cylinder numbers, firings, the marker of the crank, degrees.

    ``|`` is a firing, ``x`` one whose cylinders are all dropped, ``^`` the crank as it is heard now.
    """
    layout, dropped = view.scene.layout, view.scene.dropped
    numbers, line = [" "] * width, ["-"] * width
    free = 0
    for spoke in firings(layout):
        cell = _cell(spoke.angle_deg, layout.cycle_deg, width)
        line[cell] = "x" if all(n in dropped for n in spoke.cylinders) else "|"
        label = "+".join(str(n) for n in spoke.cylinders)
        if cell >= free and cell + len(label) <= width:
            numbers[cell : cell + len(label)] = label
            free = cell + len(label) + 1
    if cycle_hz(view.scene.rpm, layout.strokes) <= MARKER_MAX_HZ or view.scene.held:
        marker = " " * _cell(view.crank_deg, layout.cycle_deg, width) + "^"
    else:
        marker = _cut("turning too fast to follow by eye; s slows it down", width)
    degrees = [" "] * width
    for quarter in range(4):
        text = f"{quarter * layout.cycle_deg / 4:g}"
        at = _cell(quarter * layout.cycle_deg / 4, layout.cycle_deg, width)
        degrees[at : at + len(text)] = text
    return ["".join(numbers).rstrip(), "".join(line), marker, "".join(degrees).rstrip()]


def _cell(angle_deg: float, cycle_deg: float, width: int) -> int:
    return min(int(angle_deg % cycle_deg / cycle_deg * width), width - 1)


def _cut(text: str, width: int) -> str:
    text = shown(text)
    return text if len(text) <= width else text[: width - 3] + "..."


def _styled(text: str, code: str) -> str:
    return f"{code}{text}\x1b[0m" if code and text else text
