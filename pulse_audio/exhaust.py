"""Exhausts as values: what pipes there are and how they are joined; the ready ones, and any other from a TOML file.

Primaries run from the cylinders to collectors. Behind each collector stands the same chain of sections, ending in an
open end outdoors. `pipework` says how they sound.
"""

import difflib
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, TypeGuard

from pulse_audio import checks
from pulse_audio.errors import ExhaustError, RangeError
from pulse_audio.files import is_path, read_named_toml, shown, unknown_keys
from pulse_audio.layout import MAX_CYLINDERS, Layout

JOINS = ("each", "all", "banks", "pairs", "pairs-then-all")
_SIZES = {"length_m": (0.01, 20.0, "m"), "bore_m": (0.005, 1.0, "m"), "gas_c": (-40.0, 1200.0, "degrees Celsius")}
_NUMBERS = {
    "valve_reflection": (0.0, 1.0, ""),
    "wall_factor": (0.0, 50.0, ""),
    "flow_mach": (0.0, 0.5, ""),
    "noise_db": (-60.0, 20.0, "dB"),
    "distance_m": (0.1, 1000.0, "m"),
}


@dataclass(frozen=True, kw_only=True, slots=True)
class Section:
    """One length of round duct.

    Attributes
    ----------
    length_m : float, 0.01 to 20
    bore_m : float, 0.005 to 1
    gas_c : float, -40 to 1200
        Gas temperature, degrees Celsius.

    Raises
    ------
    ExhaustError
        All numbers out of range at once.
    """

    length_m: float
    bore_m: float
    gas_c: float

    def __post_init__(self) -> None:
        """Refuse what cannot exist."""
        faults = _number_faults({name: getattr(self, name) for name in _SIZES}, _SIZES)
        if faults:
            raise ExhaustError("; ".join(faults))


@dataclass(frozen=True, kw_only=True, slots=True)
class Exhaust:
    """An exhaust from valve to open end.

    Attributes
    ----------
    name, title : str
    primary : tuple of Section, 1 to 48
        One for each cylinder; a shorter list is used over again from its start.
    join : str or tuple of tuple of int
        Which primaries meet: ``each`` (none), ``all``, ``banks``, ``pairs`` (opposite in the firing order),
        ``pairs-then-all``, or groups of cylinder numbers from 1.
    second : Section or None
        From each pair to the collector of all; for ``pairs-then-all`` only.
    sections : tuple of Section, at most 48
        Behind each collector; a section much wider than its neighbours is an expansion chamber.
    valve_reflection : float, 0 to 1
        Share of the sound pressure that the firing cylinder's end throws back; 1 is a rigid wall.
    wall_factor : float, 0 to 50
        Loss at the walls against that of a smooth wall and still gas.
    flow_mach : float, 0 to 0.5
        Mach number of the steady flow at the open end; it damps the sound where bores change and at the end.
    noise_db : float, -60 to 20
        Flow noise against a usual exhaust.
    distance_m : float, 0.1 to 1000
        From the open end to the listener.

    Raises
    ------
    ExhaustError
        All faults at once. That its groups fit a layout, and that something is heard, is checked where it sounds.
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

    def __post_init__(self) -> None:
        """Refuse what cannot exist."""
        texts = [f"{key} must be text" for key in ("name", "title") if not isinstance(getattr(self, key), str)]
        pipes = [
            f"{key} must be a tuple of {least} to {MAX_CYLINDERS} Sections"
            for key, least in (("primary", 1), ("sections", 0))
            if not _all_of(getattr(self, key), Section) or not least <= len(getattr(self, key)) <= MAX_CYLINDERS
        ]
        if not isinstance(self.second, Section | None):
            pipes.append("second must be a Section or None")
        numbers = _number_faults({name: getattr(self, name) for name in _NUMBERS}, _NUMBERS)
        faults = [*texts, *pipes, *numbers, *_join_faults(self.join, second=self.second is not None)]
        if faults:
            raise ExhaustError(f"exhaust {self.name!r}: " + "; ".join(faults))

    def groups(self, layout: Layout) -> tuple[tuple[int, ...], ...]:
        """Return the cylinders (from 0) that share each open end: groups as given, otherwise cylinder 1's first.

        Raises
        ------
        ExhaustError
            Groups of cylinder numbers that do not fit the layout.
        """
        count = len(checks.kind("layout", layout, Layout).cylinders)
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


def _number_faults(values: Mapping[str, object], limits: Mapping[str, tuple[float, float, str]]) -> list[str]:
    """Say which values are no numbers or out of their limits."""
    faults = []
    for name, value in values.items():
        low, high, unit = limits[name]
        try:
            checks.real(name, value, low=low, high=high, unit=unit)
        except RangeError as e:
            faults.append(str(e))
    return faults


def _all_of(values: object, kind: type) -> TypeGuard[tuple[Any, ...]]:
    return isinstance(values, tuple) and all(type(value) is kind for value in values)  # True is no cylinder


def _join_faults(join: object, *, second: bool, form: str = "((1, 4), (2, 3))") -> list[str]:
    """Say whether `join` is none, or wants or forbids the pipe from each pair to the collector."""
    named = isinstance(join, str) and join in JOINS
    if not named and not (
        _all_of(join, tuple) and 1 <= len(join) <= MAX_CYLINDERS and all(_all_of(g, int) and g for g in join)
    ):
        return [f"join must be one of {', '.join(JOINS)}, or groups of cylinder numbers such as {form}"]
    if (join == "pairs-then-all") != second:
        return ["second, the pipe from each pair to the collector, goes with join = 'pairs-then-all'"]
    return []


_KEYS = ("name", "title", "primary", "join", "second", "section", *_NUMBERS)


def from_table(name: str, table: Mapping[str, Any]) -> Exhaust:
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
    faults = unknown_keys(table, _KEYS)
    pipes: dict[str, tuple[Section, ...]] = {}
    for key in ("primary", "second", "section"):
        try:
            pipes[key] = _sections(key, table[key]) if key in table else ()
        except ExhaustError as e:
            faults.append(str(e))
    if "primary" not in table:
        faults.append("primary is missing: a table of length_m, bore_m and gas_c, or a list of them")
    title, join = table.get("title", ""), _as_tuples(table.get("join", "each"))
    numbers = {key: table[key] for key in _NUMBERS if key in table}
    faults += _number_faults(numbers, _NUMBERS)
    faults += _join_faults(join, second="second" in table, form="[[1, 4], [2, 3]]")
    if not isinstance(title, str):
        faults.append("title must be text")
    if faults:
        raise ExhaustError(f"exhaust {name!r}: " + "; ".join(faults))
    return Exhaust(
        name=name,
        title=title,
        primary=pipes["primary"],
        join=join,
        second=next(iter(pipes["second"]), None),
        sections=pipes["section"],
        **numbers,
    )


def _as_tuples(join: Any) -> Any:
    return tuple(tuple(g) if isinstance(g, list) else g for g in join) if isinstance(join, list) else join


def _sections(key: str, value: object) -> tuple[Section, ...]:
    rows = value if isinstance(value, list) else [value]
    most = 1 if key == "second" else MAX_CYLINDERS
    if not 1 <= len(rows) <= most or not all(isinstance(row, dict) for row in rows):
        many = "" if most == 1 else ", or a list of them"
        raise ExhaustError(f"{key} must be a table of length_m, bore_m and gas_c{many}")
    sections, faults = [], []
    for number, row in enumerate(rows, start=1):
        try:
            wrong = [*unknown_keys(row, _SIZES), *(f"{name} is missing" for name in _SIZES if name not in row)]
            if wrong:
                raise ExhaustError("; ".join(wrong))
            sections.append(Section(**row))
        except ExhaustError as e:
            faults.append(f"{key} {number}: {e}")
    if faults:
        raise ExhaustError("; ".join(faults))
    return tuple(sections)


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
    RangeError
        No text.
    """
    if checks.kind("exhaust", text, str) in _ready():
        return _ready()[text]
    if is_path(text):
        return from_toml(Path(text))
    near = difflib.get_close_matches(text, exhaust_names(), n=3, cutoff=0.4) or exhaust_names()
    raise ExhaustError(
        f"no exhaust is called {shown(text)!r}; near names: {', '.join(near)}; or give the path of a TOML file"
    )


def from_toml(path: Path) -> Exhaust:
    """Read an exhaust from a TOML file.

    Raises
    ------
    ExhaustError
        The file cannot be read, is no TOML, or holds no legal exhaust.
    """
    return from_table(*read_named_toml(path, "exhaust", ExhaustError))
