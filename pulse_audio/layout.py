"""Engine layouts: where each crank throw and cylinder axis stands, and so when each cylinder fires.

Conventions
-----------
Crank angle grows with rotation; 0 is the angle at which the drawing is made. Cylinder *i*'s axis stands at `bank_deg`,
its crankpin at `throw_deg`, both measured the same way. Its piston is at top dead centre (TDC) when the pin has turned
into the axis: ``(bank_deg - throw_deg) mod 360``. A two-stroke fires there; a four-stroke fires there or 360 degrees
later, and `firing_deg` says which.
"""

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from pulse_audio import checks
from pulse_audio.errors import LayoutError, RangeError
from pulse_audio.files import read_named_toml, unknown_keys
from pulse_audio.units import cycle_deg

ANGLE_TOLERANCE_DEG = 0.01  # angles are typed in by hand: 51.43 for a seventh of a turn must pass
INTERVAL_TOLERANCE_DEG = 2 * ANGLE_TOLERANCE_DEG  # between two such angles
MAX_CYLINDERS = 48
_COLUMNS = ("bank_deg", "throw_deg", "firing_deg", "offset")


@dataclass(frozen=True, kw_only=True, slots=True)
class Cylinder:
    """One cylinder: its axis, its crank throw, its place along the crank, and when it fires.

    Attributes
    ----------
    bank_deg, throw_deg : float or None
        Cylinder axis and crankpin angle at crank angle 0, degrees; None where only the firing angle is known.
    offset : float
        Place along the crankshaft in cylinder spacings (only differences matter).
    firing_deg : float
        Crank angle of the firing TDC within the cycle, ``0 <= firing_deg < 720`` (360 for a two-stroke).

    Raises
    ------
    LayoutError
        A value that is no number, or none between -3600 and 3600.
    """

    bank_deg: float | None = None
    throw_deg: float | None = None
    offset: float = 0.0
    firing_deg: float

    def __post_init__(self) -> None:
        """Refuse what is no number."""
        given = {name: getattr(self, name) for name in _COLUMNS}
        try:
            for name, value in given.items():
                if value is not None or name not in ("bank_deg", "throw_deg"):
                    _column_number(name, value)
        except RangeError as e:
            raise LayoutError(str(e)) from None

    @property
    def tdc_deg(self) -> float | None:
        """Crank angle of this cylinder's TDC, ``0 <= tdc_deg < 360``; None without geometry."""
        if self.bank_deg is None or self.throw_deg is None:
            return None
        return (self.bank_deg - self.throw_deg) % 360.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Layout:
    """A whole engine, or the cylinders that one tailpipe hears.

    Attributes
    ----------
    name : str
        Short name used on the command line.
    title : str
        The layout in words.
    strokes : int
        4 or 2.
    cylinders : tuple of Cylinder
        Cylinder 1 first.
    part_of : str
        Name of the whole engine where these cylinders are only a part of it (one bank of a V8), else empty.
    note, source : str
        What to know about it, and where its angles come from.

    Raises
    ------
    LayoutError
        All faults at once; a firing angle that is no TDC of its cylinder is answered with the legal angles.
    """

    name: str
    title: str = ""
    strokes: int = 4
    cylinders: tuple[Cylinder, ...]
    part_of: str = ""
    note: str = ""
    source: str = ""

    def __post_init__(self) -> None:
        """Refuse what cannot exist."""
        faults: list[str] = []
        if type(self.strokes) is not int or self.strokes not in (2, 4):
            raise LayoutError(f"layout {self.name!r}: strokes={self.strokes!r} must be 2 or 4")
        if not isinstance(self.cylinders, tuple) or not all(isinstance(c, Cylinder) for c in self.cylinders):
            raise LayoutError(f"layout {self.name!r}: cylinders must be a tuple of Cylinders")
        if not 1 <= len(self.cylinders) <= MAX_CYLINDERS:
            raise LayoutError(f"layout {self.name!r}: {len(self.cylinders)} cylinders; give 1 to {MAX_CYLINDERS}")
        for number, cylinder in enumerate(self.cylinders, start=1):
            fault = _firing_fault(cylinder, self.cycle_deg)
            if fault:
                faults.append(f"cylinder {number}: {fault}")
        if faults:
            raise LayoutError(f"layout {self.name!r}: " + "; ".join(faults))

    @property
    def cycle_deg(self) -> float:
        """Crank degrees in one working cycle."""
        return cycle_deg(self.strokes)

    @property
    def has_geometry(self) -> bool:
        """Whether throws and banks are known, so that balance and pictures of the crank are possible."""
        return all(c.tdc_deg is not None for c in self.cylinders)

    @property
    def firing_order(self) -> tuple[int, ...]:
        """Cylinder numbers (from 1) in the order in which they fire, starting with the first after angle 0."""
        numbered = sorted((c.firing_deg, n) for n, c in enumerate(self.cylinders, start=1))
        return tuple(n for _, n in numbered)

    @property
    def firing_deg(self) -> tuple[float, ...]:
        """Firing angles in rising order."""
        return tuple(sorted(c.firing_deg for c in self.cylinders))

    @property
    def intervals_deg(self) -> tuple[float, ...]:
        """Crank degrees from each firing to the next, in firing order; they add up to the cycle.

        Cylinders that fire together have an interval of 0 between them.
        """
        angles = self.firing_deg
        following = (*angles[1:], angles[0] + self.cycle_deg)
        return tuple(after - before for before, after in zip(angles, following, strict=True))

    @property
    def pulse_cylinders(self) -> tuple[int, ...]:
        """How many cylinders fire in each pulse, in firing order; more than 1 where some fire together."""
        return tuple(len(pulse) for pulse in together(self.firing_deg, self.cycle_deg))

    @property
    def pulse_intervals_deg(self) -> tuple[float, ...]:
        """Crank degrees between pulses as they are heard: `intervals_deg` with cylinders that fire together as one."""
        return tuple(gap for gap in self.intervals_deg if gap > INTERVAL_TOLERANCE_DEG)

    @property
    def patterns_per_cycle(self) -> int:
        """How often the pattern of pulses comes round in one cycle; the number of pulses where they are even."""
        length = math.lcm(
            shortest_repeat(self.pulse_intervals_deg, INTERVAL_TOLERANCE_DEG), shortest_repeat(self.pulse_cylinders, 0)
        )
        return len(self.pulse_intervals_deg) // length

    @property
    def is_even(self) -> bool:
        """Whether the pulses come at equal distances; cylinders that fire together make one pulse."""
        intervals = self.pulse_intervals_deg
        return max(intervals) - min(intervals) <= INTERVAL_TOLERANCE_DEG

    @property
    def pulses_are_alike(self) -> bool:
        """Whether every pulse is like the next: at equal distances, and of as many cylinders each."""
        return self.is_even and len(set(self.pulse_cylinders)) == 1

    @property
    def intervals_text(self) -> str:
        """The intervals as people write them: ``270-450``; repeats as ``120 x6``."""
        return written(self.intervals_deg)


def written(intervals_deg: Sequence[float]) -> str:
    """Return intervals as people write them: ``270-450``; repeats as ``120 x6``."""
    numbers = [f"{round(i, 2):g}" for i in intervals_deg]
    period = shortest_repeat(intervals_deg, INTERVAL_TOLERANCE_DEG)
    if len(numbers) > 2 and period < len(numbers):
        return f"{'-'.join(numbers[:period])} x{len(numbers) // period}"
    return "-".join(numbers)


def together(angles_deg: Sequence[float], turn_deg: float) -> list[list[int]]:
    """Group angles that lie as near to a neighbour as angles typed by hand may when they mean the same.

    Parameters
    ----------
    angles_deg : sequence of float, at least one, ``0 <= angle < turn_deg``
    turn_deg : float
        Where the circle closes.

    Returns
    -------
    list of list of int
        Indices in rising order of angle; those just before `turn_deg` stand at the end of the first group.
    """
    order = sorted(range(len(angles_deg)), key=angles_deg.__getitem__)
    groups = [[order[0]]]
    for before, after in pairwise(order):
        if angles_deg[after] - angles_deg[before] > INTERVAL_TOLERANCE_DEG:
            groups.append([])
        groups[-1].append(after)
    if len(groups) > 1 and angles_deg[order[0]] + turn_deg - angles_deg[order[-1]] <= INTERVAL_TOLERANCE_DEG:
        groups[0] += groups.pop()
    return groups


def shortest_repeat(values: Sequence[float], tolerance: float) -> int:
    """Return the length of the shortest piece that makes `values` when repeated."""
    size = len(values)
    fits = (
        length
        for length in range(1, size)
        if size % length == 0 and all(abs(values[k] - values[k % length]) <= tolerance for k in range(size))
    )
    return next(fits, size)


def _firing_fault(cylinder: Cylinder, whole_cycle_deg: float) -> str:
    """Say what is wrong with a cylinder's angles; empty if nothing is."""
    if not 0 <= cylinder.firing_deg < whole_cycle_deg:
        return f"firing_deg={cylinder.firing_deg:g} must be at least 0 and below {whole_cycle_deg:g}"
    if (cylinder.bank_deg is None) != (cylinder.throw_deg is None):
        return "bank_deg and throw_deg go together; give both or neither"
    tdc_deg = cylinder.tdc_deg
    if tdc_deg is None:
        return ""
    gap = abs((cylinder.firing_deg - tdc_deg + 180.0) % 360.0 - 180.0)
    if gap > ANGLE_TOLERANCE_DEG:
        legal = f"{tdc_deg:g}" + (f" or {tdc_deg + 360:g}" if whole_cycle_deg == 720 else "")
        return f"firing_deg={cylinder.firing_deg:g} is no top dead centre of this cylinder; it can fire at {legal}"
    return ""


def from_intervals(text: str) -> Layout:
    """Make a layout from its intervals alone, such as ``270-450``; the sum decides two- or four-stroke.

    Parameters
    ----------
    text : str
        Crank degrees between firings joined by ``-``; they add up to 720 (four-stroke) or 360 (two-stroke). What comes
        several times over may be written once, as `written` does: ``240 x3``.

    Raises
    ------
    LayoutError
        Not numbers, too many, or another sum.
    """
    piece, repeated, times = text.partition("x")
    parts = piece.strip().split("-")
    try:
        once_deg, count = [float(part) for part in parts], int(times) if repeated else 1
    except ValueError:
        raise LayoutError(f"intervals {text!r}: give degrees joined by '-', such as 270-450, or 240 x3") from None
    if not 1 <= count <= MAX_CYLINDERS // len(parts):
        raise LayoutError(f"intervals {text!r}: give 1 to {MAX_CYLINDERS} of them")
    intervals = once_deg * count
    total = sum(intervals)
    strokes = next((s for s in (4, 2) if abs(total - cycle_deg(s)) <= ANGLE_TOLERANCE_DEG * len(intervals)), None)
    if strokes is None:
        raise LayoutError(
            f"intervals {text!r} add up to {total:g}; they must make 720 (four-stroke) or 360 (two-stroke)"
        )
    angles = [sum(intervals[:k], 0.0) % cycle_deg(strokes) for k in range(len(intervals))]
    name = written(intervals)
    return Layout(
        name=name,
        title=f"{'Four' if strokes == 4 else 'Two'}-stroke given by its intervals {name}",
        strokes=strokes,
        cylinders=tuple(Cylinder(firing_deg=angle, offset=float(k)) for k, angle in enumerate(angles)),
        note="Given by intervals alone: the crank is not known, so balance and crank pictures are not available.",
    )


_TEXTS = ("title", "part_of", "note", "source")
_KEYS = ("name", "strokes", *_COLUMNS, *_TEXTS)


def from_table(name: str, table: Mapping[str, object]) -> Layout:
    """Make a layout from a TOML table with one list per column, cylinder 1 first.

    Parameters
    ----------
    name : str
        The layout's name.
    table : mapping
        ``strokes`` (4 if absent), ``firing_deg`` (list), and optionally ``bank_deg``, ``throw_deg``, ``offset``
        (lists of the same length; offset counts up from 0 if absent), ``title``, ``part_of``, ``note``, ``source``.

    Raises
    ------
    LayoutError
        All faults of the table at once.
    """
    faults = unknown_keys(table, _KEYS)
    columns: dict[str, list[float]] = {}
    for key in _COLUMNS:
        if key in table:
            try:
                columns[key] = _number_list(key, table[key])
            except RangeError as e:
                faults.append(str(e))
    faults += [f"{key} must be text" for key in _TEXTS if not isinstance(table.get(key, ""), str)]
    if "firing_deg" not in table:
        faults.append("firing_deg is missing: a list of firing angles, cylinder 1 first")
    lengths = {key: len(values) for key, values in columns.items()}
    if len(set(lengths.values())) > 1:
        faults.append("lists differ in length: " + ", ".join(f"{k} has {n}" for k, n in lengths.items()))
    strokes = table.get("strokes", 4)
    if not isinstance(strokes, int) or strokes not in (2, 4):
        faults.append(f"strokes={strokes!r} must be 2 or 4")
    if faults:
        raise LayoutError(f"layout {name!r}: " + "; ".join(faults))
    count = len(columns["firing_deg"])
    blank: Sequence[float | None] = [None] * count
    offsets = columns.get("offset", [float(k) for k in range(count)])
    return Layout(
        name=name,
        strokes=int(str(strokes)),
        cylinders=tuple(
            Cylinder(bank_deg=bank, throw_deg=throw, firing_deg=firing, offset=offset)
            for bank, throw, firing, offset in zip(
                columns.get("bank_deg", blank),
                columns.get("throw_deg", blank),
                columns["firing_deg"],
                offsets,
                strict=True,
            )
        ),
        **{key: str(table.get(key, "")) for key in _TEXTS},
    )


def _number_list(key: str, values: object) -> list[float]:
    if not isinstance(values, list) or not 1 <= len(values) <= MAX_CYLINDERS:
        raise RangeError(f"{key} must be a list of 1 to {MAX_CYLINDERS} numbers, cylinder 1 first")
    if any(isinstance(v, bool) or not isinstance(v, int | float) for v in values):
        raise RangeError(f"{key} must hold numbers only")
    return [_column_number(key, value, f"cylinder {number}: ") for number, value in enumerate(values, start=1)]


def _column_number(name: str, value: object, where: str = "") -> float:
    return checks.real(where + name, value, low=-3600, high=3600, unit="" if name == "offset" else "degrees")


def from_toml(path: Path) -> Layout:
    """Read a layout from a TOML file: the keys of `from_table` at the top level, and ``name``.

    Raises
    ------
    LayoutError
        The file cannot be read, is no TOML, or holds no legal layout.
    """
    return from_table(*read_named_toml(path, "layout", LayoutError))


_INTERVALS = re.compile(r"\s*\d+(\.\d+)?(-\d+(\.\d+)?)*(\s*x\s*\d+)?\s*")


def looks_like_intervals(text: str) -> bool:
    """Whether a layout argument is a list of intervals rather than a name or a path."""
    return _INTERVALS.fullmatch(text) is not None
