"""The command ``explain``, and what every command says to a bad layout or speed."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result

from pulse_audio.catalogue import layout_names

Run = Callable[..., Result]
Refused = Callable[..., str]


@pytest.mark.parametrize("name", [*layout_names(), "270-450", "0-360", "100-200-60", "15-705"])
def test_every_layout_is_explained_within_80_columns(run: Run, name: str) -> None:
    """Each answer has all five parts and no line wider than 80 columns or with blanks at its end."""
    result = run("explain", name)
    assert result.exit_code == 0
    lines = result.stdout.splitlines()
    assert max(map(len, lines)) <= 80
    assert all(line == line.rstrip() for line in lines)
    heads = ["Crank and firing", "Orders", "What the ear hears at 900 rpm", "What sound can't tell", "Balance and"]
    assert [h for h in heads if any(line.startswith(h) for line in lines)] == heads


def test_a_quarter_turn_twin(run: Run) -> None:
    """The answer shows throw, TDC, firing angle, order, intervals, rate, orders, gaps in ms, and the matching twin."""
    text = run("explain", "parallel-twin-270", "--rpm", 1200).stdout
    for line in (
        "         2      90       0          270 and 630        270",
        "  firing order   1-2",
        "  intervals      270-450 degrees: uneven",
        "  firing rate    20.0 a second at 1200 rpm (rpm x 2 / 120)",
        "  Strong: 1.5, 2.5, 4.",
        "  Vanishing: 2.",
        "  37.5 and 62.5 ms between pulses.",
        "  At the same speed: v-twin-90.",
    ):
        assert line in text.splitlines()
    assert "a flutter" in text


def test_an_even_engine(run: Run) -> None:
    """An even six adds up at order 3 and its multiples only, and hides among all even layouts."""
    text = " ".join(run("explain", "inline-six").stdout.split())
    assert "All pulses add up at order 3 and its multiples" in text
    assert "every layout that fires evenly" in text
    assert "firing order 1-5-3-6-2-4" in text


@pytest.mark.parametrize(
    ("text", "order"),
    # Even pulses add up at as many a turn as there are: half of those in a four-stroke's cycle, 720 degrees.
    [("24" + "-24" * 29, "15"), ("720", "0.5"), ("0-720", "0.5"), ("7.5" + "-7.5" * 47, "48")],
)
def test_order_of_many_pulses(run: Run, text: str, order: str) -> None:
    """However many pulses there are, the order told is the one at which they add up."""
    assert f"All pulses add up at order {order} and its multiples" in " ".join(run("explain", text).stdout.split())
    orders = {o["order"]: o["share"] for o in json.loads(run("explain", text, "--json").stdout)["orders"]}
    assert orders[float(order)] == 1.0


def test_pulses_that_come_evenly_but_differ(run: Run) -> None:
    """Two cylinders at once and then one leave a third of the sum at order 0.5: it is not said to cancel there."""
    text = run("explain", "0-360-360").stdout
    assert "    0.5   0.33" in text
    assert "cancel;" not in text
    assert "every layout that fires evenly" not in text


def test_the_strongest_order_is_told_where_none_is_strong(run: Run) -> None:
    """Pulses at 0, 100 and 200 of 360: at order 4 the arrows stand at 0, 40 and 80, so |1 + 2 cos 40| / 3 = 0.84."""
    assert "  Strongest: 4." in run("explain", "100-100-160").stdout


def test_orders_reach_where_pairs_add_up(run: Run) -> None:
    """The pairs of a 90-54 ten, five in two turns, are strongest at order 7.5: cos(pi m 54 / 720) is 0.92 at m = 15."""
    assert "  Strong: 7.5." in run("explain", "v10-90-odd").stdout


@pytest.mark.parametrize(
    ("firing_deg", "told"),
    [
        ("[0, 0, 300]", "0-300-420 degrees; up to 2 cylinders fire at once, so the pulses are 300-420 apart: uneven"),
        ("[0, 0, 360, 360]", "0-360 x2 degrees; 2 cylinders fire at once, so the pulses are 360 apart: even"),
    ],
)
def test_pulses_of_several_cylinders(run: Run, tmp_path: Path, firing_deg: str, told: str) -> None:
    """Where cylinders fire at once, all distances between the pulses are told, or the one that they share."""
    (tmp_path / "mine.toml").write_text(f"firing_deg = {firing_deg}")
    assert told in " ".join(run("explain", tmp_path / "mine.toml").stdout.split())


def test_intervals_alone_have_no_balance(run: Run) -> None:
    """A layout without a crank says that its balance is not known."""
    text = " ".join(run("explain", "270-450").stdout.split())
    assert "Not known: this layout gives its firing alone" in text
    assert "throw" not in text.split("Balance and breathing")[0]
    assert json.loads(run("explain", "270-450", "--json").stdout)["balance"] is None


def test_a_part_points_to_the_whole(run: Run) -> None:
    """One bank alone has no balance of its own."""
    assert "explain v8-crossplane tells of the whole" in run("explain", "v8-crossplane-one-bank").stdout


def test_a_part_of_an_engine_that_has_no_name(run: Run, tmp_path: Path) -> None:
    """The whole of an own part may be in a file; no command is told that would not work."""
    path = tmp_path / "mine.toml"
    path.write_text('part_of = "my-v4"\nfiring_deg = [0, 200]\n')
    assert "part of an engine; explain a file of all of my-v4." in " ".join(run("explain", path).stdout.split())


def test_rod_ratio(run: Run) -> None:
    """A longer rod makes the twice-a-turn force smaller."""
    values = [
        json.loads(run("explain", "inline-four", "--rod-ratio", r, "--json").stdout)["balance"]["secondary_force"][
            "value"
        ]
        for r in (0.2, 0.3)
    ]
    assert values == pytest.approx([0.8, 1.2])


def test_json_holds_what_the_text_shows(run: Run) -> None:
    """The JSON object has the cylinders, the firing, the orders, the hearing, the sound-alikes and the balance."""
    told = json.loads(run("explain", "v-twin-45", "--json").stdout)
    assert told["cylinders"][1] == {
        "bank_deg": -22.5,
        "throw_deg": 22.5,
        "offset": 0,
        "tdc_deg": [315, 675],
        "firing_deg": 315,
    }
    assert (told["firing_order"], told["intervals_deg"], told["even"]) == ([1, 2], [315, 405], False)
    assert told["heard"]["gaps_ms"] == pytest.approx([58.333, 75], abs=0.001)
    assert (told["heard"]["kind"], told["firing_rate_hz"]) == ("separate pulses", 15)
    assert told["orders"][7] == {"order": 4, "share": 0}
    assert told["balance"]["crankcase"]["value"] == pytest.approx(1.8478, abs=5e-5)


def test_user_layout(run: Run, tmp_path: Path) -> None:
    """A layout from a file is explained like any other; control characters in its texts are shown, not obeyed."""
    path = tmp_path / "mine.toml"
    path.write_text('title = "Red \\u001b[31m twin"\nbank_deg=[0,0]\nthrow_deg=[0,76]\nfiring_deg=[0,284]\n')
    text = run("explain", path).stdout
    assert "mine - Red \\x1b[31m twin" in text
    assert "\x1b" not in text


def test_unknown_layout(refused: Refused) -> None:
    """A misspelt name gets the nearest ones, in one line."""
    assert "no layout is called 'boxer-twn'; did you mean boxer-twin" in refused("explain", "boxer-twn")


def test_impossible_firing_angle(refused: Refused, tmp_path: Path) -> None:
    """A firing angle that is no TDC is answered with both legal angles."""
    path = tmp_path / "mine.toml"
    path.write_text("bank_deg=[0,0]\nthrow_deg=[0,90]\nfiring_deg=[0,180]\n")
    assert "it can fire at 270 or 630" in refused("explain", path)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("270-451", "add up to 721; they must make 720"),
        ("none.toml", "no such file"),
        ("no/such/file", "no such file"),
        ("a" * 300, "no layout is called"),
        ("9" * 400, "they must make 720"),
    ],
)
def test_bad_layouts(refused: Refused, text: str, message: str) -> None:
    """Every layout that cannot be read gets one line."""
    assert message in refused("explain", text)


def test_bad_layout_files(refused: Refused, tmp_path: Path) -> None:
    """A file that is no layout gets one line."""
    path = tmp_path / "bad.toml"
    for content, message in ((b"x = [", "is no TOML"), (b"\x00\xff", "is no TOML"), (b"", "firing_deg is missing")):
        path.write_bytes(content)
        assert message in refused("explain", path)
    assert "it is a folder" in refused("explain", f"{tmp_path}/")


@pytest.mark.parametrize("rpm", ["0", "-900", "1e9", "nan", "inf", "fast", "", "19.99", "15000.1"])
def test_bad_speeds(refused: Refused, rpm: str) -> None:
    """Zero, negative, huge and non-numeric speeds are refused with the range."""
    message = refused("explain", "boxer-twin", "--rpm", rpm)
    assert "give 20 to 15000 rpm" in message


def test_a_speed_in_hertz_gets_a_hint(refused: Refused) -> None:
    """A speed that looks like hertz is answered with the rpm that it would be."""
    assert "did you give hertz? 15 Hz is 900 rpm" in refused("explain", "boxer-twin", "--rpm", "15")


def test_bad_rod_ratio(refused: Refused) -> None:
    """A rod shorter than the stroke is refused."""
    assert "--rod-ratio" in refused("explain", "boxer-twin", "--rod-ratio", "0.9")


def test_no_layout(refused: Refused) -> None:
    """Without a layout the command says what is missing."""
    assert "LAYOUT" in refused("explain")
