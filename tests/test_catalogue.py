"""The named layouts as a whole, the layout argument, and what sound can't tell apart."""

from collections.abc import Callable
from pathlib import Path

import pytest

from pulse_audio.catalogue import find_layout, layout, layout_names, nearest_names, same_sound, sound_alikes
from pulse_audio.errors import LayoutError, RangeError
from pulse_audio.exhaust import find_exhaust
from pulse_audio.layout import from_intervals

# The kinds of engine that the project promises to know.
PROMISED = [
    "single-four-stroke",
    "single-two-stroke",
    "parallel-twin-360",
    "parallel-twin-180",
    "parallel-twin-270",
    "boxer-twin",
    "flat-twin-one-pin",
    "v-twin-45",
    "v-twin-52",
    "v-twin-60",
    "v-twin-75",
    "v-twin-90",
    "v-twin-45-even",
    "parallel-twin-180-two-stroke",
    "parallel-twin-360-two-stroke",
    "triple-120",
    "triple-180",
    "triple-120-two-stroke",
    "inline-four",
    "inline-four-crossplane",
    "boxer-four",
    "v4-90-180",
    "v4-90-360",
    "inline-five",
    "inline-six",
    "boxer-six",
    "v6-60",
    "v6-90-odd",
    "v6-90-even",
    "v6-120",
    "v8-crossplane",
    "v8-flatplane",
    "v8-crossplane-one-bank",
    "v8-flatplane-one-bank",
    "inline-eight",
    "v10-72",
    "v10-90-odd",
    "v10-90-even",
    "v12-60",
]


def test_at_least_forty_layouts_of_every_promised_kind() -> None:
    """The catalogue holds 40 layouts or more, among them every kind that is promised."""
    assert len(layout_names()) >= 40
    assert set(PROMISED) <= set(layout_names())


@pytest.mark.parametrize("name", layout_names())
def test_every_layout_is_whole(name: str) -> None:
    """Each layout passes its own checks and has a title, a source, and a whole engine where it is a part."""
    this = layout(name)
    assert this.name == name
    assert this.title and this.source
    assert this.cylinders[0].firing_deg == 0, "the cycle begins where cylinder 1 fires"
    if this.part_of:
        whole = layout(this.part_of)
        assert len(whole.cylinders) % len(this.cylinders) == 0
        assert set(this.firing_deg) <= set(whole.firing_deg)
    assert len(name) <= 30, "the list of layouts must fit 80 columns"


def test_geometry_is_given_wherever_one_crank_can_have_it() -> None:
    """Only the square fours, which have two cranks, come without throws and banks."""
    assert {n for n in layout_names() if not layout(n).has_geometry} == {"square-four", "square-four-two-stroke"}


@pytest.mark.parametrize("text", ["boxer-twin", "Boxer Twin", "boxer_twin", " boxer--twin "])
def test_names_may_be_written_in_several_ways(text: str) -> None:
    """Capitals, spaces and underscores in a name do not matter."""
    assert find_layout(text).name == "boxer-twin"


def test_a_layout_argument_may_be_intervals_or_a_path(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Intervals, a path, and a bare file name in the working folder are all read."""
    assert find_layout("270-450").intervals_deg == (270, 450)
    assert find_layout("180-180").strokes == 2
    (tmp_path / "mine.toml").write_text("firing_deg = [0, 200]\n")
    assert find_layout(str(tmp_path / "mine.toml")).intervals_deg == (200, 520)
    monkeypatch.chdir(tmp_path)
    assert find_layout("mine.toml").name == "mine"
    (tmp_path / "plain").write_text("firing_deg = [0, 100]\n")
    assert find_layout("plain").intervals_deg == (100, 620)


def test_a_file_may_not_call_itself_by_another_layouts_name(tmp_path: Path) -> None:
    """A file named as a named layout is read if it fires alike, from whatever angle, and refused if it does not."""
    path = tmp_path / "mine.toml"
    path.write_text('name = "Inline Four"\nfiring_deg = [90, 270, 450, 630]\n')
    assert find_layout(str(path)).firing_deg == (90, 270, 450, 630)
    path.write_text(f'name = "radial-seven"\nfiring_deg = {[round(k * 102.86, 2) for k in range(7)]}\n')
    assert find_layout(str(path)).is_even  # a seventh of 720 degrees as it is typed
    path.write_text('name = "Inline Four"\nfiring_deg = [0, 90, 180, 270]\n')
    with pytest.raises(LayoutError, match="called inline-four fires 180 x4, this one 90-90-90-450; give it another"):
        find_layout(str(path))


@pytest.mark.parametrize(
    ("text", "offered"),
    [
        ("boxer-twn", "boxer-twin"),
        ("v-twin", "v-twin-90"),
        ("270 twin", "parallel-twin-270"),
        ("crossplane", "v8-crossplane"),
        ("inline four flatplane", "inline-four"),
        ("v12", "v12-60"),
    ],
)
def test_an_unknown_name_is_answered_with_near_ones(text: str, offered: str) -> None:
    """A misspelt or partial name gets up to three names that are near it."""
    assert offered in nearest_names(text)
    with pytest.raises(LayoutError, match=f"did you mean .*{offered}"):
        find_layout(text)


@pytest.mark.parametrize(("find", "name"), [(find_layout, "layout"), (find_exhaust, "exhaust")])
def test_what_is_no_text_names_nothing(find: Callable[[object], object], name: str) -> None:
    """None and a path that is no text are told what is wanted."""
    for value in (None, Path("mine.toml")):
        with pytest.raises(RangeError, match=f"{name} is of type .*; give a name or a path as text"):
            find(value)


@pytest.mark.parametrize("text", ["270,450", "270 450", "270, 450", "270\N{EN DASH}450", "270:450"])
def test_intervals_joined_otherwise_are_shown_as_they_are_written(text: str) -> None:
    """Numbers with another mark between them are answered with the spelling that works."""
    with pytest.raises(LayoutError, match=r"intervals are joined by '-': 270-450$"):
        find_layout(text)
    assert find_layout("270-450").intervals_text == "270-450"


@pytest.mark.parametrize("text", ["zzzzz", "", "a" * 5000])
def test_a_name_like_no_other_is_pointed_to_the_list(text: str) -> None:
    """Where nothing is near, the message says how to list the names."""
    with pytest.raises(LayoutError, match="the command layouts lists them all"):
        find_layout(text)


# Pairs that fire alike are facts of the trade (common practice): a quarter-turn parallel twin is built to fire like a
# 90-degree V-twin, and so on.
@pytest.mark.parametrize(
    ("one", "two"),
    [
        ("parallel-twin-270", "v-twin-90"),
        ("parallel-twin-180", "flat-twin-one-pin"),
        ("boxer-twin", "parallel-twin-360"),
        ("boxer-four", "inline-four"),
        ("inline-four-crossplane", "v8-crossplane-one-bank"),
        ("inline-four-crossplane", "v4-90-180"),
        ("v8-crossplane", "v8-flatplane"),
        ("single-two-stroke", "parallel-twin-360"),
        ("triple-120-two-stroke", "inline-six"),
        ("parallel-twin-360-two-stroke", "single-two-stroke"),
    ],
)
def test_pairs_that_fire_alike(one: str, two: str) -> None:
    """Each is in the other's list."""
    assert two in same_sound(layout(one))
    assert one in same_sound(layout(two))


@pytest.mark.parametrize(
    ("one", "two"), [("v-twin-45", "v-twin-90"), ("boxer-twin", "flat-twin-one-pin"), ("v6-90-odd", "v6-90-even")]
)
def test_pairs_that_do_not_fire_alike(one: str, two: str) -> None:
    """Layouts of other intervals are not in each other's list at any speed."""
    assert two not in sound_alikes(layout(one))


def test_other_speeds_that_sound_the_same() -> None:
    """Even engines sound alike at the inverse ratio of their pulses a turn; 90-270 is 180-540 at half the speed."""
    four = sound_alikes(layout("inline-four"))
    assert four["single-four-stroke"] == pytest.approx(4)
    assert four["inline-six"] == pytest.approx(2 / 3)
    assert four["v12-60"] == pytest.approx(1 / 3)
    assert sound_alikes(layout("parallel-twin-180"))["v-twin-90-two-stroke"] == pytest.approx(0.5)
    evens = {n for n in layout_names() if layout(n).is_even}
    assert set(four) == evens - {"inline-four"}


def test_unequal_pulses_are_not_the_same_as_equal_ones() -> None:
    """A pulse of two cylinders followed by one of one cylinder is no even engine, though its pulses come evenly."""
    lopsided = from_intervals("0-360-360")
    assert lopsided.is_even
    assert sound_alikes(lopsided) == {}


def test_where_the_cycle_begins_does_not_count() -> None:
    """Intervals turned round by any number of places find the same layouts."""
    found = {same_sound(from_intervals(t)) for t in ("270-180-90-180", "180-90-180-270", "90-180-270-180")}
    assert found == {("inline-four-crossplane", "v4-90-180", "v8-crossplane-one-bank")}
