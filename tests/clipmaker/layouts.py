"""Firing angles of the engines that the maker can build, as data.

Angles in crank degrees; sources: the tables of firing intervals quoted in the package's tests, and 720/N for even
engines (common practice).
"""

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True, slots=True)
class Engine:
    """One engine: when its cylinders fire and on which bank each stands."""

    name: str
    cycle_deg: int
    firing_deg: tuple[float, ...]
    bank: tuple[int, ...]

    @property
    def intervals_deg(self) -> list[float]:
        """Intervals between firings, in order, closing the cycle."""
        after = (*self.firing_deg[1:], self.firing_deg[0] + self.cycle_deg)
        return [b - a for a, b in zip(self.firing_deg, after, strict=True)]

    @property
    def even(self) -> bool:
        """Whether all intervals are equal."""
        return max(self.intervals_deg) - min(self.intervals_deg) < 1e-6


def _engine(name: str, intervals: tuple[float, ...], bank: tuple[int, ...] | None = None, cycle: int = 720) -> Engine:
    assert abs(sum(intervals) - cycle) < 1e-9, name
    starts = tuple(float(sum(intervals[:i])) for i in range(len(intervals)))
    return Engine(name=name, cycle_deg=cycle, firing_deg=starts, bank=bank or (0,) * len(intervals))


def _v_twin(angle_deg: int) -> Engine:
    return _engine(f"v{angle_deg}", (360 - angle_deg, 360 + angle_deg), (0, 1))


_LIST = (
    _engine("single4", (720,)),
    _engine("single2", (360,), cycle=360),
    _engine("ptwin360", (360, 360)),
    _engine("ptwin180", (180, 540)),
    _engine("ptwin270", (270, 450)),
    _engine("ptwin285", (285, 435)),
    _engine("boxer", (360, 360), (0, 1)),
    *(_v_twin(a) for a in (42, 45, 48, 50, 52, 55, 60, 65, 72, 75, 80, 90)),
    _engine("twin2s180", (180, 180), cycle=360),
    _engine("twin2s90", (90, 270), cycle=360),
    _engine("triple2s", (120, 120, 120), cycle=360),
    _engine("triple120", (240, 240, 240)),
    _engine("triple180", (180, 360, 180)),
    _engine("triple90", (180, 270, 270)),
    _engine("four_flat", (180,) * 4),
    _engine("flatfour", (180,) * 4, (0, 1, 1, 0)),
    _engine("four_cross", (270, 180, 90, 180)),
    _engine("v4_180", (180, 270, 180, 90), (0, 1, 0, 1)),
    _engine("v4_360", (90, 270, 90, 270), (0, 1, 0, 1)),
    _engine("v4_70", (70, 290, 70, 290), (0, 1, 0, 1)),
    _engine("five", (144,) * 5),
    _engine("six", (120,) * 6),
    _engine("flatsix", (120,) * 6, (0, 1) * 3),
    _engine("v6_60", (120,) * 6, (0, 1) * 3),
    _engine("v6_odd", (90, 150) * 3, (0, 1) * 3),
    _engine("v8bank", (180, 90, 180, 270)),
    _engine("v8_flat", (90,) * 8, (0, 1) * 4),
    _engine("v8_cross", (90,) * 8, (0, 1, 0, 0, 1, 0, 1, 1)),
    _engine("v10", (72,) * 10, (0, 1) * 5),
    _engine("v10_odd", (90, 54) * 5, (0, 1) * 5),
    _engine("v12", (60,) * 12, (0, 1) * 6),
)
ENGINES = {engine.name: engine for engine in _LIST}
