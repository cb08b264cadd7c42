"""Exhausts: which pipes meet, how they sound, and what a file may hold."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from pulse_audio import catalogue, ducts, exhaust, pipework
from pulse_audio.errors import ExhaustError
from pulse_audio.exhaust import Exhaust, Section

FREQUENCY = np.linspace(30.0, 3000.0, 200)


def _section(length_m: float, bore_m: float = 0.04, gas_c: float = 500.0) -> Section:
    return Section(length_m=length_m, bore_m=bore_m, gas_c=gas_c)


# Which cylinders meet ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("layout", "join", "groups"),
    [
        ("inline-four", "each", ((0,), (1,), (2,), (3,))),
        ("inline-four", "all", ((0, 1, 2, 3),)),
        ("inline-four", "pairs", ((0, 3), (1, 2))),
        ("v-twin-45", "banks", ((0,), (1,))),
        ("inline-four", ((1, 2), (3, 4)), ((0, 1), (2, 3))),
    ],
)
def test_groups(layout: str, join: str, groups: tuple[tuple[int, ...], ...]) -> None:
    """An inline four 1-3-4-2 pairs 1 with 4 and 2 with 3, which fire one turn apart (common practice)."""
    pipes = Exhaust(name="x", primary=(_section(0.5),), join=join)
    assert pipes.groups(catalogue.layout(layout)) == groups


def test_groups_that_do_not_fit_are_refused() -> None:
    """Groups must name each cylinder once."""
    pipes = Exhaust(name="x", primary=(_section(0.5),), join=((1, 2), (2, 3)))
    with pytest.raises(ExhaustError, match="each of the 4 cylinders of inline-four once"):
        pipes.groups(catalogue.layout("inline-four"))


@pytest.mark.parametrize("name", exhaust.exhaust_names())
def test_ready_exhausts_fit_every_layout(name: str) -> None:
    """Each ready exhaust gives a finite, non-zero response for every cylinder of every layout."""
    pipes = exhaust.find_exhaust(name)
    for layout_name in catalogue.layout_names():
        layout = catalogue.layout(layout_name)
        found = pipework.response(pipes, layout, FREQUENCY[::20])
        assert found.shape == (len(layout.cylinders), 10)
        assert np.all(np.isfinite(found)) and np.all(np.abs(found) > 0)


# How they sound, against an independent solution: the pipes as a network, as for alternating currents (nodal analysis,
# any textbook of circuits). Pressure is the voltage, volume velocity the current; a pipe without loss joins its ends by
# the admittances -i cot(kL) / Z and i / (Z sin kL).


class _Network:
    """Admittances between the ends of pipes at one frequency; node -1 is the still air."""

    def __init__(self, frequency_hz: float) -> None:
        self.frequency_hz, self.nodes = frequency_hz, 0
        self.branches: list[tuple[int, int, complex, complex]] = []  # two nodes, admittance of each itself, and mutual

    def node(self) -> int:
        self.nodes += 1
        return self.nodes - 1

    def pipe(self, start: int, end: int, section: Section) -> None:
        gas = ducts.exhaust_gas(section.gas_c)
        z = gas.density * gas.sound_speed / (np.pi * section.bore_m**2 / 4)
        kl = 2 * np.pi * self.frequency_hz / gas.sound_speed * section.length_m
        self.branches.append((start, end, -1j / np.tan(kl) / z, 1j / np.sin(kl) / z))

    def resistor(self, start: int, end: int, resistance: complex) -> None:
        self.branches.append((start, end, 1 / resistance, -1 / resistance))

    def pressure(self, at: int, source: int) -> complex:
        """Return the pressure at a node for a unit of volume velocity into another."""
        matrix = np.zeros((self.nodes, self.nodes), dtype=complex)
        for one, two, own, mutual in self.branches:
            matrix[one, one] += own
            if two >= 0:
                matrix[two, two] += own
                matrix[one, two] += mutual
                matrix[two, one] += mutual
        return complex(np.linalg.solve(matrix, np.eye(self.nodes)[source])[at])


def _by_nodes(pipes: Exhaust, joined: tuple[tuple[int, ...], ...], source: int, frequency_hz: float) -> complex:
    """Pressure at the listener by the network: `joined` meet in pairs, each with a `second` pipe, or all in one."""
    net = _Network(frequency_hz)
    valves = [net.node() for group in joined for _ in group]
    collector = net.node()
    for group in joined:
        meeting = net.node() if pipes.second else collector
        for cylinder in group:
            net.pipe(valves[cylinder], meeting, pipes.primary[cylinder % len(pipes.primary)])
        if pipes.second:
            net.pipe(meeting, collector, pipes.second)
    first, end = pipes.primary[source % len(pipes.primary)], pipes.sections[-1]
    # Only the firing valve is open: rigid but for a resistance that throws back a share r, Z (1 + r) / (1 - r).
    if pipes.valve_reflection < 1:
        gas = ducts.exhaust_gas(first.gas_c)
        z = gas.density * gas.sound_speed / (np.pi * first.bore_m**2 / 4)
        net.resistor(valves[source], -1, z * (1 + pipes.valve_reflection) / (1 - pipes.valve_reflection))
    at, before = collector, None
    for section in pipes.sections:
        if before and pipes.flow_mach:
            ratio = (before.bore_m / section.bore_m) ** 2
            lost = (1 - ratio) ** 2 if ratio < 1 else (1 - 1 / ratio) / 2  # Borda and Carnot, as in test_ducts
            after = net.node()
            net.resistor(at, after, lost * _slope(pipes, min(before, section, key=lambda s: s.bore_m)))
            at = after
        far = net.node()
        net.pipe(at, far, section)
        at, before = far, section
    outside = ducts.open_end_impedance(np.array([frequency_hz]), end.bore_m / 2, ducts.exhaust_gas(end.gas_c))[0]
    load = outside + _slope(pipes, end)  # the jet carries one head away
    net.resistor(at, -1, load)
    outflow = net.pressure(at, valves[source]) / load
    return complex(outflow * 1.204 * 2j * np.pi * frequency_hz / (4 * np.pi * pipes.distance_m))


def _slope(pipes: Exhaust, section: Section) -> float:
    """Slope of one head over volume velocity, d(rho u^2 / 2) / dU = rho u / S; rho u S is the same all along."""
    end = pipes.sections[-1]
    gas, area = ducts.exhaust_gas(end.gas_c), np.pi * end.bore_m**2 / 4
    flow_kg_s = gas.density * pipes.flow_mach * gas.sound_speed * area
    return float(flow_kg_s / (np.pi * section.bore_m**2 / 4) ** 2)


UNEQUAL = tuple(_section(length) for length in (0.35, 0.6, 0.85, 0.5))
SILENCER = (_section(0.6, 0.05, 400.0), _section(0.4, 0.15, 300.0), _section(0.5, 0.04, 250.0))


@pytest.mark.parametrize("valve_reflection", [1.0, 0.65])
@pytest.mark.parametrize(
    ("layout", "join", "second", "joined"),
    [
        ("inline-four", "all", None, ((0, 1, 2, 3),)),
        ("inline-four", "pairs-then-all", _section(0.45, 0.05, 450.0), ((0, 3), (1, 2))),
        # Half of 1-5-3-6-2-4 apart: 1 and 6, 5 and 2, 3 and 4. The four primaries are used over again.
        ("inline-six", "pairs-then-all", _section(0.45, 0.05, 450.0), ((0, 5), (1, 4), (2, 3))),
    ],
)
@pytest.mark.parametrize(("sections", "flow_mach"), [(SILENCER[:1], 0.0), (SILENCER, 0.15)])
def test_joined_pipes_against_a_network(
    layout: str,
    join: str,
    second: Section | None,
    joined: tuple[tuple[int, ...], ...],
    sections: tuple[Section, ...],
    flow_mach: float,
    valve_reflection: float,
) -> None:
    """Unequal primaries, stepped collectors and silencers with steady flow respond as a network of pipes does."""
    pipes = Exhaust(
        name="x", primary=UNEQUAL, join=join, second=second, sections=sections, valve_reflection=valve_reflection,
        wall_factor=0.0, flow_mach=flow_mach, distance_m=2.0,
    )  # fmt: skip
    found = pipework.response(pipes, catalogue.layout(layout), FREQUENCY[::10])
    for i in range(len(found)):
        expected = [_by_nodes(pipes, joined, i, f) for f in FREQUENCY[::10]]
        assert found[i] == pytest.approx(np.array(expected), rel=1e-6)  # both are exact: rounding near resonances
    assert np.abs(found[0] / found[2]).max() > 2  # and the difference is plain: more than 6 dB somewhere


def test_equal_primaries_sound_alike() -> None:
    """With equal primaries all cylinders have one response."""
    found = pipework.response(exhaust.find_exhaust("road-silencer"), catalogue.layout("inline-four"), FREQUENCY)
    assert np.array_equal(found[0], found[1]) and np.array_equal(found[0], found[3])


def test_open_pipe_rings_at_its_quarter_waves() -> None:
    """A straight pipe with a rigid valve end sounds loudest at (2n - 1) c / 4 (L + 0.6133 a)."""
    pipes = Exhaust(name="x", primary=(_section(1.0),), valve_reflection=1.0, wall_factor=0.0, flow_mach=0.0)
    frequency = np.arange(100.0, 700.0, 0.05)
    size = np.abs(pipework.response(pipes, catalogue.layout("single-four-stroke"), frequency)[0]) / frequency
    c = ducts.exhaust_gas(500.0).sound_speed
    inner = np.flatnonzero((size[1:-1] > size[:-2]) & (size[1:-1] > size[2:])) + 1
    expected = [(2 * n - 1) * c / 4 / (1.0 + 0.6133 * 0.02) for n in (1, 2, 3)]
    assert frequency[inner] == pytest.approx(expected, abs=0.2)  # the end correction falls a little with frequency


@pytest.mark.parametrize(
    ("louder", "quieter"),
    [
        ("straight-pipes", "stepped-collector"),
        ("stepped-collector", "road-silencer"),
        ("road-silencer", "quiet-road-silencer"),
    ],
)
def test_ready_exhausts_from_loud_to_quiet(louder: str, quieter: str) -> None:
    """More silencing is quieter over the firing orders and above: mean level from 60 Hz to 2 kHz (common practice)."""
    frequency, layout = np.geomspace(60.0, 2000.0, 300), catalogue.layout("parallel-twin-360")
    levels = [
        np.mean(20 * np.log10(np.abs(pipework.response(exhaust.find_exhaust(name), layout, frequency)[0])))
        for name in (louder, quieter)
    ]
    assert levels[0] > levels[1] + 3.0


def test_more_flow_damps_resonances() -> None:
    """Steady flow takes energy where bores change: a silencer's resonance is lower with flow than without."""
    sections = (_section(0.5, 0.15, 300.0), _section(0.4, 0.04, 250.0))
    layout, frequency = catalogue.layout("single-four-stroke"), np.linspace(20.0, 80.0, 600)
    still, flowing = (
        np.abs(
            pipework.response(
                Exhaust(name="x", primary=(_section(0.5),), sections=sections, flow_mach=mach), layout, frequency
            )
        ).max()
        for mach in (0.0, 0.1)
    )
    assert still > 2 * flowing


# What cannot be, and what is not heard ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"length_m": -1.0}, "length_m=-1 is out of range; give 0.01 to 20 m"),
        ({"bore_m": float("nan")}, "bore_m=nan is out of range"),
        ({"gas_c": "500"}, "gas_c='500' is not a number; give -40 to 1200 degrees Celsius"),
        ({"gas_c": True}, "gas_c=True is not a number"),
        ({"length_m": 0, "bore_m": 2}, "length_m=0 .*; bore_m=2 "),
    ],
)
def test_sections_check_themselves(change: dict[str, object], said: str) -> None:
    """A section of a size or temperature that cannot be is refused when it is made, with all that is wrong."""
    with pytest.raises(ExhaustError, match=said):
        Section(**{"length_m": 0.5, "bore_m": 0.04, "gas_c": 500.0, **change})  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"primary": ()}, "primary must be a tuple of 1 to 48 Sections"),
        ({"primary": _section(0.5)}, "primary must be a tuple"),
        ({"primary": [_section(0.5)]}, "primary must be a tuple"),
        ({"primary": (_section(0.5),) * 49}, "primary must be a tuple of 1 to 48 Sections"),
        ({"sections": (0.5,)}, "sections must be a tuple of 0 to 48 Sections"),
        ({"second": 0.5, "join": "pairs-then-all"}, "second must be a Section"),
        ({"join": "bogus"}, "join must be one of each, all"),
        ({"join": [[1], [2]]}, r"join must be one of .*\(\(1, 4\), \(2, 3\)\)"),
        ({"join": ((1,), ())}, "join must be one of"),
        ({"join": ((1.0,),)}, "join must be one of"),
        ({"join": "pairs-then-all"}, "second, the pipe from each pair to the collector, goes with"),
        ({"second": _section(0.4)}, "second, the pipe"),
        ({"wall_factor": 51}, "wall_factor=51 is out of range; give 0 to 50"),
        ({"flow_mach": None}, "flow_mach=None is not a number"),
        ({"distance_m": float("inf")}, "distance_m=inf is out of range"),
        ({"title": 2}, "title must be text"),
    ],
)
def test_exhausts_check_themselves(change: dict[str, object], said: str) -> None:
    """An exhaust that cannot be is refused when it is made, in one line that begins with its name."""
    with pytest.raises(ExhaustError, match=f"^exhaust 'x': {said}") as caught:
        Exhaust(**{"name": "x", "primary": (_section(0.5),), **change})  # type: ignore[arg-type]
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("name", "low", "high"),
    # As the classes say.
    [
        ("length_m", 0.01, 20.0), ("bore_m", 0.005, 1.0), ("gas_c", -40.0, 1200.0), ("valve_reflection", 0.0, 1.0),
        ("wall_factor", 0.0, 50.0), ("flow_mach", 0.0, 0.5), ("noise_db", -60.0, 20.0), ("distance_m", 0.1, 1000.0),
    ],
)  # fmt: skip
def test_limits_are_those_that_are_told(name: str, low: float, high: float) -> None:
    """The limits themselves are allowed, a thousandth of the range beyond them is not."""

    def made(value: float) -> object:
        if name in ("length_m", "bore_m", "gas_c"):
            return Section(**{"length_m": 0.5, "bore_m": 0.04, "gas_c": 500.0, name: value})
        return Exhaust(**{"name": "x", "primary": (_section(0.5),), name: value})  # type: ignore[arg-type]

    for value in (low, high):
        assert getattr(made(value), name) == value
    for value in (low - (high - low) / 1000, high + (high - low) / 1000):
        with pytest.raises(ExhaustError, match=f"{name}=.* is out of range; give {low:g} to {high:g}"):
            made(value)


def _clogged(length_m: float) -> Section:
    """Return a section within its limits that damps as much as they allow."""
    return _section(length_m, 0.005, -40.0)


def test_an_exhaust_that_lets_nothing_out_is_refused() -> None:
    """80 m of 5 mm bore at the greatest wall loss take 1600 dB from 20 Hz and more above: nothing is heard."""
    pipes = Exhaust(name="x", primary=(_clogged(20.0),), sections=(_clogged(20.0),) * 3, wall_factor=50.0)
    for layout in (catalogue.layout("boxer-twin"), catalogue.layout("v8-crossplane")):
        with pytest.raises(ExhaustError, match="nothing is heard of cylinder 1; give wider or shorter pipes"):
            pipework.response(pipes, layout, FREQUENCY)


@pytest.mark.parametrize("distance_m", [0.1, 1.0, 1000.0])
def test_what_is_heard_does_not_depend_on_where_one_stands(distance_m: float) -> None:
    """A pipe that takes some 80 dB at 20 Hz is heard, however faintly, at any distance; one of 240 dB at none."""
    for wall_factor, heard in ((10.0, True), (30.0, False)):
        pipes = Exhaust(name="x", primary=(_clogged(20.0),), wall_factor=wall_factor, distance_m=distance_m)
        if heard:
            found = pipework.response(pipes, catalogue.layout("boxer-twin"), FREQUENCY)
            near = pipework.response(replace(pipes, distance_m=1.0), catalogue.layout("boxer-twin"), FREQUENCY)
            assert found * distance_m == pytest.approx(near)
        else:
            with pytest.raises(ExhaustError, match="nothing is heard"):
                pipework.response(pipes, catalogue.layout("boxer-twin"), FREQUENCY)


def test_a_cylinder_that_is_not_heard_is_named() -> None:
    """One clogged primary among open ones is told by the number of its cylinder."""
    pipes = Exhaust(name="x", primary=(_section(0.5), _clogged(20.0)), wall_factor=50.0)
    with pytest.raises(ExhaustError, match="nothing is heard of cylinder 2"):
        pipework.response(pipes, catalogue.layout("boxer-twin"), FREQUENCY)


def test_flow_beyond_the_speed_of_sound_is_refused() -> None:
    """Wide and narrow sections by turns at a great flow resist more than floats hold: refused, not warned of."""
    wide, narrow = _section(0.1, 1.0, -40.0), _section(0.1, 0.005)
    pipes = Exhaust(name="x", primary=(narrow,), sections=(narrow, wide) * 24, flow_mach=0.5)
    with pytest.raises(ExhaustError, match="smaller flow_mach"):
        pipework.response(pipes, catalogue.layout("boxer-twin"), FREQUENCY)


def test_whatever_is_in_range_sounds_or_is_refused(rng: np.random.Generator) -> None:
    """Sections drawn from the whole range give finite responses up to 96 kHz, half the highest rate, or are refused."""
    layout, frequency = catalogue.layout("v-twin-45"), np.geomspace(0.1, 96_000.0, 300)
    heard = 0
    for _ in range(60):
        sections = tuple(
            _section(*(float(np.exp(rng.uniform(*np.log(size)))) for size in ((0.01, 20.0), (0.005, 1.0))), gas_c=gas)
            for gas in rng.uniform(-40.0, 1200.0, rng.integers(1, 8))
        )
        pipes = Exhaust(
            name="x", primary=sections[:1], sections=sections[1:], join="all", wall_factor=float(rng.uniform(0, 50)),
            flow_mach=float(rng.uniform(0, 0.5)), valve_reflection=float(rng.uniform(0, 1)),
        )  # fmt: skip
        try:
            assert np.all(np.isfinite(pipework.response(pipes, layout, frequency)))
            heard += 1
        except ExhaustError as e:
            assert "nothing is heard" in str(e)
    assert 20 < heard < 60  # both happen


@pytest.mark.parametrize("command", [("render", "-o", "a.wav"), ("explain",), ("explain", "--json")])
def test_commands_refuse_what_is_not_heard(
    refused: Callable[..., str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, command: tuple[str, ...]
) -> None:
    """A file that describes it is answered with one line, by the commands that make sound and those that tell of it."""
    monkeypatch.chdir(tmp_path)
    pipe = "{ length_m = 20, bore_m = 0.005, gas_c = -40 }"
    Path("thick.toml").write_text(f"wall_factor = 50\nprimary = {pipe}\nsection = [{pipe}, {pipe}, {pipe}]")
    assert "nothing is heard of cylinder 1" in refused(*command, "boxer-twin", "--exhaust", "thick.toml")


# Names and files --------------------------------------------------------------------------------------------------

GOOD = """
title = "A pipe"
join = [[1, 2]]
primary = [{ length_m = 0.4, bore_m = 0.04, gas_c = 500 }, { length_m = 0.5, bore_m = 0.04, gas_c = 500 }]
section = [{ length_m = 0.3, bore_m = 0.1, gas_c = 300 }, { length_m = 0.3, bore_m = 0.04, gas_c = 250 }]
valve_reflection = 0.5
"""


def test_toml_file(tmp_path: Path) -> None:
    """A file gives what it says, and its name is that of the file."""
    path = tmp_path / "mine.toml"
    path.write_text(GOOD, encoding="utf-8")
    found = exhaust.find_exhaust(str(path))
    assert (found.name, found.title, found.join) == ("mine", "A pipe", ((1, 2),))
    assert [p.length_m for p in found.primary] == [0.4, 0.5]
    assert (found.sections[0].bore_m, found.valve_reflection) == (0.1, 0.5)


def test_a_file_that_is_there_is_read_by_its_bare_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file needs no ending and no folder before its name, as with layouts."""
    monkeypatch.chdir(tmp_path)
    Path("myexhaust").write_text(GOOD, encoding="utf-8")
    assert exhaust.find_exhaust("myexhaust").title == "A pipe"
    Path("road-silencer").write_text(GOOD, encoding="utf-8")
    assert exhaust.find_exhaust("road-silencer").title != "A pipe"  # a ready name comes first


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("", "primary is missing"),
        ("primary = 3", "primary must be a table of length_m, bore_m and gas_c"),
        ("primary = { length_m = 0.4, bore_m = 0.04 }", "primary 1: gas_c is missing"),
        ("primary = { length = 0.4, bore_m = 0.04, gas_c = 5 }", "unknown key 'length', did you mean length_m?"),
        ("sections = []", "unknown key 'sections', did you mean section?"),
        ("[exhaust]\nprimary = 3", "unknown key 'exhaust': leave out the heading [exhaust]; the keys are name, title"),
        ("primary = { length_m = -1, bore_m = 0.04, gas_c = 500 }", "length_m=-1 is out of range"),
        ('primary = { length_m = "a", bore_m = 0.04, gas_c = 500 }', "length_m='a' is not a number; give 0.01 to"),
        ('primary = { length_m = "0.4", bore_m = 0.04, gas_c = 500 }', "length_m='0.4' is not a number"),
        ("primary = { length_m = true, bore_m = 0.04, gas_c = 500 }", "length_m=True is not a number"),
        ("primary = { length_m = nan, bore_m = 0.04, gas_c = 500 }", "length_m=nan is out of range"),
        ("primary = { length_m = 0.4, bore_m = 0.04, gas_c = 500 }\ncolour = 1", "unknown key 'colour'"),
        ("primary = { length_m = 0.4, bore_m = 0.04, gas_c = 500 }\njoin = 'some'", "numbers such as [[1, 4], [2, 3]]"),
        ("primary = { length_m = 0.4, bore_m = 0.04, gas_c = 500 }\njoin = [[1, 'a']]", "join must be one of"),
        ("primary = { length_m = 0.4, bore_m = 0.04, gas_c = 500 }\njoin = [[true], [2]]", "join must be one of"),
        ("primary = { length_m = 0.4, bore_m = 0.04, gas_c = 500 }\njoin = 'pairs-then-all'", "second, the pipe"),
        ("second = [{}, {}]", "second must be a table of length_m, bore_m and gas_c;"),
        ("primary = { length_m = 0.4, bore_m = 0.04, gas_c = 500 }\nvalve_reflection = 2", "valve_reflection=2"),
        ("primary = { length_m = 0.4, bore_m = 0.04, gas_c = 500 }\ntitle = 2", "title must be text"),
        ("primary = { length_m = 0.4, bore_m = 0.04, gas_c = 500 }\nname = 2", "name must be text"),
        ("primary = [", "is no TOML"),
        ("a = " + "[" * 4000, "is no TOML"),
    ],
)
def test_bad_files_are_told_in_one_line(tmp_path: Path, text: str, complaint: str) -> None:
    """Each fault of a file is told in one line that names it."""
    path = tmp_path / "bad.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ExhaustError, match="bad") as caught:
        exhaust.find_exhaust(str(path))
    assert complaint in str(caught.value)
    assert "\n" not in str(caught.value)


def test_all_faults_are_told_at_once(tmp_path: Path) -> None:
    """A file with three faults gets one message with all three."""
    path = tmp_path / "bad.toml"
    path.write_text("colour = 1\njoin = 'some'\nflow_mach = 3", encoding="utf-8")
    with pytest.raises(ExhaustError) as caught:
        exhaust.from_toml(path)
    assert all(part in str(caught.value) for part in ("colour", "join", "flow_mach", "primary is missing"))


def test_missing_and_oversized_files(tmp_path: Path) -> None:
    """A file that is not there, and one that is too large to be an exhaust, are refused."""
    with pytest.raises(ExhaustError, match="no such file"):
        exhaust.find_exhaust(str(tmp_path / "none.toml"))
    big = tmp_path / "big.toml"
    big.write_text("# " + "x" * 200_000, encoding="utf-8")
    with pytest.raises(ExhaustError, match="larger than"):
        exhaust.find_exhaust(str(big))


def test_unknown_name_offers_near_ones(refused: Callable[..., str], tmp_path: Path) -> None:
    """A misspelt exhaust name is answered with the one that was meant."""
    line = refused("render", "boxer-twin", "-o", tmp_path / "a.wav", "--exhaust", "road-silencr")
    assert "road-silencer" in line
