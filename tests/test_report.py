"""The answer as JSON (the contract in docs/json.md) and as text that is taken in at a glance."""

import json
import math
from dataclasses import replace

import pytest

from pulse_audio.analysis.result import Analysis, Reading
from pulse_audio.report import sureness, to_json, to_text

UNEVEN = Analysis(
    duration_s=6.0,
    sample_rate_hz=44_100,
    span_s=(0.0, 5.5),
    verdict="uneven",
    confidence=0.97,
    firing_rate_hz=30.1,
    firing_rate_sd_hz=0.02,
    cycle_rate_hz=15.05,
    intervals_deg=(270.3, 449.7),
    intervals_sd_deg=(1.1, 1.1),
    pulse_level_db=(0.0, -1.2),
    weak_share=(0.0, 0.12),
    speed_track=((0.25, 1803.0), (0.5, 1809.0)),
    readings=(
        Reading(layouts=("parallel-twin-270", "v-twin-90"), strokes=4, cylinders=2, rpm=1806.0, probability=0.93),
        Reading(layouts=(), strokes=2, cylinders=4, rpm=903.0, probability=0.002, agrees=False),
    ),
    notes=("wind below 60 Hz; shield the microphone",),
)
EVEN = replace(
    UNEVEN,
    verdict="even",
    cycle_rate_hz=None,
    intervals_deg=(360.0, 360.0),
    pulse_level_db=None,
    weak_share=None,
    notes=(),
)
NOTHING = Analysis(duration_s=2.0, sample_rate_hz=8_000, span_s=(0.0, 2.0), verdict="no-rhythm", confidence=0.99)
CONTRACT = (
    "file",
    "duration_s",
    "sample_rate_hz",
    "span_s",
    "verdict",
    "confidence",
    "firing_rate_hz",
    "firing_rate_sd_hz",
    "cycle_rate_hz",
    "intervals_deg",
    "intervals_sd_deg",
    "pulse_level_db",
    "speed_track",
    "readings",
    "notes",
)


@pytest.mark.parametrize("analysis", [UNEVEN, EVEN, NOTHING])
def test_json_has_every_key_of_the_contract(analysis: Analysis) -> None:
    """Every key is there for every verdict, in the contract's order, and null where nothing is known."""
    made = to_json("a.wav", analysis)
    assert [key for key in made if key in CONTRACT] == list(CONTRACT)
    assert set(made) - set(CONTRACT) == {"weak_share", "layout_match"}
    assert json.loads(json.dumps(made, allow_nan=False)) == made


def test_json_values() -> None:
    """Values arrive under their names, arrays as lists."""
    made = to_json("a.wav", UNEVEN)
    assert made["intervals_deg"] == [270.3, 449.7]
    assert made["span_s"] == [0.0, 5.5]
    assert made["speed_track"] == [[0.25, 1803.0], [0.5, 1809.0]]
    assert made["readings"] == [
        {
            "layouts": ["parallel-twin-270", "v-twin-90"],
            "strokes": 4,
            "cylinders": 2,
            "rpm": 1806.0,
            "probability": 0.93,
            "agrees": True,
        },
        {"layouts": [], "strokes": 2, "cylinders": 4, "rpm": 903.0, "probability": 0.002, "agrees": False},
    ]
    assert to_json("a.wav", NOTHING)["firing_rate_hz"] is None


def test_json_has_no_infinity() -> None:
    """A pulse that is missing altogether has a level of minus infinity, which JSON (RFC 8259, 6) cannot hold."""
    made = to_json("a.wav", replace(UNEVEN, pulse_level_db=(0.0, -math.inf)))
    assert made["pulse_level_db"] == [0.0, None]


def test_text_of_an_uneven_engine() -> None:
    """The text gives verdict, confidence, intervals, rates, levels, weak pulses, readings, notes, and the span."""
    text = to_text("a.wav", UNEVEN)
    lines = text.splitlines()
    assert lines[0] == "a.wav"
    assert lines[1] == "  Fires unevenly, 270-450 (very likely, 97 %)."
    for part in (
        "270.3 ± 1.1, 449.7 ± 1.1 degrees",
        "30.100 ± 0.020 a second",
        "15.05 a second",
        "+0.0, -1.2 (dB against the mean pulse)",
        "pulse 2 in 12 % of cycles",
        "0.0 to 5.5 s: 5.5 of 6.0 s read, at 44100 Hz",
        "Sound can't tell apart: parallel-twin-270, v-twin-90.",
        "note: wind below 60 Hz; shield the microphone",
    ):
        assert part in text
    row = next(line for line in lines if line.startswith("  parallel-twin-270"))
    assert row.split() == ["parallel-twin-270,", "v-twin-90", "2", "four-stroke", "1806", "93", "%"]
    assert any(line.endswith("903  under 1 %") for line in lines)
    assert max(map(len, lines)) <= 79


def test_span_within_a_part_of_a_file() -> None:
    """Where only seconds 1 to 4 of a file were read, the span stands in the file's time, beside how much was read."""
    text = to_text("a.wav", replace(UNEVEN, duration_s=3.0, span_s=(1.0, 4.0)))
    assert "listened to      1.0 to 4.0 s: 3.0 of 3.0 s read, at 44100 Hz" in text


def test_text_of_an_even_engine() -> None:
    """An even rhythm whose cycle is heard gives its equal intervals once."""
    text = to_text("a.wav", replace(EVEN, cycle_rate_hz=15.05, intervals_sd_deg=(0.0, 0.0)))
    assert "Fires evenly (very likely, 97 %)." in text
    assert "360.0 degrees, 2 times" in text
    assert "hidden" not in text


def test_text_of_a_single() -> None:
    """One pulse a cycle: its interval is given without a count, and its level not against itself."""
    single = replace(EVEN, cycle_rate_hz=7.5, intervals_deg=(720.0,), intervals_sd_deg=(0.0,), pulse_level_db=(0.0,))
    lines = to_text("a.wav", single).splitlines()
    assert next(line for line in lines if "degrees" in line).split()[-2:] == ["720.0", "degrees"]
    assert not any("pulse levels" in line for line in lines)


@pytest.mark.parametrize(
    ("rpm", "said"),
    [((1803, 1809, 1790, 1850), "1790 to 1850 rpm"), ((1803.1, 1802.9, 1803.2, 1803.0), "steady, 1803 rpm")],
)
def test_speed_in_text(rpm: tuple[float, ...], said: str) -> None:
    """The lowest and the highest speed, or one that is the same to a revolution."""
    track = tuple((0.25 * k, float(speed)) for k, speed in enumerate(rpm))
    assert f"{said}, by the first reading" in to_text("a.wav", replace(UNEVEN, speed_track=track))


def test_an_even_rhythm_that_hides_its_cycle_gives_no_degrees() -> None:
    """A rhythm that any cylinder count may have stands for 720 degrees, 360 or less: no reading is singled out."""
    text = to_text("a.wav", EVEN)
    assert "hidden" in text
    assert "all alike; in degrees, each reading has its own" in text
    assert "360.0 degrees" not in text


def test_readings_that_fire_otherwise_stand_apart() -> None:
    """Readings that do not fire as the verdict says come after those that do, under a line of their own."""
    lines = to_text("a.wav", UNEVEN).splitlines()
    (parting,) = (k for k, line in enumerate(lines) if "if it fires otherwise" in line)
    assert "parallel-twin-270" in lines[parting - 1]
    assert "no layout known by name" in lines[parting + 1]
    alike = replace(UNEVEN, readings=UNEVEN.readings[:1])
    assert "otherwise" not in to_text("a.wav", alike)


def test_text_without_an_answer() -> None:
    """No rhythm and no certainty are said as plainly as an answer."""
    assert "No firing rhythm in this sound (almost certain, 99 %)." in to_text("a.wav", NOTHING)
    assert "Can't tell how this fires" in to_text("a.wav", replace(NOTHING, verdict="undetermined"))


def test_intervals_that_are_a_guess_are_called_one() -> None:
    """Where how it fires can't be told, the likeliest intervals stand there as what they are, with their odds."""
    text = to_text("a.wav", replace(UNEVEN, verdict="undetermined", confidence=0.14))
    assert "270.3 ± 1.1, 449.7 ± 1.1 degrees (a guess, 14 %)" in text
    assert "degrees (" not in to_text("a.wav", UNEVEN)


def test_a_long_line_of_levels_is_wrapped() -> None:
    """The levels of a V12, one missing, stay within the width, each whole, under their own column."""
    levels = (*(-1.0 - k / 10 for k in range(11)), -math.inf)
    lines = to_text("a.wav", replace(EVEN, intervals_deg=(60.0,) * 12, pulse_level_db=levels)).splitlines()
    (first,) = (k for k, line in enumerate(lines) if line.startswith("  pulse levels"))
    told = " ".join(line[18:].strip() for line in lines[first : first + 2])
    assert told.startswith("-1.0, -1.1,") and told.endswith("-2.0, missing (dB against the mean pulse)")
    assert max(map(len, lines)) <= 79


def test_text_of_a_comparison_with_a_layout() -> None:
    """With a layout to compare with, the text answers yes, no or can't tell, how likely, and where it differs."""
    match: dict[str, object] = {"layout": "boxer-twin", "answer": "no", "odds": 0.01, "where": "pulse 2 is 90 off"}
    text = to_text("a", replace(UNEVEN, layout_match=match))
    assert "Fires like boxer-twin? No (odds that it does: 1 %): pulse 2 is 90 off." in text


def test_long_lists_are_cut_at_the_end_not_in_the_middle() -> None:
    """Many readings and many names are cut to the likeliest, with a count of the rest."""
    names = tuple(f"layout-{k}" for k in range(9))
    many = tuple(Reading(layouts=names, strokes=4, cylinders=k, rpm=10_900.0, probability=1.0) for k in range(1, 20))
    text = to_text("a.wav", replace(EVEN, readings=many))
    assert "layout-0, layout-1, layout-2 and 6 more" in text
    assert max(map(len, text.splitlines())) <= 79
    assert "and 3 more; --json lists all" in text


def test_names_in_text_hold_no_controls() -> None:
    """A file name cannot steer the terminal."""
    assert "\x1b" not in to_text("a\x1b[31m.wav", UNEVEN)


@pytest.mark.parametrize(
    ("confidence", "words"),
    [
        (1.0, "almost certain, over 99 %"),
        (0.997, "almost certain, over 99 %"),
        (0.9, "very likely, 90 %"),
        (0.75, "likely, 75 %"),
        (0.5, "more likely than not, 50 %"),
        (0.2, "a guess, 20 %"),
        (0.0, "a guess, under 1 %"),
    ],
)
def test_confidence_in_words(confidence: float, words: str) -> None:
    """A confidence is given in words and as a number, and never rounded to certainty."""
    assert sureness(confidence) == words
