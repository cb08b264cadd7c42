"""Exhausts as values: what pipes there are and how they are joined; the ready ones, and any other from a TOML file.

Primaries run from the cylinders to collectors. Behind each collector stands the same chain of sections, ending in an
open end outdoors. `pipework` says how they sound.
"""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from pulse_audio import checks
from pulse_audio.errors import ExhaustError, RangeError
from pulse_audio.files import read_toml, shown
from pulse_audio.layout import MAX_CYLINDERS, Layout

JOINS = ("each", "all", "banks", "pairs", "pairs-then-all")


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
    flow_mach : float
        Mach number of the steady flow at the open end; it damps the sound where bores change and at the end.
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
    flow_mach: float = 0.1
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
            return pairs(layout)
        assert not isinstance(self.join, str)
        if sorted(n for group in self.join for n in group) != list(range(1, count + 1)):
            raise ExhaustError(
                f"exhaust {self.name!r}: its groups must name each of the {count} cylinders of {layout.name} once"
            )
        return tuple(tuple(n - 1 for n in group) for group in self.join)


def pairs(layout: Layout) -> tuple[tuple[int, ...], ...]:
    """Join each cylinder with the one half the firing order later: they disturb each other least."""
    order = [n - 1 for n in layout.firing_order]
    half = (len(order) + 1) // 2
    pairs = [tuple(sorted(order[k::half])) for k in range(half)]
    return tuple(sorted(pairs))


_NUMBERS = {
    "valve_reflection": (0.0, 1.0),
    "wall_factor": (0.0, 50.0),
    "flow_mach": (0.0, 0.5),
    "noise_db": (-60.0, 20.0),
    "distance_m": (0.1, 1000.0),
}
_SIZES = {"length_m": (0.01, 20.0, "m"), "bore_m": (0.005, 1.0, "m"), "gas_c": (-40.0, 1200.0, "degrees Celsius")}
_KEYS = {"name", "title", "primary", "join", "second", "section", *_NUMBERS}


def from_table(name: str, table: Mapping[str, object]) -> Exhaust:
    """Make an exhaust from a TOML table.

    Parameters
    ----------
    name : str
        The exhaust's name.
    table : mapping
        ``primary`` (a table of ``length_m``, ``bore_m`` and ``gas_c``, or a list of them), and optionally ``join``,
        ``second``, ``section`` (a list), ``title`` and the numbers that `Exhaust` has.

    Raises
    ------
    ExhaustError
        All faults of the table at once.
    """
    faults = [f"unknown key {key!r}" for key in table if key not in _KEYS]
    ducts: dict[str, tuple[Section, ...]] = {}
    numbers: dict[str, float] = {}
    for key in ("primary", "second", "section"):
        try:
            ducts[key] = _sections(key, table[key]) if key in table else ()
        except RangeError as e:
            faults.append(str(e))
    for key, (low, high) in _NUMBERS.items():
        try:
            if key in table:
                numbers[key] = _number(key, table[key], low=low, high=high)
        except RangeError as e:
            faults.append(str(e))
    join = _join(table.get("join", "each"))
    if join is None:
        faults.append(
            "join must be one of " + ", ".join(JOINS) + ", or lists of cylinder numbers such as [[1, 4], [2, 3]]"
        )
    if "primary" not in table:
        faults.append("primary is missing: a table of length_m, bore_m and gas_c, or a list of them")
    if (join == "pairs-then-all") != ("second" in table):
        faults.append("second, the pipe from each pair to the collector, goes with join = 'pairs-then-all'")
    if not isinstance(table.get("title", ""), str):
        faults.append("title must be text")
    if faults or join is None:
        raise ExhaustError(f"exhaust {name!r}: " + "; ".join(faults))
    return Exhaust(
        name=name,
        title=str(table.get("title", "")),
        primary=ducts["primary"],
        join=join,
        second=next(iter(ducts["second"]), None),
        sections=ducts["section"],
        **numbers,
    )


def _number(name: str, value: object, *, low: float, high: float, unit: str = "") -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise RangeError(f"{name} must be a number")
    return checks.number(name, value, low=low, high=high, unit=unit)


def _join(value: object) -> str | tuple[tuple[int, ...], ...] | None:
    if isinstance(value, str):
        return value if value in JOINS else None
    if not isinstance(value, list) or not 1 <= len(value) <= MAX_CYLINDERS:
        return None
    if not all(isinstance(group, list) and group and all(type(n) is int for n in group) for group in value):
        return None
    return tuple(tuple(group) for group in value)


def _sections(key: str, value: object) -> tuple[Section, ...]:
    rows = value if isinstance(value, list) else [value]
    most = 1 if key == "second" else MAX_CYLINDERS
    if not 1 <= len(rows) <= most or not all(isinstance(row, dict) and set(row) == set(_SIZES) for row in rows):
        many = "" if most == 1 else ", or a list of them"
        raise RangeError(f"{key} must be a table of length_m, bore_m and gas_c and nothing else{many}")
    return tuple(
        Section(
            **{
                name: _number(f"{key} {number} {name}", row[name], low=low, high=high, unit=unit)
                for name, (low, high, unit) in _SIZES.items()
            }
        )
        for number, row in enumerate(rows, start=1)
    )


@cache
def _ready() -> dict[str, Exhaust]:
    text = Path(__file__).with_name("exhausts.toml").read_text(encoding="utf-8")
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
    table = read_toml(path, "exhaust", ExhaustError)
    name = table.get("name", path.stem)
    if not isinstance(name, str) or not name:
        raise ExhaustError(f"exhaust file {shown(path)}: name must be text")
    return from_table(name, table)
