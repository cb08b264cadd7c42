"""What `play` shows: pure text from a state, at any width, with or without colour."""

import re
from dataclasses import replace
from typing import Any

import pytest

from pulse_audio import catalogue
from pulse_audio.controls import KEYS
from pulse_audio.layout import from_intervals
from pulse_audio.live import Scene
from pulse_audio.playback import Dropouts
from pulse_audio.screen import CAUTION, View, key_pages, plain_lines, screen, strip

CODES = re.compile(r"\x1b\[[0-9;]*m")


def view(name: str = "parallel-twin-180", *, crank_deg: float = 0.0, rpm: float = 60.0, **scene: Any) -> View:
    layout = catalogue.layout(name)
    return View(
        scene=Scene(
            layout=layout, layout_number=1, layout_count=2, exhaust="open-stubs", rpm=rpm,
            wanted_rpm=scene.pop("wanted_rpm", rpm), crank_deg=crank_deg, **scene,
        ),
        crank_deg=crank_deg, dropouts=Dropouts(), block_frames=256,
    )  # fmt: skip


@pytest.mark.parametrize("name", catalogue.layout_names())
@pytest.mark.parametrize(("columns", "rows"), [(20, 5), (30, 8), (40, 10), (40, 12), (80, 24), (200, 60)])
def test_screen_fits_the_terminal(name: str, columns: int, rows: int) -> None:
    """No line is wider and there are no more of them than the terminal holds; none is over 100 wide."""
    busy = replace(
        view(name, rpm=14_999, wanted_rpm=20, dropped=frozenset({1}), note="n" * 300),
        dropouts=Dropouts(late_blocks=123, device=456), keys_page=1,
    )  # fmt: skip
    for shown in (busy, view(name)):
        lines = screen(shown, columns=columns, rows=rows, colour=True)
        assert max(len(CODES.sub("", line)) for line in lines) < min(columns, 100)
        assert len(lines) <= rows


def test_colour_only_repeats_what_is_written() -> None:
    """Without colour the words are the same to the letter."""
    shown = replace(view(dropped=frozenset({2})), dropouts=Dropouts(late_blocks=1))
    coloured = screen(shown, columns=80, rows=24, colour=True)
    assert any("\x1b" in line for line in coloured)
    assert [CODES.sub("", line) for line in coloured] == screen(shown, columns=80, rows=24, colour=False)
    assert not any("\x1b" in line for line in screen(shown, columns=80, rows=24, colour=False))


def test_screen_holds_all_that_matters() -> None:
    """Layout, intervals, speed and rates, exhaust, ticks, cylinders, level, dropouts."""
    text = "\n".join(screen(view(rpm=1200, ticks=True, dropped=frozenset({2}), level_db=-8.0, peak_db=-20.0),
                            columns=80, rows=24, colour=False))  # fmt: skip
    for words in (
        "parallel-twin-180",
        "layout 1 of 2: uneven, intervals 180-540",
        # A four-stroke at 1200 rpm: 1200 / 120 = 10 cycles a second, each with the one pulse of cylinder 1.
        "1200 rpm, 10.0 pulses a second, 10.00 cycles a second",
        "exhaust open-stubs; ticks on; cylinder 2 off",
        "-8 dB, 0 is the loudest; peaks -20 dB",
        "dropouts: none",
    ):
        assert words in text


def test_dropouts_are_told_with_the_cure() -> None:
    """How often, what kind, and the option."""
    text = " ".join(screen(replace(view(), dropouts=Dropouts(device=3)), columns=80, rows=24, colour=False))
    assert "the device ran dry 3 times; a longer block helps: --block 512" in text


def test_strip_marks_firings_where_they_fall() -> None:
    """180-540 in 72 cells of 10 degrees: firings in cells 0 and 18, numbers above, the crank at 450 in cell 45."""
    numbers, line, marker, degrees = strip(view(crank_deg=450.0), 72)
    assert [k for k, c in enumerate(line) if c == "|"] == [0, 18]
    assert (numbers[0], numbers[18]) == ("1", "2")
    assert marker.index("^") == 45
    assert [degrees.index(text) for text in ("180", "360", "540")] == [18, 36, 54]


def test_dropped_cylinder_has_another_shape() -> None:
    """An x stands for a firing that does not come."""
    _, line, _, _ = strip(view(dropped=frozenset({2})), 72)
    assert (line[0], line[18]) == ("|", "x")


def test_two_cylinders_that_fire_together_are_one_mark() -> None:
    """Both numbers stand over it, and it is crossed out only when both are dropped."""
    one_off, both_off = (view("parallel-twin-360-two-stroke", dropped=frozenset(d)) for d in ({1}, {1, 2}))
    numbers, line, _, _ = strip(one_off, 72)
    assert numbers.startswith("1+2")
    assert line.count("|") == 1
    assert strip(both_off, 72)[1].count("x") == 1


def test_marker_gives_way_where_the_eye_cannot_follow() -> None:
    """At 20 pictures a second a marker that goes round faster would seem to stand or turn back: words stand there."""
    assert "^" in strip(view(rpm=600), 79)[2]
    assert "too fast" in strip(view(rpm=601), 79)[2]
    assert "^" in strip(view(rpm=3000, held=True), 79)[2]
    for now_rpm in (596, 604):  # at 600 rpm an engine that hunts is now above the limit, now below
        assert "^" in strip(view(rpm=now_rpm, wanted_rpm=600), 79)[2]
    for now_rpm, wanted_rpm in ((900, 60), (60, 900)):
        assert "too fast" in strip(view(rpm=now_rpm, wanted_rpm=wanted_rpm, gliding=True), 79)[2]


def test_control_characters_in_names_do_not_reach_the_terminal() -> None:
    """A layout file's title cannot move the cursor."""
    bad = replace(from_intervals("360-360"), name="x\x1b[2J", title="t\r\n\x07")
    shown = replace(view(), scene=replace(view().scene, layout=bad))
    assert not any(c in "".join(screen(shown, columns=80, rows=24, colour=False)) for c in "\x1b\r\n\x07")
    assert not any(c in "".join(plain_lines(shown, None)) for c in "\x1b\r\n\x07")


def test_typed_digits_and_notes_are_seen() -> None:
    """The last line shows the number being typed, or why the last key did nothing."""
    assert screen(replace(view(), typed="45"), columns=80, rows=24, colour=False)[-1] == "number: 45_"
    assert screen(view(note="no such layout"), columns=80, rows=24, colour=False)[-1] == "no such layout"


def test_plain_lines_say_everything_first_and_then_only_changes() -> None:
    """For a screen reader nothing is repeated, and speed is told once, not on its way."""
    first = view(rpm=900)
    said = plain_lines(first, None)
    assert said[0] == "Layout 1 of 2: parallel-twin-180, uneven, intervals 180-540."
    assert "900 rpm." in said
    assert plain_lines(first, first) == []
    faster = view(rpm=900, wanted_rpm=2000)
    assert plain_lines(faster, first) == ["2000 rpm."]
    assert plain_lines(view(rpm=1400, wanted_rpm=2000), faster) == []
    assert plain_lines(view(rpm=900, dropped=frozenset({1})), first) == ["Cylinder 1 off."]
    assert plain_lines(first, view(rpm=900, dropped=frozenset({1}))) == ["All cylinders fire."]
    assert plain_lines(view(rpm=900, held=True), first) == ["Held."]
    assert plain_lines(first, view(rpm=900, held=True)) == ["Going on."]
    assert plain_lines(replace(first, dropouts=Dropouts(late_blocks=1)), first) == [
        "dropouts in the last minute: 1 block not ready in time; a longer block helps: --block 512."
    ]
    assert plain_lines(first, replace(first, dropouts=Dropouts(late_blocks=1))) == []
    assert plain_lines(view(rpm=900, slow=True), first) == ["Slow; s goes back."]
    assert len(plain_lines(replace(first, keys_page=1), first)) > 10


def speed_line(**state: Any) -> str:
    return next(line for line in screen(view(**state), columns=80, rows=24, colour=False) if "rpm" in line)


@pytest.mark.parametrize(
    ("name", "dropped", "pulses"),
    [
        # At 900 rpm a two-stroke makes 900 / 60 = 15 cycles a second and a four-stroke 7.5. Of the first the two
        # cylinders fire together, so that one of them alone makes as many pulses.
        ("parallel-twin-360-two-stroke", (), "15.0"),
        ("parallel-twin-360-two-stroke", (1,), "15.0"),
        ("parallel-twin-360-two-stroke", (1, 2), "0.0"),
        ("inline-four", (), "30.0"),
        ("inline-four", (1, 2), "15.0"),
    ],
)
def test_pulses_that_sound_are_counted(name: str, dropped: tuple[int, ...], pulses: str) -> None:
    """Cylinders that fire together make one pulse, those that are off none."""
    assert f", {pulses} pulses a second, " in speed_line(name=name, rpm=900, dropped=frozenset(dropped))


def test_cylinders_that_fire_at_once_are_told() -> None:
    """An interval of 0 is explained: the two fire together, evenly."""
    lines = screen(view("parallel-twin-360-two-stroke"), columns=80, rows=24, colour=False)
    assert "layout 1 of 2: even, 2 at once, intervals 0-360" in lines


def test_speed_is_going_somewhere_only_while_a_key_sends_it() -> None:
    """An idle that wanders about the wanted speed goes nowhere."""
    assert "going to" not in speed_line(rpm=893, wanted_rpm=900)
    assert speed_line(rpm=893, wanted_rpm=1400, gliding=True).startswith("893 rpm going to 1400, ")


def test_held_speed_and_slow_mode_are_told() -> None:
    """Held, the speed it goes on with stands there; slow mode is named."""
    assert speed_line(rpm=900, wanted_rpm=1400, held=True) == "held; goes on at 1400 rpm"
    assert speed_line(rpm=180, slow=True).startswith("180 rpm (slow), ")


@pytest.mark.parametrize(("columns", "rows"), [(40, 12), (40, 10), (80, 24)])
def test_caution_and_last_line_are_always_there(columns: int, rows: int) -> None:
    """However small the terminal, the whole caution is read, and what is typed or went wrong."""
    cautious = replace(view(rpm=900), caution_shown=True)
    for shown, last in (
        (cautious, "h shows the keys, q quits"),
        (replace(cautious, typed="45"), "number: 45_"),
        (replace(cautious, scene=replace(cautious.scene, note="there is no layout 3; 1 to 2 are there")), "are there"),
    ):
        lines = screen(shown, columns=columns, rows=rows, colour=False)
        assert CAUTION in " ".join(lines)
        assert lines[-1].endswith(last)


def test_narrow_screen_breaks_lines_at_words() -> None:
    """In 40 columns evenness, pulse rate and peak are there in full."""
    text = " ".join(screen(view(rpm=900, peak_db=-20.0), columns=40, rows=24, colour=False))
    for words in ("uneven, intervals 180-540", "15.0 pulses a second, 7.50 cycles a second", "-12 dB; peaks -20 dB"):
        assert words in text


@pytest.mark.parametrize(("columns", "rows"), [(40, 10), (40, 12), (60, 15), (80, 24)])
def test_every_key_is_on_one_of_the_pages(columns: int, rows: int) -> None:
    """All keys with what they do, over as many pages as it takes, each with the last line below it."""
    pages = len(key_pages(columns=columns, rows=rows))
    assert (pages == 1) == (rows == 24)
    shown = [screen(replace(view(), keys_page=n + 1), columns=columns, rows=rows, colour=False) for n in range(pages)]
    text = " ".join(line.strip() for lines in shown for line in lines)
    for key, what in KEYS:
        assert re.search(rf"{re.escape(key)}:? +{re.escape(what)}", text), key
    assert [lines[-1] for lines in shown[:-1]] == [
        f"h shows more keys ({n} of {pages}), q quits" for n in range(1, pages)
    ]
    assert shown[-1][-1] == "h hides the keys, q quits"


@pytest.mark.parametrize(("columns", "rows"), [(30, 8), (39, 24), (80, 9)])
def test_terminal_that_is_too_small_says_so(columns: int, rows: int) -> None:
    """One sentence instead of a cut picture: how large it must be, and the way out."""
    text = " ".join(screen(view(), columns=columns, rows=rows, colour=False))
    assert text.startswith("The terminal is too small: it needs 40 columns and 10 rows.")
    assert text.endswith("--plain.")
