"""When each cylinder fires, and how strongly: a layout and a speed curve make a list of firing events.

`Liveliness` says how far a running engine strays from a perfectly regular one. Each firing's scatter is tied to seed,
cylinder and cycle, so a list made in parts is the same as one made whole.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pulse_audio import chance, checks
from pulse_audio.errors import RangeError
from pulse_audio.layout import MAX_CYLINDERS, Layout
from pulse_audio.speed import DURATIONS_S, SpeedCurve

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]

STRENGTH, TIMING, CYLINDER, MISFIRE, POP, HUNTING, BURST = range(7)  # streams of random numbers
SEEDS = (0, 2**32 - 1)
SILENT_DB = -200.0  # a level that stands for none
HUNTING_STEP_S = 0.125
PART_S = 60.0
HUNTING_FADE_RPM = (1200.0, 2400.0)  # an engine hunts at idle; above these speeds it runs steadily
MAX_SCATTER = 3.47  # largest value of chance.bell
OVERRUN_STRENGTH, POP_STRENGTH, POP_SHARE = 0.25, 1.5, 0.05
SHUT_FALL_PER_S = (0.1, 0.3)  # shares of the speed lost in a second: throttle open below, shut above


@dataclass(frozen=True, kw_only=True, slots=True)
class Liveliness:
    """How a running engine strays from a perfectly regular one; every default is common practice.

    Attributes
    ----------
    strength_sd : float
        Scatter of pulse strength from cycle to cycle, share of the mean; 0 to 0.28.
    timing_sd_deg : float
        Scatter of pulse timing from cycle to cycle, crank degrees; 0 to 20.
    cylinder_sd : float
        Lasting spread of strength between cylinders, share of the mean; 0 to 0.28.
    hunting : float
        Slow wander of the idle speed, share of the speed (standard deviation), 0 to 0.1; fades out above idle.
    load : float
        Throttle from 0 (closed) to 1 (open): more load, sharper pulses.
    noise_db : float
        Flow noise against its usual level, up to 30; `SILENT_DB` for none.
    overrun : float
        How far pulses weaken, with odd pops, while the speed falls: 0 not at all, 1 fully.
    misfire : tuple of (int, float)
        Cylinder number from 1 and the share, 0 to 1, of its cycles that do not fire.

    Raises
    ------
    RangeError
        A value out of range; the message gives the range.
    """

    strength_sd: float = 0.07
    timing_sd_deg: float = 0.8
    cylinder_sd: float = 0.04
    hunting: float = 0.012
    load: float = 0.5
    noise_db: float = 0.0
    overrun: float = 1.0
    misfire: tuple[tuple[int, float], ...] = ()

    def __post_init__(self) -> None:
        """Refuse what cannot be."""
        highest = {
            "strength_sd": 0.28, "timing_sd_deg": 20, "cylinder_sd": 0.28, "hunting": 0.1, "load": 1, "overrun": 1,
        }  # fmt: skip
        clean: dict[str, object] = {
            name: checks.number(name, getattr(self, name), low=0, high=high) for name, high in highest.items()
        }
        clean["noise_db"] = checks.number("noise_db", self.noise_db, low=SILENT_DB, high=30, unit="dB")
        try:
            pairs = [(cylinder, share) for cylinder, share in self.misfire]
        except (TypeError, ValueError):
            raise RangeError(
                f"misfire={self.misfire!r} must hold pairs of a cylinder and its share of misfires, such as ((2, 0.3),)"
            ) from None
        shares: dict[int, float] = {}
        for given, share in pairs:
            cylinder = checks.whole("misfire cylinder", given, low=1, high=MAX_CYLINDERS)
            if cylinder in shares:
                raise RangeError(f"misfire: cylinder {cylinder} is given twice; give one share for each cylinder")
            shares[cylinder] = checks.number("misfire share", share, low=0, high=1)
        clean["misfire"] = tuple(shares.items())
        for name, value in clean.items():
            object.__setattr__(self, name, value)

    @classmethod
    def ideal(cls, *, load: float = 0.5, misfire: tuple[tuple[int, float], ...] = ()) -> "Liveliness":
        """Return a perfectly regular engine without flow noise."""
        return cls(
            strength_sd=0, timing_sd_deg=0, cylinder_sd=0, hunting=0, noise_db=SILENT_DB, overrun=0,
            load=load, misfire=misfire,
        )  # fmt: skip


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class FiringEvents:
    """Firings in order of time; all arrays have shape (n_events,).

    Attributes
    ----------
    time_s : ndarray of float, increasing
    cylinder : ndarray of int, from 0 (cylinder 1 is 0)
    cycle : ndarray of int, from 0; -1 for a firing of the cycle before, that its scatter brings past time 0
    crank_deg : ndarray of float, crank angle turned since time 0
    strength : ndarray of float, 1 for a firing of average strength, 0 for a misfire
    """

    time_s: NDArray[np.float64]
    cylinder: Whole
    cycle: Whole
    crank_deg: NDArray[np.float64]
    strength: NDArray[np.float64]


def check_life(life: Liveliness, layout: Layout) -> None:
    """Refuse what is no `Liveliness`, or makes a cylinder fail that the layout has not."""
    for number, _ in checks.kind("life", life, Liveliness).misfire:
        checks.whole("misfire cylinder", number, low=1, high=len(layout.cylinders))


def checked_seed(seed: object) -> int:
    """Return a start of random numbers, 0 to 4294967295."""
    low, high = SEEDS
    return checks.whole("seed", seed, low=low, high=high)


def firing_events(
    layout: Layout,
    speed: SpeedCurve,
    *,
    duration_s: float,
    start_deg: float = 0.0,
    life: Liveliness | None = None,
    seed: int = 0,
) -> FiringEvents:
    """Return every firing with ``0 <= time_s < duration_s``.

    Parameters
    ----------
    layout : Layout
    speed : SpeedCurve
    duration_s : float
        0.01 s to an hour.
    start_deg : float
        Crank angle in the cycle at time 0, ``0 <= start_deg <= cycle``.
    life : Liveliness or None
        None for a perfectly regular engine.
    seed : int
        Start of the random numbers, 0 to 4294967295.

    Returns
    -------
    FiringEvents
        Times are exact for the piecewise-linear speed (to rounding, below 1e-9 s in an hour).

    Raises
    ------
    RangeError
        A value out of range, or a misfire of a cylinder that the layout has not.
    """
    checks.kind("layout", layout, Layout)
    checks.kind("speed", speed, SpeedCurve)
    low, high = DURATIONS_S
    duration_s = checks.seconds("duration_s", duration_s, low=low, high=high)
    start_deg = checks.number("start_deg", start_deg, low=0, high=layout.cycle_deg, unit="degrees")
    seed = checked_seed(seed)
    if life is not None:
        check_life(life, layout)
    curve = speed if life is None else hunted(speed, life, seed, start_s=0.0, duration_s=duration_s)
    turned_deg = float(curve.crank_deg(duration_s)[0])
    return events_in_turn(layout, curve, start_deg, turned_deg, life=life, seed=seed)


def firing_parts(
    layout: Layout, speed: SpeedCurve, *, duration_s: float, life: Liveliness | None = None, seed: int = 0
) -> Iterator[FiringEvents]:
    """Yield the same firings as `firing_events` a minute at a time, for more of them than there is room for.

    Parameters
    ----------
    layout : Layout
    speed : SpeedCurve
    duration_s : float
        0.01 s to an hour.
    life : Liveliness or None
        None for a perfectly regular engine.
    seed : int
        Start of the random numbers, 0 to 4294967295.

    Raises
    ------
    RangeError
        A value out of range, or a misfire of a cylinder that the layout has not.
    """
    if life is not None:
        check_life(life, layout)
    low, high = DURATIONS_S
    duration_s, seed = checks.seconds("duration_s", duration_s, low=low, high=high), checked_seed(seed)
    start_deg = 0.0
    for start_s in np.arange(0.0, duration_s, PART_S).tolist():
        part_s = min(PART_S, duration_s - start_s)
        curve = hunted(speed, Liveliness.ideal() if life is None else life, seed, start_s=start_s, duration_s=part_s)
        turned_deg = float(curve.crank_deg(part_s)[0])
        part = events_in_turn(layout, curve, start_deg, turned_deg, life=life, seed=seed)
        yield replace(part, time_s=part.time_s + start_s, crank_deg=part.crank_deg + start_deg)
        start_deg += turned_deg


def events_in_turn(
    layout: Layout,
    curve: SpeedCurve,
    start_deg: float,
    turned_deg: float,
    *,
    life: Liveliness | None,
    seed: int,
    repeat_cycles: int = 0,
) -> FiringEvents:
    """Return the firings while the crank turns by `turned_deg` from `start_deg`; times count from there.

    Adjoining turns share no firing and miss none, whatever the scatter. With `repeat_cycles` the scatter repeats
    after so many cycles, which makes a sound that can loop.
    """
    scatter_deg = 0.0 if life is None else MAX_SCATTER * life.timing_sd_deg
    first = int((start_deg - scatter_deg) // layout.cycle_deg)
    last = int((start_deg + turned_deg + scatter_deg) // layout.cycle_deg)
    order = np.argsort([c.firing_deg for c in layout.cylinders], kind="stable")
    in_cycle_deg = np.array([layout.cylinders[i].firing_deg for i in order])
    cycle = np.repeat(np.arange(first, last + 1), order.size)
    cylinder = np.tile(order, last + 1 - first)
    angle_deg = cycle * layout.cycle_deg + np.tile(in_cycle_deg, last + 1 - first)
    counted = cycle % repeat_cycles if repeat_cycles else cycle
    if life is not None and life.timing_sd_deg:
        angle_deg = angle_deg + life.timing_sd_deg * chance.bell(seed, TIMING, counted, cylinder)
        in_time = np.argsort(angle_deg, kind="stable")
        cycle, cylinder, angle_deg, counted = cycle[in_time], cylinder[in_time], angle_deg[in_time], counted[in_time]
    inside = (angle_deg >= start_deg) & (angle_deg < start_deg + turned_deg)
    cycle, cylinder, counted = cycle[inside], cylinder[inside], counted[inside]
    turned = angle_deg[inside] - start_deg
    time_s = curve.time_at_deg(turned)
    strength = np.ones(turned.size)
    if life is not None:
        strength = _strength(life, seed, counted, cylinder)
        if life.overrun and not curve.is_steady:
            strength *= _overrun(life, seed, counted, cylinder, slowing=_slowing(curve, time_s))
    return FiringEvents(
        time_s=time_s,
        cylinder=cylinder.astype(np.int64),
        cycle=cycle.astype(np.int64),
        crank_deg=turned,
        strength=strength,
    )


def _strength(life: Liveliness, seed: int, cycle: Whole, cylinder: Whole) -> Floats:
    strength = np.ones(cycle.size)
    if life.cylinder_sd and cycle.size:
        strength += life.cylinder_sd * chance.bell(seed, CYLINDER, np.arange(cylinder.max() + 1))[cylinder]
    if life.strength_sd:
        strength *= 1.0 + life.strength_sd * chance.bell(seed, STRENGTH, cycle, cylinder)
    for number, share in life.misfire:
        missing = (cylinder == number - 1) & (chance.uniform(seed, MISFIRE, cycle, cylinder) < share)
        strength[missing] = 0.0
    return strength


def _overrun(life: Liveliness, seed: int, cycle: Whole, cylinder: Whole, slowing: Floats) -> Floats:
    """Strength while the throttle is shut: weak pulses, and odd pops of gas that burns in the pipe."""
    slip = life.overrun * slowing
    pops = chance.uniform(seed, POP, cycle, cylinder) < POP_SHARE * slip
    return np.where(pops, POP_STRENGTH, 1.0 - (1.0 - OVERRUN_STRENGTH) * slip)


def _slowing(curve: SpeedCurve, time_s: Floats) -> Floats:
    """How far the throttle is shut, 0 to 1, judged by how fast the speed falls."""
    reach_s = 0.05
    before, after = curve.rpm_at(time_s - reach_s), curve.rpm_at(time_s + reach_s)
    fall_per_s = (before - after) / (reach_s * (before + after))
    low, high = SHUT_FALL_PER_S
    return np.clip((fall_per_s - low) / (high - low), 0.0, 1.0)


def hunted(speed: SpeedCurve, life: Liveliness, seed: int, *, start_s: float, duration_s: float) -> SpeedCurve:
    """Return the speed over a span, counted from its start, with the idle hunting of a running engine.

    The wander depends on seed and time alone: curves of adjoining spans are parts of one curve.
    """
    end_s = start_s + duration_s
    if life.hunting and float(np.min(speed.rpm)) < HUNTING_FADE_RPM[1]:
        node = np.arange(int(np.floor(start_s / HUNTING_STEP_S)), int(np.ceil(end_s / HUNTING_STEP_S)) + 1)
        grid = node * HUNTING_STEP_S
        turns = speed.time_s[(speed.time_s > grid[0]) & (speed.time_s < grid[-1])]
        times = np.sort(np.concatenate((grid, turns)))
        times = times[np.append(True, np.diff(times) > 0)]  # np.union1d loads numpy.ma: 25 ms of a render
        rpm = speed.rpm_at(times)
        low, high = HUNTING_FADE_RPM
        depth = life.hunting * np.clip((high - rpm) / (high - low), 0.0, 1.0)
        rpm = np.clip(rpm * (1.0 + depth * np.interp(times, grid, _wander(node, seed))), checks.RPM_MIN, checks.RPM_MAX)
    elif speed.is_steady:
        return SpeedCurve.steady(float(speed.rpm[0]))
    else:
        times, rpm = speed.time_s, speed.rpm
    inside = (times > start_s) & (times < end_s)
    ends = np.interp([start_s, end_s], times, rpm)
    return SpeedCurve(
        time_s=np.concatenate(([0.0], times[inside] - start_s, [duration_s])),
        rpm=np.concatenate((ends[:1], rpm[inside], ends[1:])),
    )


def _wander(node: Whole, seed: int) -> Floats:
    """Smooth noise of standard deviation near 1 that turns round every second or so and has no lasting drift."""
    total = np.zeros(node.size)
    for stream, (steps, weight) in enumerate(((9, 1.2), (5, 0.5))):
        cell, within = np.divmod(node, steps)
        share = within / steps
        ease = share * share * (3.0 - 2.0 * share)
        # Differences of chance: whatever is gained in one cell is lost in the next.
        first, second, third = (chance.bell(seed, HUNTING, stream, cell + k) for k in (0, 1, 2))
        left, right = (second - first) / np.sqrt(2.0), (third - second) / np.sqrt(2.0)
        total += weight * (left + (right - left) * ease)
    return total


def parse_misfire(text: str, layout: Layout) -> tuple[int, float]:
    """Read ``CYL`` or ``CYL:SHARE`` as cylinder number and share of cycles that do not fire.

    Raises
    ------
    RangeError
        No such cylinder, or a share outside 0 to 1.
    """
    number, _, share = text.partition(":")
    count = len(layout.cylinders)
    try:
        return (
            checks.whole("misfire cylinder", number, low=1, high=count),
            checks.number("misfire share", share or "1", low=0, high=1),
        )
    except RangeError as e:
        raise RangeError(f"{e}; a misfire is CYL or CYL:SHARE, such as 2 or 2:0.3") from None
