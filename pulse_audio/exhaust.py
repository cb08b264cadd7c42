"""The exhaust: pipes from each cylinder to an open end, and the sound that a puff of gas at the valve makes outside.

Primaries run from the cylinders to collectors. Where they meet, the pipes of the other cylinders act as branches closed
at the valve. A firing cylinder is a source of volume velocity whose open valve takes up part of the sound that comes
back (`valve_reflection`). Behind each collector stands the same chain of sections, ending in an open end outdoors.
"""

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files as package_files
from pathlib import Path

import numpy as np

from pulse_audio import checks, ducts
from pulse_audio.ducts import Complexes, Floats, FourPole
from pulse_audio.errors import ExhaustError, RangeError
from pulse_audio.layout import Layout

JOINS = ("each", "all", "banks", "pairs", "pairs-then-all")
MAX_FILE_BYTES = 100_000
MAX_SECTIONS = 20


@dataclass(frozen=True, kw_only=True, slots=True)
class Section:
    """One length of round duct.

    Attributes
    ----------
    length_m, bore_m : float
    gas_c : float
        Gas temperature, degrees Celsius.
    """

    length_m: float
    bore_m: float
    gas_c: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Exhaust:
    """An exhaust from valve to open end.

    Attributes
    ----------
    name, title : str
    primary : tuple of Section
        One for each cylinder; a shorter list is used over again from its start.
    join : str or tuple of tuple of int
        Which primaries meet: ``each`` (none), ``all``, ``banks``, ``pairs`` (opposite in the firing order),
        ``pairs-then-all``, or groups of cylinder numbers from 1.
    second : Section or None
        From each pair to the collector of all; for ``pairs-then-all`` only.
    sections : tuple of Section
        Behind each collector; a section much wider than its neighbours is an expansion chamber.
    valve_reflection : float
        Share of the sound pressure that the firing cylinder's end throws back; 1 is a rigid wall.
    wall_factor : float
        Loss at the walls against that of a smooth wall and still gas.
    noise_db : float
        Flow noise against a usual exhaust.
    distance_m : float
        From the open end to the listener.
    """

    name: str
    title: str = ""
    primary: tuple[Section, ...]
    join: str | tuple[tuple[int, ...], ...] = "each"
    second: Section | None = None
    sections: tuple[Section, ...] = ()
    valve_reflection: float = 0.7
    wall_factor: float = 3.0
    noise_db: float = 0.0
    distance_m: float = 1.0

    def groups(self, layout: Layout) -> tuple[tuple[int, ...], ...]:
        """Return the cylinders (from 0) that share each open end, cylinder 1's first.

        Raises
        ------
        ExhaustError
            Groups of cylinder numbers that do not fit the layout.
        """
        count = len(layout.cylinders)
        if self.join == "each":
            return tuple((i,) for i in range(count))
        if self.join in ("all", "pairs-then-all"):
            return (tuple(range(count)),)
        if self.join == "banks":
            banks = [c.bank_deg for c in layout.cylinders]
            return tuple(tuple(i for i in range(count) if banks[i] == bank) for bank in dict.fromkeys(banks))
        if self.join == "pairs":
            return _pairs(layout)
        assert not isinstance(self.join, str)
        if sorted(n for group in self.join for n in group) != list(range(1, count + 1)):
            raise ExhaustError(
                f"exhaust {self.name!r}: its groups must name each of the {count} cylinders of {layout.name} once"
            )
        return tuple(tuple(n - 1 for n in group) for group in self.join)

    def response(self, layout: Layout, frequency_hz: Floats) -> Complexes:
        """Return sound pressure at the listener per volume velocity at each valve, shape (cylinders, frequencies).

        Parameters
        ----------
        frequency_hz : ndarray, shape (n,), above 0

        Returns
        -------
        ndarray of complex
            Pa s/m3, without the delay from open end to listener.
        """
        return _response(self, layout, frequency_hz)


def _pairs(layout: Layout) -> tuple[tuple[int, ...], ...]:
    """Join each cylinder with the one half the firing order later: they disturb each other least."""
    order = [n - 1 for n in layout.firing_order]
    half = (len(order) + 1) // 2
    pairs = [tuple(sorted(order[k::half])) for k in range(half)]
    return tuple(sorted(pairs))


def _duct(section: Section, frequency_hz: Floats, wall_factor: float) -> FourPole:
    gas = ducts.exhaust_gas(section.gas_c)
    return ducts.pipe(frequency_hz, section.length_m, section.bore_m / 2, gas, wall_factor)


def _response(exhaust: Exhaust, layout: Layout, frequency_hz: Floats) -> Complexes:
    pipes = [exhaust.primary[i % len(exhaust.primary)] for i in range(len(layout.cylinders))]
    four_poles = {section: _duct(section, frequency_hz, exhaust.wall_factor) for section in set(pipes)}
    closed = {section: m.C / m.A for section, m in four_poles.items()}  # admittance of a pipe closed at the valve
    result = np.zeros((len(pipes), frequency_hz.size), dtype=np.complex128)
    sound = ducts.monopole_pa(frequency_hz, exhaust.distance_m)
    for group in exhaust.groups(layout):
        end = exhaust.sections[-1] if exhaust.sections else pipes[group[0]]
        load = ducts.open_end_impedance(frequency_hz, end.bore_m / 2, ducts.exhaust_gas(end.gas_c))
        chain = ducts.side_branch(frequency_hz, np.zeros_like(load))
        for section in exhaust.sections:
            chain = chain.then(_duct(section, frequency_hz, exhaust.wall_factor))
        inner = (group,)
        if exhaust.join == "pairs-then-all" and exhaust.second is not None:
            inner = _pairs(layout)
        seconds = None if exhaust.second is None else _duct(exhaust.second, frequency_hz, exhaust.wall_factor)
        for i in group:
            own = next(pair for pair in inner if i in pair)
            path = four_poles[pipes[i]]
            branches = sum((closed[pipes[k]] for k in own if k != i), np.zeros_like(load))
            path = path.then(ducts.side_branch(frequency_hz, branches))
            if seconds is not None and len(inner) >= 1 and exhaust.join == "pairs-then-all":
                path = path.then(seconds)
                others = np.zeros_like(load)
                for pair in inner:
                    if pair is not own:
                        y = sum((closed[pipes[k]] for k in pair), np.zeros_like(load))
                        others = others + (seconds.C + seconds.D * y) / (seconds.A + seconds.B * y)
                path = path.then(ducts.side_branch(frequency_hz, others))
            whole = path.then(chain)
            gain = whole.velocity_gain(load)
            if exhaust.valve_reflection < 1:
                radius, gas = pipes[i].bore_m / 2, ducts.exhaust_gas(pipes[i].gas_c)
                own_z = (
                    ducts.wave_impedance(radius, gas) * (1 + exhaust.valve_reflection) / (1 - exhaust.valve_reflection)
                )
                gain = gain / (1 + whole.input_impedance(load) / own_z)
            result[i] = sound * gain
    return result


def from_table(name: str, table: Mapping[str, object]) -> Exhaust:
    """Make an exhaust from a TOML table.

    Raises
    ------
    ExhaustError
        What is wrong, and where.
    """
    known = {
        "name",
        "title",
        "primary",
        "join",
        "second",
        "section",
        "valve_reflection",
        "wall_factor",
        "noise_db",
        "distance_m",
    }
    faults = [f"unknown key {key!r}" for key in table if key not in known]
    try:
        primary = _sections("primary", table.get("primary"))
        second = _sections("second", table["second"])[0] if "second" in table else None
        sections = _sections("section", table["section"]) if "section" in table else ()
        numbers = {
            key: checks.number(key, table[key], low=low, high=high)
            for key, (low, high) in {
                "valve_reflection": (0.0, 1.0),
                "wall_factor": (0.0, 50.0),
                "noise_db": (-60.0, 20.0),
                "distance_m": (0.1, 1000.0),
            }.items()
            if key in table
        }
    except RangeError as e:
        faults.append(str(e))
    join = table.get("join", "each")
    if isinstance(join, list):
        if not all(isinstance(g, list) and g and all(type(n) is int for n in g) for g in join):
            faults.append("join must be one of " + ", ".join(JOINS) + " or lists of cylinder numbers")
        else:
            join = tuple(tuple(g) for g in join)
    elif join not in JOINS:
        faults.append(f"join={join!r} must be one of " + ", ".join(JOINS) + " or lists of cylinder numbers")
    if join == "pairs-then-all" and "second" not in table:
        faults.append("join='pairs-then-all' needs second: the pipe from each pair to the collector")
    if faults:
        raise ExhaustError(f"exhaust {name!r}: " + "; ".join(faults))
    return Exhaust(
        name=name,
        title=str(table.get("title", "")),
        primary=primary,
        join=join,
        second=second,  # type: ignore[arg-type]
        sections=sections,
        **numbers,
    )


def _sections(key: str, value: object) -> tuple[Section, ...]:
    rows: Sequence[object] = value if isinstance(value, list) else [value]
    if not 1 <= len(rows) <= 48 or not all(isinstance(row, dict) for row in rows):
        raise RangeError(f"{key} must be a table with length_m, bore_m and gas_c, or a list of them")
    result = []
    for row in rows:
        assert isinstance(row, dict)
        if set(row) != {"length_m", "bore_m", "gas_c"}:
            raise RangeError(f"{key} must have length_m, bore_m and gas_c and nothing else")
        result.append(
            Section(
                length_m=checks.number(f"{key} length_m", row["length_m"], low=0.01, high=20, unit="m"),
                bore_m=checks.number(f"{key} bore_m", row["bore_m"], low=0.005, high=1.0, unit="m"),
                gas_c=checks.number(f"{key} gas_c", row["gas_c"], low=-40, high=1200, unit="degrees Celsius"),
            )
        )
    return tuple(result)


@cache
def _ready() -> dict[str, Exhaust]:
    text = package_files("pulse_audio").joinpath("exhausts.toml").read_text(encoding="utf-8")
    return {name: from_table(name, table) for name, table in tomllib.loads(text).items()}


def exhaust_names() -> tuple[str, ...]:
    """Return the names of the ready exhausts, loudest first."""
    return tuple(_ready())


def find_exhaust(text: str) -> Exhaust:
    """Return the exhaust that a command-line argument means: a ready name, or the path of a TOML file.

    Raises
    ------
    ExhaustError
        No such name (near ones are offered) or a file that holds no legal exhaust.
    """
    if text in _ready():
        return _ready()[text]
    if text.lower().endswith(".toml") or "/" in text:
        return from_toml(Path(text))
    from difflib import get_close_matches

    near = get_close_matches(text, exhaust_names(), n=3, cutoff=0.4) or exhaust_names()
    raise ExhaustError(f"no exhaust is called {text!r}; near names: {', '.join(near)}; or give the path of a TOML file")


def from_toml(path: Path) -> Exhaust:
    """Read an exhaust from a TOML file.

    Raises
    ------
    ExhaustError
        The file cannot be read, is no TOML, or holds no legal exhaust.
    """
    from pulse_audio.files import shown

    try:
        with path.open("rb") as stream:
            raw = stream.read(MAX_FILE_BYTES + 1)
        if len(raw) > MAX_FILE_BYTES:
            raise ExhaustError(f"exhaust file {shown(path)}: larger than {MAX_FILE_BYTES} bytes; that is no exhaust")
        table = tomllib.loads(raw.decode())
    except OSError as e:
        raise ExhaustError(f"exhaust file {shown(path)}: {e.strerror}") from e
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError) as e:
        raise ExhaustError(f"exhaust file {shown(path)} is no TOML: {' '.join(str(e).split())}") from e
    return from_table(str(table.get("name", path.stem)), table)
