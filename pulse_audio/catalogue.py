"""The named layouts, how a layout argument is read, and which layouts no ear can tell apart."""

import difflib
import math
import re
import tomllib
from functools import cache
from pathlib import Path

from pulse_audio import checks
from pulse_audio.errors import LayoutError
from pulse_audio.files import is_path, shown
from pulse_audio.layout import Layout, from_intervals, from_table, from_toml, looks_like_intervals

ALIKE_TOLERANCE = 1e-4  # of a cycle: 0.07 degrees of 720, finer than anything that can be heard
NEAREST = 3
_NUMBER = r"\d+(?:\.\d+)?"
_NUMBERS = re.compile(rf"{_NUMBER}(?:[^\w.]+{_NUMBER})+")


@cache
def _tables() -> dict[str, dict[str, object]]:
    text = Path(__file__).with_name("catalogue.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


def layout_names() -> tuple[str, ...]:
    """Return the names of all catalogue layouts, in the catalogue's order."""
    return tuple(_tables())


@cache
def layout(name: str) -> Layout:
    """Return the catalogue layout of that exact name.

    Raises
    ------
    LayoutError
        No such name; the message offers the nearest ones.
    """
    if name not in _tables():
        near = " or ".join(nearest_names(name))
        offer = f"did you mean {near}?" if near else "the command layouts lists them all"
        if _NUMBERS.fullmatch(name):
            offer = f"intervals are joined by '-': {'-'.join(re.findall(_NUMBER, name))}"
        raise LayoutError(f"no layout is called {shown(name)!r}; {offer}")
    return from_table(name, _tables()[name])


def nearest_names(text: str) -> tuple[str, ...]:
    """Return up to three catalogue names that are spelt like `text` or share its words."""
    asked = set(_tidy(text).split("-"))
    sharing = sorted(
        (name for name in layout_names() if len(asked & set(name.split("-"))) >= min(2, len(asked))),
        key=lambda name: (-len(asked & set(name.split("-"))), len(name)),
    )
    alike = difflib.get_close_matches(_tidy(text), layout_names(), n=NEAREST, cutoff=0.6)
    return tuple(dict.fromkeys([*alike, *sharing]))[:NEAREST]


def _tidy(text: str) -> str:
    return "-".join(text.lower().replace("_", " ").replace("-", " ").split())


def find_layout(text: str) -> Layout:
    """Read a layout argument: a catalogue name, intervals such as ``270-450``, or a path to a TOML file.

    Parameters
    ----------
    text : str
        Capitals, spaces and underscores in a name do not matter. A text that ends in ``.toml``, has a folder in it or
        names a file that is there is a path.

    Raises
    ------
    LayoutError
        No such layout (the nearest names are offered), or one that cannot exist.
    RangeError
        No text.
    """
    if _tidy(checks.kind("layout", text, str)) in _tables():
        return layout(_tidy(text))
    if looks_like_intervals(text):
        return from_intervals(text.strip())
    return _own_layout(Path(text)) if is_path(text) else layout(text)


def _own_layout(path: Path) -> Layout:
    """Read a layout file, and refuse one that calls itself by the name of a layout that fires otherwise."""
    this = from_toml(path)
    name = _tidy(this.name)
    if name in _tables() and not fires_alike(this, layout(name)):
        raise LayoutError(
            f"layout file {shown(path)}: the layout called {name} fires {layout(name).intervals_text}, this one "
            f"{this.intervals_text}; give it another name"
        )
    return this


def sound_alikes(this: Layout) -> dict[str, float]:
    """Return every other catalogue layout that can give the same train of pulses, and at what speed.

    Cylinders that fire together count as one pulse; where the cycle begins and how loud the whole is do not count.

    Returns
    -------
    dict of str to float
        Name, and how fast it must turn for that, as a multiple of this layout's speed.
    """
    period_deg, pattern = _pulse_pattern(this)
    found: dict[str, float] = {}
    for name in layout_names():
        other_period_deg, other = _pulse_pattern(layout(name))
        if name != this.name and _is_rotation(pattern, other):
            found[name] = other_period_deg / period_deg
    return found


def same_sound(this: Layout) -> tuple[str, ...]:
    """Return the names of other catalogue layouts that give the same train of pulses at the same speed."""
    return tuple(name for name, ratio in sound_alikes(this).items() if math.isclose(ratio, 1.0, rel_tol=1e-3))


def fires_alike(one: Layout, two: Layout) -> bool:
    """Whether two layouts give the same train of pulses at the same speed."""
    (one_deg, one_pattern), (two_deg, two_pattern) = _pulse_pattern(one), _pulse_pattern(two)
    return math.isclose(one_deg, two_deg, rel_tol=1e-3) and _is_rotation(one_pattern, two_pattern)


Pattern = tuple[tuple[float, float], ...]


def _pulse_pattern(this: Layout) -> tuple[float, Pattern]:
    """Return the shortest period in degrees and, for each pulse in it, (share of the period to the next, strength).

    Strength is the number of cylinders that fire together over the mean number, so that loudness drops out.
    """
    intervals, counts = this.pulse_intervals_deg, this.pulse_cylinders
    length = len(intervals) // this.patterns_per_cycle
    period_deg = sum(intervals[:length])
    mean = sum(counts[:length]) / length
    return period_deg, tuple((intervals[k] / period_deg, counts[k] / mean) for k in range(length))


def _is_rotation(one: Pattern, two: Pattern) -> bool:
    if len(one) != len(two):
        return False
    return any(
        all(
            abs(a - c) <= ALIKE_TOLERANCE and abs(b - d) <= ALIKE_TOLERANCE
            for (a, b), (c, d) in zip(one, two[shift:] + two[:shift], strict=True)
        )
        for shift in range(len(two))
    )
