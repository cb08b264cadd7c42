"""Crank geometry, intervals and the readers of user layouts."""

import itertools
from pathlib import Path

import numpy as np
import pytest

from pulse_audio.catalogue import find_layout, layout, layout_names
from pulse_audio.drawing import firings
from pulse_audio.errors import LayoutError
from pulse_audio.layout import (
    Cylinder,
    Layout,
    from_intervals,
    from_table,
    from_toml,
    looks_like_intervals,
    shortest_repeat,
)

# Crank degrees between firings, as cycles: any rotation is the same engine.
# [a] table of crank and ignition angles in an encyclopaedia article on big-bang firing order
#     (copy at cryer.org.uk/big-bang_firing_order)
# [b] T. Denton, Automobile Mechanical and Electrical Systems, p. 107
# [c] calculated from a common crankpin: 360 - bank and 360 + bank; 45 degrees also from memory of handbooks
# [d] lists of firing orders and odd-fire engines on the web, not handbooks
# [e] L. S. Marks, The Airplane Engine, 1922, p. 64 (as quoted): an even engine has 720 / cylinders between firings
# [f] bank sequence left-right-left-left-right-left-right-right of an encyclopaedia article on the V8, with 90 degrees a
#     step, calculated
# [g] a service training text on a 90-degree V6 whose pins are staggered by 30 degrees, p. 21
# [h] calculated, and from memory
INTERVALS = {
    "single-four-stroke": [720],  # a
    "parallel-twin-360": [360, 360],  # a
    "boxer-twin": [360, 360],  # a
    "parallel-twin-180": [180, 540],  # a
    "flat-twin-one-pin": [180, 540],  # c
    "parallel-twin-270": [270, 450],  # a
    "parallel-twin-285": [285, 435],  # a
    "v-twin-90": [270, 450],  # a
    "v-twin-75": [285, 435],  # a
    "v-twin-60": [300, 420],  # a
    "v-twin-52": [308, 412],  # c
    "v-twin-50": [310, 410],  # c
    "v-twin-45": [315, 405],  # c
    "triple-120": [240] * 3,  # d
    "inline-four": [180] * 4,  # b
    "inline-four-crossplane": [270, 180, 90, 180],  # d
    "boxer-four": [180] * 4,  # e
    "v4-90-180": [180, 270, 180, 90],  # h
    "v4-90-360": [90, 270, 90, 270],  # h
    "inline-five": [144] * 5,  # e
    "inline-six": [120] * 6,  # b
    "boxer-six": [120] * 6,  # e
    "v6-60": [120] * 6,  # e
    "v6-90-odd": [90, 150] * 3,  # d
    "v6-90-even": [120] * 6,  # g
    "v6-120": [120] * 6,  # e
    "v8-crossplane": [90] * 8,  # e
    "v8-flatplane": [90] * 8,  # e
    "v8-crossplane-one-bank": [180, 90, 180, 270],  # f
    "v8-flatplane-one-bank": [180] * 4,  # d
    "inline-eight": [90] * 8,  # e
    "v10-72": [72] * 10,  # e
    "v10-90-odd": [90, 54] * 5,  # d, calculated
    "v10-90-even": [72] * 10,  # d
    "v12-60": [60] * 12,  # e
    "radial-seven": [720 / 7] * 7,  # e
    "radial-nine": [80] * 9,  # e
    "single-two-stroke": [360],  # one firing a turn: the definition of a two-stroke
    "triple-120-two-stroke": [120] * 3,  # 360 / 3
}


@pytest.mark.parametrize("name", INTERVALS)
def test_published_intervals(name: str) -> None:
    """The intervals that follow from throws and banks are the published ones, whichever cylinder is counted first."""
    found, known = layout(name).intervals_deg, INTERVALS[name]
    rotations = [known[k:] + known[:k] for k in range(len(known))]
    # 0.01 degrees: the catalogue's angles are rounded to 0.001
    assert any(found == pytest.approx(turned, abs=0.01) for turned in rotations)


# Firing orders: [b] above for four and six; [d] for the others; numbering as the catalogue states it.
ORDERS = {
    "triple-120": [(1, 3, 2), (1, 2, 3)],
    "inline-four": [(1, 3, 4, 2), (1, 2, 4, 3)],
    "inline-five": [(1, 2, 4, 5, 3)],
    "inline-six": [(1, 5, 3, 6, 2, 4)],
    "boxer-six": [(1, 6, 2, 4, 3, 5), (1, 4, 5, 2, 3, 6)],
    "v8-crossplane": [(1, 8, 4, 3, 6, 5, 7, 2)],
}


@pytest.mark.parametrize("name", ORDERS)
def test_published_firing_orders(name: str) -> None:
    """The firing order is one that is commonly listed."""
    assert layout(name).firing_order in ORDERS[name]


def test_banks_of_a_crossplane_v8() -> None:
    """Firing order 1-8-4-3-6-5-7-2 gives 270-180-90-180 on the odd bank and 90-180-270-180 on the even one."""
    whole = layout("v8-crossplane")
    odd = sorted(c.firing_deg for c in whole.cylinders[0::2])
    even = sorted(c.firing_deg for c in whole.cylinders[1::2])
    assert odd == [0, 270, 450, 540]
    assert even == [90, 180, 360, 630]


def test_pin_angles_of_inline_cranks() -> None:
    """An inline six has its pins 120 degrees apart in pairs 1-6, 2-5, 3-4; a cross-plane crank has four at 90."""
    six = [c.throw_deg or 0.0 for c in layout("inline-six").cylinders]
    assert [six[0], six[1], six[2]] == [six[5], six[4], six[3]]
    assert sorted(angle % 360 for angle in six[:3]) == [0, 120, 240]
    for name in ("inline-four-crossplane", "v8-crossplane"):
        pins = {round((c.throw_deg or 0.0) % 90, 6) for c in layout(name).cylinders}
        places = {round((c.throw_deg or 0.0) % 360, 6) for c in layout(name).cylinders}
        assert (len(pins), len(places)) == (1, 4)


@pytest.mark.parametrize("name", ["boxer-twin", "parallel-twin-360"])
def test_both_pistons_reach_the_top_together(name: str) -> None:
    """Fact of the trade: in a boxer twin and in a 360-degree twin both pistons are at TDC together, firing 360-360."""
    one, two = layout(name).cylinders
    assert one.tdc_deg == two.tdc_deg
    assert layout(name).intervals_deg == (360, 360)


def test_flat_twin_on_one_pin_is_no_boxer() -> None:
    """Fact of the trade: one piston is at the top as the other is at the bottom, and it fires as a 180-degree twin."""
    one, two = layout("flat-twin-one-pin").cylinders
    assert one.throw_deg == two.throw_deg
    assert abs((one.tdc_deg or 0.0) - (two.tdc_deg or 0.0)) == 180
    assert layout("flat-twin-one-pin").intervals_deg == layout("parallel-twin-180").intervals_deg


def test_v_twins_on_one_pin_follow_the_rule() -> None:
    """On one crankpin the intervals are 360 - V and 360 + V for any bank angle V (geometry)."""
    for bank in (30, 42, 61.5, 90, 120, 180):
        axes = (bank / 2, -bank / 2)
        fire = (0.0, 360.0 - bank)
        cylinders = tuple(
            Cylinder(bank_deg=a, throw_deg=bank / 2, firing_deg=f) for a, f in zip(axes, fire, strict=True)
        )
        assert Layout(name="v", cylinders=cylinders).intervals_deg == pytest.approx((360 - bank, 360 + bank))


def test_turning_the_whole_drawing_changes_nothing() -> None:
    """Turning all banks and throws by one angle leaves every TDC where it is."""
    this = layout("v6-90-odd")
    turned = Layout(
        name="turned",
        cylinders=tuple(
            Cylinder(bank_deg=(c.bank_deg or 0) + 33, throw_deg=(c.throw_deg or 0) + 33, firing_deg=c.firing_deg)
            for c in this.cylinders
        ),
    )
    assert [c.tdc_deg for c in turned.cylinders] == pytest.approx([c.tdc_deg for c in this.cylinders])


def test_cylinders_that_fire_together_make_one_pulse() -> None:
    """A two-stroke twin that fires both at once is heard as an even single, one that does not as two pulses."""
    both = layout("parallel-twin-360-two-stroke")
    assert (both.pulse_intervals_deg, both.pulse_cylinders, both.is_even) == ((360,), (2,), True)
    assert both.intervals_deg == (0, 360)
    apart = layout("parallel-twin-180-two-stroke")
    assert (apart.pulse_cylinders, apart.pulse_intervals_deg) == ((1, 1), (180, 180))
    square = layout("square-four-two-stroke")
    assert (square.pulse_cylinders, square.pulse_intervals_deg) == ((2, 2), (180, 180))


def test_firings_a_hair_apart_are_one_pulse_in_all_that_is_told() -> None:
    """What counts the pulses and what draws them group firings alike: each joins its neighbour, not the first alone."""
    for angles in ((0.0, 0.015, 300.0), (0.0, 0.015, 0.03, 300.0), (0.005, 300.0, 719.99), (300.0, 0.0, 719.985)):
        this = Layout(name="near", cylinders=tuple(Cylinder(firing_deg=a) for a in angles))
        assert this.pulse_cylinders == (len(angles) - 1, 1)
        assert len(this.pulse_intervals_deg) == 2
        assert [len(pulse.cylinders) for pulse in firings(this)] == [len(angles) - 1, 1]


def test_a_pulse_across_the_end_of_the_cycle_counts_once() -> None:
    """Two cylinders that fire a hair before and after angle 0 are one pulse."""
    split = Layout(
        name="split",
        cylinders=(Cylinder(firing_deg=0.0), Cylinder(firing_deg=300.0), Cylinder(firing_deg=719.99)),
    )
    assert split.pulse_cylinders == (2, 1)
    assert split.pulse_intervals_deg == pytest.approx((300, 419.99))


@pytest.mark.parametrize(
    ("text", "shown", "even", "patterns"),
    [
        ("720", "720", True, 1),
        ("270-450", "270-450", False, 1),
        ("180-180-180-180", "180 x4", True, 4),
        ("90-150-90-150-90-150", "90-150 x3", False, 3),
        ("102.86-102.86-102.86-102.86-102.86-102.86-102.84", "102.86 x7", True, 7),
        ("90-270", "90-270", False, 1),
        ("360", "360", True, 1),
        ("0-720", "0-720", True, 1),
        ("0-240-240-240", "0-240-240-240", True, 1),
    ],
)
def test_intervals_alone(text: str, shown: str, even: bool, patterns: int) -> None:
    """A list of intervals makes a layout without geometry; its sum decides the strokes, repeats are written short."""
    this = from_intervals(text)
    assert (this.intervals_text, this.is_even, this.patterns_per_cycle) == (shown, even, patterns)
    assert this.strokes == (2 if text in ("90-270", "360") else 4)
    assert not this.has_geometry
    assert this.name == shown
    assert find_layout(this.name) == this


@pytest.mark.parametrize(
    ("text", "meant"),
    [("240 x3", "240-240-240"), ("240x3", "240-240-240"), ("90-270 x2", "90-270-90-270"), (" 720 x 1 ", "720")],
)
def test_intervals_are_read_as_they_are_shown(text: str, meant: str) -> None:
    """What comes several times over may be written once with a count, as the list of layouts shows it."""
    assert looks_like_intervals(text)
    assert from_intervals(text) == from_intervals(meant)


def test_intervals_of_every_layout_are_read_as_they_are_shown() -> None:
    """The intervals that the list of layouts shows make a layout that shows the same ones."""
    for name in layout_names():
        shown = layout(name).intervals_text
        assert looks_like_intervals(shown)
        assert from_intervals(shown).intervals_text == shown, name


@pytest.mark.parametrize("text", ["240 x", "240 x 3.0", "x3", "240 x3 x1", "240 by 3"])
def test_what_is_no_count_is_no_list_of_intervals(text: str) -> None:
    """A count is one whole number at the end."""
    assert not looks_like_intervals(text)
    with pytest.raises(LayoutError, match="give degrees joined by '-', such as 270-450, or 240 x3"):
        from_intervals(text)


@pytest.mark.parametrize(
    "text",
    [
        "270-451", "0", "0-0", "100", "1000000-1", "9" * 400, "5-" * 99 + "225", "240 x0", "240 x2", "15 x49",
        "240 x" + "9" * 4000, "240 x" + "9" * 5000,
    ],
)  # fmt: skip
def test_impossible_intervals_are_refused(text: str) -> None:
    """Intervals that make neither 720 nor 360, or too many of them, are refused."""
    with pytest.raises(LayoutError):
        from_intervals(text)


@pytest.mark.parametrize(("values", "length"), [([1], 1), ([1, 1], 1), ([1, 2, 1, 2], 2), ([1, 2, 1], 3)])
def test_shortest_repeat(values: list[float], length: int) -> None:
    """The shortest repeating piece divides the list."""
    assert shortest_repeat(values, 0) == length


GOOD = {"bank_deg": [0, 0], "throw_deg": [0, 90], "firing_deg": [0, 270], "title": "Mine", "note": "Made up."}


def test_table_keeps_what_it_says() -> None:
    """A legal table becomes the layout that it describes; offsets count up where they are not given."""
    this = from_table("mine", GOOD)
    assert (this.name, this.title, this.note, this.strokes) == ("mine", "Mine", "Made up.", 4)
    assert [c.offset for c in this.cylinders] == [0, 1]
    assert this.intervals_deg == (270, 450)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"firing_deg": [0, 180]}, "cylinder 2: .*180 is no top dead centre.* it can fire at 270 or 630$"),
        ({"firing_deg": [0, 269]}, "can fire at 270 or 630"),
        ({"firing_deg": [0, 90], "strokes": 2}, "it can fire at 270$"),
        ({"firing_deg": [0, 990]}, "at least 0 and below 720"),
        ({"firing_deg": [0, -90]}, "at least 0 and below 720"),
        ({"firing_deg": [0]}, "lists differ in length: bank_deg has 2, throw_deg has 2, firing_deg has 1"),
        ({"firing_deg": []}, "firing_deg must be a list of 1 to 48 numbers"),
        ({"firing_deg": 5}, "firing_deg must be a list"),
        ({"firing_deg": [0, "x"]}, "firing_deg must hold numbers only"),
        ({"firing_deg": [0, True]}, "firing_deg must hold numbers only"),
        ({"firing_deg": [0, float("nan")]}, "cylinder 2: firing_deg=nan is out of range; give -3600 to 3600 degrees$"),
        ({"offset": [0, 3601]}, "cylinder 2: offset=3601 is out of range; give -3600 to 3600$"),
        ({"bank_deg": [0, 10**400]}, "cylinder 2: bank_deg=1000"),
        ({"strokes": 3}, "strokes=3 must be 2 or 4"),
        ({"strokes": 4.0}, "must be 2 or 4"),
        ({"strokes": "4"}, "must be 2 or 4"),
        ({"strokes": True}, "must be 2 or 4"),
        ({"colour": "red"}, "unknown key 'colour'; the keys are name, strokes, bank_deg, throw_deg, firing_deg, "),
        ({"fireing_order": [1, 2]}, "unknown key 'fireing_order', did you mean firing_deg[?]$"),
        ({"layout": {}}, r"unknown key 'layout': leave out the heading \[layout\]; the keys are name"),
        ({"title": 3}, "title must be text"),
    ],
)
def test_tables_that_cannot_be_are_refused(change: dict[str, object], message: str) -> None:
    """Each fault of a layout table is named with what would be legal."""
    with pytest.raises(LayoutError, match=message):
        from_table("mine", {**GOOD, **change})


def test_all_faults_are_told_at_once() -> None:
    """A table with three faults gets one message that names all three."""
    with pytest.raises(LayoutError) as told:
        from_table("mine", {**GOOD, "colour": 1, "title": 2, "strokes": 5})
    assert all(word in str(told.value) for word in ("colour", "title", "strokes"))


def test_throws_without_banks_are_refused() -> None:
    """A throw says nothing without its cylinder axis."""
    assert Cylinder(throw_deg=90.0, firing_deg=0.0).tdc_deg is None
    with pytest.raises(LayoutError, match="bank_deg and throw_deg go together"):
        from_table("mine", {"throw_deg": [0, 90], "firing_deg": [0, 270]})


def test_legal_angles_in_the_message_are_legal() -> None:
    """Both angles that a refusal offers make the layout pass."""
    with pytest.raises(LayoutError) as told:
        from_table("mine", {**GOOD, "firing_deg": [0, 200]})
    offered = str(told.value).rsplit("fire at ", 1)[1].split(" or ")
    for angle in map(float, offered):
        assert from_table("mine", {**GOOD, "firing_deg": [0, angle]}).firing_deg == (0, angle)


def test_toml_file(tmp_path: Path) -> None:
    """A TOML file is read with its name, or named after the file."""
    path = tmp_path / "odd.toml"
    path.write_text("bank_deg = [0, 0]\nthrow_deg = [0, 76]\nfiring_deg = [0, 284]\n")
    assert (from_toml(path).name, from_toml(path).intervals_deg) == ("odd", (284, 436))
    path.write_text('name = "Skewed twin"\nfiring_deg = [0, 284]\n')
    assert from_toml(path).name == "Skewed twin"


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"firing_deg = [0, 270", "is no TOML"),
        (b"\xff\xfe\x00", "is no TOML: its text is not in UTF-8; save it as UTF-8$"),
        (b'title = "\xe9"\nfiring_deg = [0, 270]', "its text is not in UTF-8; save it as UTF-8$"),
        (b"", "firing_deg is missing"),
        (b"firing_deg = [0, 270]\nname = 3\n", "name must be text"),
        (b"a = " + b"[" * 5000, "is no TOML"),
        (b"a = " + b"9" * 5000, "is no TOML"),
        (b"#" * 100_001, "larger than 100000 bytes"),
        (b"[bank]\nx = 1\n", "unknown key 'bank'"),
    ],
)
def test_bad_toml_files_are_refused(tmp_path: Path, content: bytes, message: str) -> None:
    """A file that holds no layout gets one line that says why."""
    path = tmp_path / "bad.toml"
    path.write_bytes(content)
    with pytest.raises(LayoutError, match=message) as told:
        from_toml(path)
    assert "\n" not in str(told.value)


def test_absent_files_are_refused(tmp_path: Path) -> None:
    """A path that is not there, or is a folder, is named with the reason."""
    with pytest.raises(LayoutError, match="no such file"):
        from_toml(tmp_path / "none.toml")
    with pytest.raises(LayoutError, match="it is a folder"):
        from_toml(tmp_path)


@pytest.mark.parametrize("name", ["bank_deg", "throw_deg", "offset", "firing_deg"])
@pytest.mark.parametrize("value", [float("nan"), float("inf"), 1e9, "5", True, [0]])
def test_cylinders_check_themselves(name: str, value: object) -> None:
    """A cylinder with an angle or place that is no number, or beyond ten turns, is refused when it is made."""
    with pytest.raises(LayoutError, match=f"^{name}=.* give -3600 to 3600"):
        Cylinder(**{"firing_deg": 0.0, name: value})  # type: ignore[arg-type]


def test_a_cylinder_needs_its_firing_angle_and_place() -> None:
    """Banks and throws may be unknown; when it fires and where it stands along the crank may not."""
    for name in ("firing_deg", "offset"):
        with pytest.raises(LayoutError, match=f"{name}=None is not a number"):
            Cylinder(**{"firing_deg": 0.0, name: None})  # type: ignore[arg-type]


def test_layouts_check_what_they_are_made_of() -> None:
    """A list of cylinders, which could change, cylinders that are none, and strokes that are no int are refused."""
    one = Cylinder(firing_deg=0.0)
    for cylinders in ([one], (0.0,), one):
        with pytest.raises(LayoutError, match="layout 'x': cylinders must be a tuple of Cylinders"):
            Layout(name="x", cylinders=cylinders)  # type: ignore[arg-type]
    with pytest.raises(LayoutError, match=r"layout 'x': strokes=4\.0 must be 2 or 4"):
        Layout(name="x", cylinders=(one,), strokes=4.0)  # type: ignore[arg-type]


def test_layouts_of_no_cylinders_or_too_many_are_refused() -> None:
    """An engine has 1 to 48 cylinders."""
    for count in (0, 49):
        with pytest.raises(LayoutError, match=f"{count} cylinders; give 1 to 48"):
            Layout(name="x", cylinders=tuple(Cylinder(firing_deg=0.0) for _ in range(count)))


def test_intervals_add_up_to_the_cycle(rng: np.random.Generator) -> None:
    """Whatever the firing angles, the intervals add up to 720 and none is negative."""
    for count, _ in itertools.product((1, 2, 5, 12), range(20)):
        angles = rng.uniform(0, 720, count)
        this = Layout(name="x", cylinders=tuple(Cylinder(firing_deg=float(a)) for a in angles))
        assert sum(this.intervals_deg) == pytest.approx(720)
        assert min(this.intervals_deg) >= 0
        assert sum(this.pulse_cylinders) == count
