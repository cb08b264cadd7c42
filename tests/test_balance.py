"""Forces, couples and crankcase swing against handbook factors and worked problems."""

import math
from dataclasses import replace

import numpy as np
import pytest

from pulse_audio.balance import NOTHING, Balance, Shaking, balance, crankcase_volume
from pulse_audio.balance_words import facts, in_short, is_boxer
from pulse_audio.catalogue import layout, layout_names
from pulse_audio.errors import LayoutError, RangeError
from pulse_audio.layout import Cylinder, Layout, from_intervals, from_table
from pulse_audio.lesson import english, words

# Forward and backward parts of primary force, secondary force, primary couple, secondary couple (secondary in lambda
# m r omega^2, couples times the spacing), and crankcase swing in volumes of one cylinder at rod ratio 0.25. Calculated
# from cos t + lambda cos 2t; they agree with the free forces and moments in R. Bosch, Automotive Handbook (from memory:
# three sqrt 3 and sqrt 3, four 4 F2, boxer four 2 F2, five .449 and 4.98, V6 90 sqrt 3 and sqrt 6, V6 60 3/2 and 3/2,
# V8 90 sqrt 10) and with R. L. Norton, Design of Machinery, ch. 14 (from memory).
TABLE = {
    "single-four-stroke": ((0.5, 0.5), (0.5, 0.5), (0, 0), (0, 0), 1.000),
    "parallel-twin-360": ((1, 1), (1, 1), (0, 0), (0, 0), 2.000),
    "parallel-twin-180": ((0, 0), (1, 1), (0.5, 0.5), (0, 0), 0.1270),
    "parallel-twin-270": ((0.707, 0.707), (0, 0), (0.354, 0.354), (0.5, 0.5), 1.4142),
    "v-twin-45": ((1, 0.707), (0.924, 0.383), (0, 0), (0, 0), 1.8478),
    "v-twin-60": ((1, 0.5), (0.866, 0), (0, 0), (0, 0), 1.7321),
    "v-twin-90": ((1, 0), (0.707, 0.707), (0, 0), (0, 0), 1.4142),
    "flat-twin-one-pin": ((1, 1), (0, 0), (0, 0), (0, 0), 0.1270),
    "boxer-twin": ((0, 0), (0, 0), (0.5, 0.5), (0.5, 0.5), 2.000),
    "triple-120": ((0, 0), (0, 0), (0.866, 0.866), (0.866, 0.866), 0),
    "inline-four": ((0, 0), (2, 2), (0, 0), (0, 0), 0.2540),
    "inline-four-crossplane": ((0, 0), (0, 0), (1.581, 1.581), (0, 0), 0.0010),
    "boxer-four": ((0, 0), (0, 0), (0, 0), (1, 1), 0.2540),
    "inline-five": ((0, 0), (0, 0), (0.225, 0.225), (2.490, 2.490), 0),
    "inline-six": ((0, 0), (0, 0), (0, 0), (0, 0), 0),
    "boxer-six": ((0, 0), (0, 0), (0, 0), (0, 0), 0),
    "v4-90-180": ((0, 0), (1.414, 1.414), (1, 0), (0, 0), 0.0010),
    "v6-90-odd": ((0, 0), (0, 0), (1.732, 0), (1.225, 1.225), 0),
    "v6-60": ((0, 0), (0, 0), (1.5, 0), (0, 1.5), 0),
    "v8-flatplane": ((0, 0), (2.828, 2.828), (0, 0), (0, 0), 0.0020),
    "v8-crossplane": ((0, 0), (0, 0), (3.162, 0), (0, 0), 0.0020),
    "v12-60": ((0, 0), (0, 0), (0, 0), (0, 0), 0),
}
ROUNDING = 0.00051  # three places
SWING_ROUNDING = 0.000051  # four places


def parts(found: Balance) -> list[Shaking]:
    return [found.primary_force, found.secondary_force, found.primary_couple, found.secondary_couple]


@pytest.mark.parametrize("name", TABLE)
def test_handbook_factors(name: str) -> None:
    """Forward and backward parts and the crankcase swing are those of the table."""
    found = balance(layout(name))
    assert [(s.forward, s.backward) for s in parts(found)] == [
        pytest.approx(pair, abs=ROUNDING) for pair in TABLE[name][:4]
    ]
    assert found.crankcase_swing == pytest.approx(TABLE[name][4], abs=SWING_ROUNDING)


@pytest.mark.parametrize(
    ("name", "which", "axis_deg"),
    # A flat-plane V8's secondary force and a 90-degree V-twin's are horizontal; an inline engine's are in its axis.
    [("v8-flatplane", 1, 90), ("v-twin-90", 1, 90), ("inline-four", 1, 0), ("flat-twin-one-pin", 0, 90)],
)
def test_direction_of_the_force(name: str, which: int, axis_deg: float) -> None:
    """The largest value lies in the published direction."""
    assert parts(balance(layout(name)))[which].axis_deg == pytest.approx(axis_deg)


@pytest.mark.parametrize("name", [n for n in layout_names() if layout(n).has_geometry])
def test_against_adding_up_pistons_at_each_angle(name: str) -> None:
    """The largest force over a turn is the sum of forward and backward parts, in the direction of the axis.

    Independent of the rotating arrows: each piston's cos(t) or cos(2t) along its own axis, added at every half degree.
    """
    this = layout(name)
    turn = np.radians(np.arange(0, 360, 0.5))[:, None]
    axis = np.radians([c.bank_deg or 0.0 for c in this.cylinders])
    after_top = turn - np.radians([c.tdc_deg or 0.0 for c in this.cylinders])
    place = np.array([c.offset for c in this.cylinders])
    lever = place - (place.max() + place.min()) / 2
    found = parts(balance(this))
    for shaking, weight, order in zip(found, (1, 1, lever, lever), (1, 2, 1, 2), strict=True):
        along = weight * np.cos(order * after_top)
        up, across = (along * np.cos(axis)).sum(axis=1), (along * np.sin(axis)).sum(axis=1)
        size = np.hypot(up, across)
        # Half-degree steps miss a maximum by at most 1 - cos 0.5 degrees = 4e-5 of it.
        assert size.max() == pytest.approx(shaking.largest, abs=1e-4 * max(1, len(axis)))
        if shaking.axis_deg is not None:
            direction = math.radians(shaking.axis_deg)
            seen = np.abs(up * math.cos(direction) + across * math.sin(direction)).max()
            assert seen == pytest.approx(shaking.largest, abs=1e-4 * len(axis))


@pytest.mark.parametrize("name", [n for n in layout_names() if layout(n).has_geometry])
def test_crankcase_against_adding_up_pistons_at_each_angle(name: str) -> None:
    """Each piston stands at r cos t + sqrt(l^2 - r^2 sin^2 t) (slider and crank, any textbook), t from its own TDC."""
    this, rod = layout(name), 3.5
    turn_deg = np.arange(0, 360, 0.5)
    after_top = np.radians(turn_deg[:, None] - [c.tdc_deg or 0.0 for c in this.cylinders])
    heights = np.cos(after_top) + np.sqrt(rod**2 - np.sin(after_top) ** 2)  # in crank radii, half a swept volume each
    expected = heights.sum(axis=1) / 2
    found = crankcase_volume(this, turn_deg, rod_ratio=1 / rod)
    assert found - found.mean() == pytest.approx(expected - expected.mean(), abs=1e-9)
    swings = [abs(np.sum(expected * np.exp(-1j * k * np.radians(turn_deg)))) for k in (1, 2, 3, 4)]
    whole = balance(this, rod_ratio=1 / rod)
    assert whole.crankcase_order == (0 if np.ptp(expected) < NOTHING else 1 + int(np.argmax(swings)))


def test_only_differences_of_place_matter() -> None:
    """Counted from another place along the crank the couples about its middle stay, with a free force too."""
    this = layout("parallel-twin-270")
    moved = replace(this, cylinders=tuple(replace(c, offset=c.offset + 3.0) for c in this.cylinders))
    assert balance(moved) == balance(this)


def unit_n(mass_kg: float, radius_m: float, rpm: float) -> float:
    """Return m r omega^2."""
    return mass_kg * radius_m * (rpm * math.pi / 30) ** 2


def test_worked_force_of_one_piston() -> None:
    """0.5 kg on a 40 mm crank at 6000 rpm: 7895.68 N once a turn, 1973.92 N twice a turn at 0.25 (calculated)."""
    found = balance(layout("single-four-stroke"), rod_ratio=0.25)
    unit = unit_n(0.5, 0.040, 6000)
    assert found.primary_force.largest * unit == pytest.approx(7895.68, abs=0.005)
    assert found.secondary_force.largest * 0.25 * unit == pytest.approx(1973.92, abs=0.005)


def test_worked_inline_four() -> None:
    """Flat-plane four, 0.5 kg, 43 mm, rod 145 mm, 6000 rpm: 10 068 N twice a turn (calculated)."""
    found = balance(layout("inline-four"))
    assert found.secondary_force.largest * 43 / 145 * unit_n(0.5, 0.043, 6000) == pytest.approx(10_068, abs=0.5)


def test_worked_four_with_quarter_turn_cranks() -> None:
    """Set problem (holooly.com): 2000 rpm, 2 kg, crank 50 mm, rod 200 mm, spacing 0.2 m, order of cranks 1-4-2-3.

    Calculated: no free force, 1240.69 N m once a turn and 877.30 N m twice a turn about the middle.
    """
    throws = {1: 0, 4: 90, 2: 180, 3: 270}
    this = Layout(
        name="problem",
        cylinders=tuple(
            Cylinder(bank_deg=0, throw_deg=throws[n], offset=n, firing_deg=-throws[n] % 360) for n in (1, 2, 3, 4)
        ),
    )
    found, unit = balance(this), unit_n(2, 0.050, 2000)
    assert found.primary_force.is_nothing and found.secondary_force.is_nothing
    assert found.primary_couple.largest * 0.2 * unit == pytest.approx(1240.69, abs=0.01)
    assert found.secondary_couple.largest * 0.25 * 0.2 * unit == pytest.approx(877.30, abs=0.01)


def test_worked_radial_three() -> None:
    """Set problem (holooly.com): radial three, 1 kg, stroke 120 mm, rod 240 mm, 2400 rpm: 5684.89, 1421.22 N worked."""
    found, unit = balance(layout("radial-three")), unit_n(1, 0.060, 2400)
    assert unit == pytest.approx(3789.93, abs=0.005)
    assert found.primary_force.largest * unit == pytest.approx(5684.89, abs=0.01)
    assert found.secondary_force.largest * 60 / 240 * unit == pytest.approx(1421.22, abs=0.01)


def test_worked_inline_three() -> None:
    """Inline three, 0.4 kg, 40 mm, rod 140 mm, 5000 rpm, spacing 90 mm: 683.8 and 195.4 N m (calculated)."""
    found, unit = balance(layout("triple-120")), unit_n(0.4, 0.040, 5000)
    assert found.primary_couple.largest * 0.09 * unit == pytest.approx(683.8, abs=0.05)
    assert found.secondary_couple.largest * 40 / 140 * 0.09 * unit == pytest.approx(195.4, abs=0.05)


@pytest.mark.parametrize(("rod_ratio", "swing"), [(0.25, 0.12702), (0.28, 0.14286), (0.30, 0.15354)])
def test_two_pistons_half_a_turn_apart(rod_ratio: float, swing: float) -> None:
    """Their crankcase swings by (1 - sqrt(1 - lambda^2)) / lambda volumes of one cylinder (geometry)."""
    found = balance(layout("parallel-twin-180"), rod_ratio=rod_ratio).crankcase_swing
    assert found == pytest.approx(swing, abs=0.000006)
    assert found == pytest.approx((1 - math.sqrt(1 - rod_ratio**2)) / rod_ratio, abs=1e-9)


@pytest.mark.parametrize(("rod_ratio", "second", "fourth"), [(0.25, 0.254025, -0.004098), (0.30, 0.307051, -0.007238)])
def test_harmonics_of_the_exact_motion(rod_ratio: float, second: float, fourth: float) -> None:
    """Acceleration harmonics of one piston, in r omega^2: series L + L^3/4 + 15 L^5/128 and -(L^3/4 + 3 L^5/16).

    Series from memory of C. F. Taylor, The Internal-Combustion Engine, vol. 2, agreeing to 4e-5; six places calculated.
    """
    angles = np.arange(720) * 0.5
    height = 2 * crankcase_volume(layout("single-four-stroke"), angles, rod_ratio=rod_ratio)  # in crank radii
    lines = 2 * np.fft.rfft(height).real / 720
    acceleration = lines[:5] * np.arange(5) ** 2
    assert acceleration[[1, 3]] == pytest.approx([1, 0], abs=1e-9)
    assert acceleration[2] == pytest.approx(second, abs=2e-6)
    assert acceleration[4] == pytest.approx(fourth, abs=2e-6)
    assert acceleration[2] == pytest.approx(rod_ratio + rod_ratio**3 / 4 + 15 * rod_ratio**5 / 128, abs=4e-5)


def test_one_rule_says_that_the_crankcase_is_still() -> None:
    """Value, sentence and page agree on both sides of the limit below which the volume stays as it is."""
    four, page = layout("inline-four"), english()
    for swing, still in ((NOTHING, False), (np.nextafter(NOTHING, 0), True)):
        found = replace(balance(four), crankcase_swing=swing)
        fact = facts(four, found)[-1]
        assert (fact.value_text == "none") == still
        assert ("its volume stays as it is" in fact.text) == still
        assert (words._breathing(four, found, page) == page("balance", "breathing_none")) == still


def test_endless_rod_moves_as_a_cosine() -> None:
    """At rod ratio 0 the motion is a pure cosine, and pistons half a turn apart leave nothing."""
    angles = np.arange(0, 720, 1.0)
    volume = crankcase_volume(layout("single-four-stroke"), angles, rod_ratio=0)
    assert volume == pytest.approx(np.cos(np.radians(angles)) / 2)
    assert balance(layout("parallel-twin-180"), rod_ratio=0).crankcase_swing == pytest.approx(0, abs=1e-12)


def test_how_often_the_crankcase_breathes() -> None:
    """A boxer twin breathes once a turn, an inline four twice, an inline six not at all (common practice)."""
    orders = [balance(layout(n)).crankcase_order for n in ("boxer-twin", "inline-four", "boxer-four", "inline-six")]
    assert orders == [1, 2, 2, 0]


def test_which_layouts_are_boxers() -> None:
    """A boxer has an opposite piston for each that moves out with it; a flat twin or twelve on common pins has not."""
    boxers = {n for n in layout_names() if is_boxer(layout(n))}
    assert boxers == {"boxer-twin", "boxer-twin-two-stroke", "boxer-four", "boxer-six"}


def told(name: str) -> dict[str, str]:
    this = layout(name)
    found = balance(this)
    return {f.topic: f.text for f in facts(this, found)} | {"in short": in_short(this, found)}


def test_boxer_twin_in_words() -> None:
    """Its forces cancel, but it rocks (its pistons are not in line) and pumps its whole displacement once a turn."""
    words = told("boxer-twin")
    assert "cancel" in words["primary force"] and "cancel" in words["secondary force"]
    assert "not in line" in words["primary couple"]
    assert "of each opposed pair act at two places and rock" in words["secondary couple"]
    assert "All pistons move out and in together, so the whole displacement is pumped" in words["crankcase"]
    assert words["in short"] == (
        "In short: the forces balance, but it rocks end to end once and twice a turn, and it pumps its crankcase."
    )


def test_engines_without_opposed_pairs_in_words() -> None:
    """An upright twin's pistons rise and fall together; a three's forces act along the crank (factors: TABLE)."""
    assert "All pistons rise and fall together, so the whole" in told("parallel-twin-360")["crankcase"]
    assert "act at different places along the crank and rock" in told("triple-120")["secondary couple"]
    assert "once a turn (a counterweight takes that), and the" in told("v8-crossplane")["in short"]
    assert "once a turn (a counterweight takes that) and twice a turn, and the" in told("v6-90-odd")["in short"]


def test_180_degree_twin_in_words() -> None:
    """One piston goes out as the other comes in, so it does not pump, but it rocks."""
    words = told("parallel-twin-180")
    assert "As one piston moves out another moves in" in words["crankcase"]
    assert "rocks end to end once a turn" in words["in short"]
    assert "crankcase stays calm" in words["in short"]


def test_boxer_four_in_words() -> None:
    """Its pairs rock opposite ways and breathe into each other; only a twice-a-turn couple is left."""
    words = told("boxer-four")
    assert "pairs rock it different ways and cancel" in words["primary couple"]
    assert "As one opposed pair moves out the other moves in" in words["crankcase"]
    assert words["in short"] == (
        "In short: the forces balance, but it rocks end to end twice a turn, and the crankcase stays calm."
    )


def test_what_a_counterweight_can_do_in_words() -> None:
    """A 90-degree V-twin's primary force and a cross-plane V8's couple can be taken whole; a single's only half."""
    assert "a counterweight on the crank can take all of it" in told("v-twin-90")["primary force"]
    assert "a counterweight on the crank can take all of it" in told("v8-crossplane")["primary couple"]
    assert "the half that turns with the crank" in told("single-four-stroke")["primary force"]
    assert "a shaft turning against the crank at twice its speed" in told("v6-60")["secondary couple"]


def own(throw_deg: list[float], firing_deg: list[float], bank_deg: float = 0.0) -> Layout:
    """Make an inline layout."""
    banks = [bank_deg] * len(throw_deg)
    return from_table("own", {"throw_deg": throw_deg, "bank_deg": banks, "firing_deg": firing_deg})


@pytest.mark.parametrize(
    ("throws_deg", "often"),
    # Piston travel as a Fourier series: once a turn 1 / 2, twice lambda / 8, four times lambda^3 / 128 of the stroke
    # (slider-crank expansion, any mechanics text). Pins 170 degrees apart leave cos 85 = 0.087 of the first and
    # lambda / 4 cos 170 = 0.062 of the second; 175 degrees apart 0.044 and 0.062.
    [([0.0, 170.0], "is pumped once a turn"), ([0.0, 175.0], "twice a turn")],
)
def test_small_breathing_is_as_often_as_it_is(throws_deg: list[float], often: str) -> None:
    """What little a nearly balanced twin breathes is told as once or twice a turn, whichever is larger."""
    this = own(throws_deg, [0.0, 360.0 - throws_deg[1]])
    assert often in facts(this, balance(this, rod_ratio=0.25))[4].text


def test_breathing_of_a_short_rod_where_twice_a_turn_cancels() -> None:
    """With throws a quarter turn apart once and twice a turn cancel; four times a turn adds up (as above)."""
    four = layout("inline-four-crossplane")
    assert facts(four, balance(four, rod_ratio=0.5))[4].text.endswith(
        "less than 1 % of the displacement, four times a turn."
    )


def test_what_is_left_of_the_forces_in_words() -> None:
    """Both pistons of a 360-degree twin pull together; in a triple with one pin opposite two pull against the third."""
    assert "forces add up" in told("parallel-twin-360")["primary force"]
    assert "forces do not all cancel" in told("triple-180")["primary force"]


def test_no_rocking_once_a_turn_is_not_none_at_all() -> None:
    """A boxer four does not rock once a turn, but it does twice: neither line may say that nothing rocks it."""
    page = {row.topic: row.text for row in words.balance_facts(layout("boxer-four"), english())}
    assert page["Rocking once a turn"] == "Nothing rocks the engine end to end once a turn."
    assert "shafts turning at twice crank speed" in page["Rocking twice a turn"]


@pytest.mark.parametrize(
    ("tilt_deg", "words"),
    [
        (0, "largest up and down"),
        (30, "largest along 30 degrees"),
        (90, "largest sideways"),
        (140, "largest along -40 degrees"),
        (180, "largest up and down"),
    ],
)
def test_a_leaning_engine_shakes_where_it_leans(tilt_deg: float, words: str) -> None:
    """A single's force lies along its cylinder, wherever that leans."""
    leaning = Layout(name="leaning", cylinders=(Cylinder(bank_deg=tilt_deg, throw_deg=tilt_deg, firing_deg=0),))
    assert words in facts(leaning, balance(leaning))[0].text


@pytest.mark.parametrize("name", [n for n in layout_names() if layout(n).has_geometry])
def test_words_agree_with_numbers(name: str) -> None:
    """Where a number is nothing the table says none, and the summary speaks of shaking only where a force is left."""
    this = layout(name)
    found = balance(this)
    for fact, shaking in zip(facts(this, found), parts(found), strict=False):
        assert (fact.value_text == "none") == shaking.is_nothing
    forces = not (found.primary_force.is_nothing and found.secondary_force.is_nothing)
    couples = not (found.primary_couple.is_nothing and found.secondary_couple.is_nothing)
    summary = in_short(this, found)
    assert ("it shakes" in summary) == forces
    assert ("rocks end to end" in summary) == couples


def test_secondary_values_grow_with_the_rod_ratio() -> None:
    """Values shown for twice a turn are the factor times the rod ratio."""
    this = layout("inline-four")
    for ratio in (0.2, 0.33):
        fact = facts(this, balance(this, rod_ratio=ratio))[1]
        assert fact.value == pytest.approx(4 * ratio)


def test_layouts_without_a_crank_are_refused() -> None:
    """Intervals alone have no balance, and the message says what to give instead."""
    with pytest.raises(LayoutError, match="given by its firing alone: balance needs the throws and banks"):
        balance(from_intervals("270-450"))


@pytest.mark.parametrize("ratio", [-0.1, 0.6, float("nan"), "long"])
def test_rod_ratios_that_cannot_be_are_refused(ratio: object) -> None:
    """The rod is at least twice as long as the crank radius."""
    with pytest.raises(RangeError, match=r"give 0 to 0\.5"):
        balance(layout("boxer-twin"), rod_ratio=ratio)  # type: ignore[arg-type]
