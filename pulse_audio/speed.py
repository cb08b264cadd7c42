"""Crank speed over time: piecewise linear, with the crank angle and its inverse exact.

Between two points the speed changes linearly, so the crank angle is a parabola in time and its inverse the root of one.
Before the first and after the last point the speed stays as it is there.
"""

import csv
import io
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pulse_audio import checks
from pulse_audio.errors import RangeError, SpeedError
from pulse_audio.units import rpm_to_deg_per_s

Floats = NDArray[np.float64]
MAX_POINTS = 200_000
LATEST_S = 1e9
MAX_FILE_BYTES = 10_000_000
DURATIONS_S = (0.01, 3600.0)  # of sound and of firings; for an hour times hold within 1e-9 s


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class SpeedCurve:
    """Speed in rpm at rising times, linear between them.

    Attributes
    ----------
    time_s : ndarray, shape (n,), strictly increasing
    rpm : ndarray, shape (n,), 20 to 15000

    Raises
    ------
    SpeedError
        Not numbers, times that do not rise, lengths that differ, speeds out of range.
    """

    time_s: Floats
    rpm: Floats
    _angle_deg: Floats
    _half_slope: Floats  # half the angular acceleration of each piece, degrees per second squared; 0 past the end

    def __init__(self, *, time_s: ArrayLike, rpm: ArrayLike) -> None:
        try:
            times, speeds = (np.array(values, dtype=np.float64) for values in (time_s, rpm))
        except (TypeError, ValueError, OverflowError):
            raise SpeedError("speed curve: times and speeds must be two lists of numbers") from None
        if times.ndim != 1 or times.shape != speeds.shape or not 1 <= times.size <= MAX_POINTS:
            raise SpeedError(f"speed curve: give as many times as speeds, 1 to {MAX_POINTS} of them")
        bad = ~(np.abs(times) <= LATEST_S)
        bad[1:] |= ~(times[1:] > times[:-1])
        if bad.any():
            raise SpeedError(f"speed curve, point {int(np.argmax(bad)) + 1}: times must be numbers that rise, to 1e9 s")
        for index in np.flatnonzero(~((speeds >= checks.RPM_MIN) & (speeds <= checks.RPM_MAX)))[:1]:
            try:
                checks.rpm(speeds[index])
            except RangeError as e:
                raise SpeedError(f"speed curve, point {index + 1}: {e}") from None
        turning, piece_s = rpm_to_deg_per_s(speeds), np.diff(times)
        with np.errstate(over="ignore"):
            half_slope = np.concatenate((0.5 * np.diff(turning) / piece_s, [0.0]))
        if not np.all(np.isfinite(half_slope)):
            raise SpeedError("speed curve: the speed jumps; leave 0.001 s or more between two points")
        angle = np.concatenate(([0.0], np.cumsum(0.5 * (turning[1:] + turning[:-1]) * piece_s)))
        for name, array in (("time_s", times), ("rpm", speeds), ("_half_slope", half_slope), ("_angle_deg", angle)):
            array.flags.writeable = False
            object.__setattr__(self, name, array)
        # So that the crank stands at 0 when time is 0.
        object.__setattr__(self, "_angle_deg", angle - self._turned(np.zeros(1)))

    @classmethod
    def steady(cls, rpm: float) -> "SpeedCurve":
        """Return one speed for all time."""
        return cls(time_s=[0.0], rpm=[rpm])

    @classmethod
    def ramp(cls, low_rpm: float, high_rpm: float, duration_s: float) -> "SpeedCurve":
        """Return a linear change from one speed to another over `duration_s`, steady after it."""
        return cls(time_s=[0.0, duration_s], rpm=[low_rpm, high_rpm])

    @classmethod
    def blip(cls, idle_rpm: float, top_rpm: float, duration_s: float) -> "SpeedCurve":
        """Return an idle with the throttle snapped open and shut, once in every 3 s or so of `duration_s`.

        The speed climbs for 0.3 s, ever more slowly, and falls back over 1.1 s (common practice); both are shorter in
        the same proportion where the blips come closer together than 3 s.

        Parameters
        ----------
        idle_rpm, top_rpm : float
        duration_s : float
            0.01 s to an hour.

        Raises
        ------
        RangeError
            A value out of range.
        """
        idle_rpm, top_rpm = checks.rpm(idle_rpm, "idle_rpm"), checks.rpm(top_rpm, "top_rpm")
        low, high = DURATIONS_S
        duration_s = checks.seconds("duration_s", duration_s, low=low, high=high)
        count = max(round(duration_s / 3.0), 1)
        period_s = duration_s / count
        size = min(period_s / 3.0, 1.0)
        climb, fall = np.linspace(0.0, 1.0, 7), np.linspace(0.0, 1.0, 13)
        shape_s = np.concatenate((0.3 * climb, 0.3 + 1.1 * fall[1:])) * size
        share = np.concatenate((1.0 - (1.0 - climb) ** 2, (1.0 - fall[1:]) ** 2))
        start_s = period_s * (np.arange(count) + 0.5) - 0.5 * size
        times = (start_s[:, None] + shape_s).ravel()
        return cls(time_s=times, rpm=np.tile(idle_rpm + (top_rpm - idle_rpm) * share, count))

    @property
    def is_steady(self) -> bool:
        """Whether the speed never changes."""
        return bool(np.all(self.rpm == self.rpm[0]))

    def rpm_at(self, time_s: ArrayLike) -> Floats:
        """Return the speed at given times."""
        return np.interp(_numbers("time_s", time_s), self.time_s, self.rpm)

    def crank_deg(self, time_s: ArrayLike) -> Floats:
        """Return the crank angle turned since time 0, degrees, at given times (negative before time 0)."""
        return self._turned(np.atleast_1d(_numbers("time_s", time_s)))

    def _turned(self, at_s: Floats) -> Floats:
        piece = np.maximum(np.searchsorted(self.time_s, at_s, side="right") - 1, 0)
        since = at_s - self.time_s[piece]
        half_slope = np.where(since < 0, 0.0, self._half_slope[piece])
        turning = rpm_to_deg_per_s(self.rpm[piece])
        return np.asarray(self._angle_deg[piece] + turning * since + half_slope * since * since)

    def time_at_deg(self, crank_deg: ArrayLike) -> Floats:
        """Return the times at which the crank stands at given angles: the exact inverse of `crank_deg`."""
        angles = np.atleast_1d(_numbers("crank_deg", crank_deg))
        piece = np.maximum(np.searchsorted(self._angle_deg, angles, side="right") - 1, 0)
        rise = angles - self._angle_deg[piece]
        start = rpm_to_deg_per_s(self.rpm[piece])
        half_slope = np.where(rise < 0, 0.0, self._half_slope[piece])
        # 2 c / (b + sqrt(b^2 + 4 a c)) is the root that stays exact as the slope goes to zero.
        root = np.sqrt(np.maximum(start * start + 4.0 * half_slope * rise, 0.0))
        return np.asarray(self.time_s[piece] + 2.0 * rise / (start + root))


def _numbers(name: str, values: ArrayLike) -> Floats:
    try:
        return np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError, OverflowError):
        raise RangeError(f"{name}: give a number, or a list of them") from None


def from_csv(path: Path) -> SpeedCurve:
    """Read a speed curve from a CSV file with the header ``time_s,rpm``.

    Raises
    ------
    SpeedError
        The file cannot be read, or a line is not two numbers; the message names the line.
    """
    from pulse_audio.files import shown, unread_reason

    try:
        with path.open("rb") as stream:
            raw = stream.read(MAX_FILE_BYTES + 1)
        text = raw.decode("utf-8-sig")
    except OSError as e:
        raise SpeedError(f"speed file {shown(path)}: {unread_reason(e)}") from e
    except UnicodeDecodeError as e:
        raise SpeedError(f"speed file {shown(path)} is no text in UTF-8; save it so, with lines of time_s,rpm") from e
    if len(raw) > MAX_FILE_BYTES:
        raise SpeedError(f"speed file {shown(path)}: larger than {MAX_FILE_BYTES} bytes")
    try:
        rows = [(n, row) for n, row in enumerate(csv.reader(io.StringIO(text)), start=1) if row]
    except csv.Error as e:
        raise SpeedError(f"speed file {shown(path)} is no CSV ({e}); give lines of time_s,rpm") from e
    if not rows or [cell.strip() for cell in rows[0][1]] != ["time_s", "rpm"]:
        raise SpeedError(f"speed file {shown(path)}: the first line must be time_s,rpm")
    points: list[tuple[float, float]] = []
    for line, row in rows[1:]:
        try:
            time, rpm = (float(cell) for cell in row)
        except ValueError:
            raise SpeedError(f"speed file {shown(path)}, line {line}: give two numbers, time_s,rpm") from None
        points.append((time, rpm))
    if not points:
        raise SpeedError(f"speed file {shown(path)} holds no points; give lines of time_s,rpm")
    try:
        return SpeedCurve(time_s=[p[0] for p in points], rpm=[p[1] for p in points])
    except SpeedError as e:
        raise SpeedError(f"speed file {shown(path)}: {e}") from None
