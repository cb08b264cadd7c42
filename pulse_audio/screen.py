"""What `play` shows: pure functions from the state of the sound to lines of text.

Every sign has a shape or a word of its own; colour only repeats it. A line is never longer than the terminal is wide.
"""

from dataclasses import dataclass
from textwrap import wrap

from pulse_audio.controls import KEYS
from pulse_audio.drawing import firings, numbers_text
from pulse_audio.fader import LEVEL_MAX_DB, LEVEL_MIN_DB
from pulse_audio.files import shown
from pulse_audio.hearing import rate_text
from pulse_audio.live import SILENT_DB, Scene
from pulse_audio.playback import Dropouts
from pulse_audio.units import cycle_hz

MIN_COLUMNS, MIN_ROWS, MAX_COLUMNS = 40, 10, 100
LAST_LINES = 3  # a note may need as many
REFRESH_S = 0.05
# At 20 pictures a second a marker that goes round more than 5 times a second would seem to stand or run backwards.
MARKER_MAX_HZ = 5.0
BAR_CELLS, SHORT_BAR_CELLS = 20, 8
CAUTION = (
    "Caution: begin softly, above all with headphones. Low notes sound softer than they are: they tire the ear and "
    "can overdrive small loudspeakers before they seem loud."
)
TOO_SMALL = (
    f"The terminal is too small: it needs {MIN_COLUMNS} columns and {MIN_ROWS} rows. Make it larger, or quit with q "
    "and start with --plain."
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
    keys_page : int
        Which page of `key_pages` is shown, from 1; 0 for none.
    caution_shown : bool
    """

    scene: Scene
    crank_deg: float
    dropouts: Dropouts
    block_frames: int
    typed: str = ""
    keys_page: int = 0
    caution_shown: bool = False


def screen(view: View, *, columns: int, rows: int, colour: bool) -> list[str]:
    """Return the lines of the screen, at most `rows`, each at most `columns` wide (colour codes not counted).

    Where not all has room, the caution, the keys and the last line stand before all else.
    """
    if columns < MIN_COLUMNS or rows < MIN_ROWS:
        return wrap(TOO_SMALL, max(columns - 1, 1))[:rows]
    width = _width(columns)
    scene = view.scene
    bold, warn = ("\x1b[1m", "\x1b[33m") if colour else ("", "")
    broken = view.dropouts.advice(view.block_frames, " in the last minute")
    dropouts = [_styled(line, warn if broken else "") for line in wrap(broken or "dropouts: none", width)]
    status = f"exhaust {scene.exhaust}; ticks {'on' if scene.ticks else 'off'}; {cylinder_words(scene)}"
    caution = wrap(CAUTION, width) if view.caution_shown else []
    pages = key_pages(columns=columns, rows=rows)
    page = min(view.keys_page, len(pages))
    last = _wrapped(_last_line(view, page, len(pages)), width, LAST_LINES)
    ranked = [
        (4, [_styled(_cut(_title(scene), width), bold)]),
        (5, _wrapped(f"layout {scene.layout_number} of {scene.layout_count}: {firing_words(scene)}", width)),
        (9, [""]),
        (2, [_styled(line, bold) for line in _wrapped(speed_words(scene), width)]),
        (9, [""]),
        (6, strip(view, width)),
        (9, [""]),
        (7, _wrapped(status, width)),
        (3, [_cut(level_line(scene, width), width)]),
        (1 if broken else 8, dropouts),
        (9, [""]),
        (0, caution or (pages[page - 1] if page else [])),
        (9, [""] if caution or page else []),
        (0, last),
    ]  # fmt: skip
    return _that_fit(ranked, rows)


def _that_fit(ranked: list[tuple[int, list[str]]], rows: int) -> list[str]:
    """Return the parts that have room, from top to bottom; what has a lower rank is given room first."""
    if sum(len(lines) for _, lines in ranked) > rows:
        ranked = [(rank, lines) for rank, lines in ranked if lines != [""]]
    kept, room = set(), rows
    for number in sorted(range(len(ranked)), key=lambda number: ranked[number][0]):
        if len(ranked[number][1]) <= room:
            kept.add(number)
            room -= len(ranked[number][1])
    return [line for number, (_, lines) in enumerate(ranked) if number in kept for line in lines]


def key_pages(*, columns: int, rows: int) -> list[list[str]]:
    """Return what the keys do, in as many pages as a terminal needs; no key is cut in two."""
    width = _width(columns)
    entries = [[f"{key:15} {what}"] for key, what in KEYS]
    if max(len(line) for (line,) in entries) > width:
        entries = [wrap(f"{key}: {what}", width, subsequent_indent="  ") for key, what in KEYS]
    pages: list[list[str]] = [[]]
    for lines in entries:
        if len(pages[-1]) + len(lines) > max(rows - LAST_LINES, len(lines)):
            pages.append([])
        pages[-1] += lines
    return pages


def _width(columns: int) -> int:
    return min(max(columns, MIN_COLUMNS), MAX_COLUMNS) - 1


def _title(scene: Scene) -> str:
    return scene.layout.name + (f": {scene.layout.title}" if scene.layout.title else "")


def _last_line(view: View, page: int, pages: int) -> str:
    if view.typed:
        return f"number: {view.typed}_"
    if view.scene.note:
        return view.scene.note
    if not page:
        return "h shows the keys, q quits"
    return "h hides the keys, q quits" if page == pages else f"h shows more keys ({page} of {pages}), q quits"


def plain_lines(view: View, before: View | None) -> list[str]:
    """Return what has changed since `before` in whole sentences, for a screen reader; all of it if None."""
    scene, old = view.scene, before.scene if before else None
    says = [
        (scene.layout_number, old and old.layout_number, f"Layout {scene.layout_number} of {scene.layout_count}: "
            f"{scene.layout.name}, {firing_words(scene)}."),
        (scene.wanted_rpm, old and old.wanted_rpm, f"{scene.wanted_rpm:.0f} rpm."),
        (scene.slow, old.slow if old else False, "Slow; s goes back." if scene.slow else ""),
        (scene.exhaust, old and old.exhaust, f"Exhaust {scene.exhaust}."),
        (scene.ticks, old.ticks if old else None, f"Ticks {'on' if scene.ticks else 'off'}."),
        (scene.dropped, old.dropped if old else frozenset(), f"{cylinder_words(scene).capitalize()}."),
        (scene.held, old.held if old else False, "Held." if scene.held else "Going on."),
        (scene.level_db, old and old.level_db, f"Level {scene.level_db:.0f} dB of 0."),
        (scene.note, old.note if old else "", scene.note),
    ]  # fmt: skip
    lines = [shown(text) for now, then, text in says if now != then and text]
    if view.dropouts.total > (before.dropouts.total if before else 0):
        lines.append(view.dropouts.advice(view.block_frames, " in the last minute") + ".")
    if view.keys_page and not (before and before.keys_page):
        lines += [f"{key}: {what}." for key, what in KEYS]
    return lines


def speed_words(scene: Scene) -> str:
    """Say the speed, where it is going, and what that is in pulses that sound and cycles a second."""
    slow = " (slow)" if scene.slow else ""
    if scene.held:
        return f"held; goes on at {scene.wanted_rpm:.0f} rpm{slow}"
    going = f" going to {scene.wanted_rpm:.0f}" if scene.gliding else ""
    cycles = cycle_hz(scene.rpm, scene.layout.strokes)
    pulses = cycles * sum(not scene.dropped.issuperset(pulse.cylinders) for pulse in firings(scene.layout))
    return f"{scene.rpm:.0f} rpm{going}{slow}, {rate_text(pulses)} pulses a second, {cycles:.2f} cycles a second"


def firing_words(scene: Scene) -> str:
    """Say whether the layout fires evenly, how many cylinders at once if more than one, and its intervals."""
    layout = scene.layout
    most = max(layout.pulse_cylinders)
    together = f", {most} at once" if most > 1 else ""
    return f"{'even' if layout.is_even else 'uneven'}{together}, intervals {layout.intervals_text}"


def cylinder_words(scene: Scene) -> str:
    """Say which cylinders fire."""
    count = len(scene.layout.cylinders)
    if not scene.dropped:
        return "all cylinders fire" if count > 1 else "the cylinder fires"
    off = numbers_text(tuple(scene.dropped))
    return f"cylinder {off} off" if len(scene.dropped) == 1 else f"cylinders {off} off"


def level_line(scene: Scene, width: int) -> str:
    """Show the level that is asked for as a bar and a number, and the highest sample of what was heard last."""
    share = (scene.level_db - LEVEL_MIN_DB) / (LEVEL_MAX_DB - LEVEL_MIN_DB)
    peak = f"{scene.peak_db:.0f} dB" if scene.peak_db > SILENT_DB else "silence"

    def line(cells: int, loudest: str) -> str:
        full = round(share * cells)
        return f"level [{'#' * full}{'.' * (cells - full)}] {scene.level_db:.0f} dB{loudest}; peaks {peak}"

    long = line(BAR_CELLS, ", 0 is the loudest")
    return long if len(long) <= width else line(SHORT_BAR_CELLS, "")


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
    scene = view.scene
    # Not the speed of the moment where it is steady: it hunts, and at the limit the marker would come and go.
    steady_rpm = max(scene.rpm, scene.wanted_rpm) if scene.gliding else scene.wanted_rpm
    if cycle_hz(steady_rpm, layout.strokes) <= MARKER_MAX_HZ or scene.held:
        marker = " " * _cell(view.crank_deg, layout.cycle_deg, width) + "^"
    else:
        marker = _cut("too fast for the eye; s slows it down", width)
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


def _wrapped(text: str, width: int, most: int = 3) -> list[str]:
    """Break a text at words into lines, no more than `most`."""
    lines = wrap(shown(text), width)
    return lines if len(lines) <= most else [*lines[: most - 1], _cut(" ".join(lines[most - 1 :]), width)]


def _styled(text: str, code: str) -> str:
    return f"{code}{text}\x1b[0m" if code and text else text
