"""What the analysis answers, and what it may be told beforehand."""

from dataclasses import dataclass

from pulse_audio import checks
from pulse_audio.errors import RangeError
from pulse_audio.layout import MAX_CYLINDERS


@dataclass(frozen=True, kw_only=True, slots=True)
class Hints:
    """What is known about the engine beforehand; each narrows the readings.

    Attributes
    ----------
    strokes : int or None
        2 or 4.
    cylinders : int or None
        1 to 48.
    rpm : tuple of float or None
        Lowest and highest speed, 20 to 15000.
    layout : str or None
        A layout argument (name, path or intervals) to compare the recording with.

    Raises
    ------
    RangeError
        A value out of range, or speeds that are not a lowest and a highest one.
    """

    strokes: int | None = None
    cylinders: int | None = None
    rpm: tuple[float, float] | None = None
    layout: str | None = None

    def __post_init__(self) -> None:
        """Refuse what no engine has."""
        if self.strokes not in (None, 2, 4):
            raise RangeError(f"strokes={self.strokes!r} must be 2 or 4")
        if self.cylinders is not None:
            object.__setattr__(self, "cylinders", checks.whole("cylinders", self.cylinders, low=1, high=MAX_CYLINDERS))
        if self.rpm is not None:
            try:
                low, high = self.rpm
            except (TypeError, ValueError):
                raise RangeError(
                    f"rpm={self.rpm!r} must be a lowest and a highest speed, such as (800, 3000)"
                ) from None
            low, high = checks.rpm(low), checks.rpm(high)
            if low > high:
                raise RangeError(f"rpm={self.rpm!r}: give the lowest speed first, such as ({high:g}, {low:g})")
            object.__setattr__(self, "rpm", (low, high))
        if self.layout is not None:
            checks.kind("layout", self.layout, str)

    @property
    def describe_engine(self) -> bool:
        """Whether they say that it is an engine, not only ask whether it fires like one."""
        return any(known is not None for known in (self.strokes, self.cylinders, self.rpm))


@dataclass(frozen=True, kw_only=True, slots=True)
class Reading:
    """One engine that would sound like the recording.

    Attributes
    ----------
    layouts : tuple of str
        Catalogue layouts, or the one asked for, that fire like this; sound cannot tell them apart. Empty where none is
        known.
    strokes, cylinders : int
    rpm : float
        Mean speed over the span.
    probability : float
        0 to 1; all readings together with "none of these" make 1.
    agrees : bool
        Whether it fires as verdict and intervals say.
    """

    layouts: tuple[str, ...]
    strokes: int
    cylinders: int
    rpm: float
    probability: float
    agrees: bool = True


@dataclass(frozen=True, kw_only=True, slots=True)
class Analysis:
    """The answer about one clip; field by field the JSON contract.

    Attributes
    ----------
    duration_s, sample_rate_hz, span_s
        The clip, and the part of it that the answer is about.
    verdict : str
        ``even``, ``uneven``, ``undetermined`` or ``no-rhythm``.
    confidence : float
        Probability that verdict and intervals are right.
    firing_rate_hz, firing_rate_sd_hz : float or None
        Mean firings per second over the span, and its standard deviation.
    cycle_rate_hz : float or None
        Rate at which the pattern repeats; None where even firing hides it.
    intervals_deg, intervals_sd_deg : tuple of float or None
        Degrees between pulses, where the crank most likely puts them, and their standard deviations, adding up to the
        cycle of the first reading. Those of an even rhythm are what such an engine has, with no deviation; they are not
        measured.
    pulse_level_db : tuple of float or None
        Level of each pulse against the mean pulse, rough; None where nothing tells the pulses apart.
    weak_share : tuple of float or None
        Share of cycles in which each pulse is missing or weak against the mean pulse.
    speed_track : tuple of (time_s, rpm)
        Speed of the first reading, at times at which the sound shows it.
    readings : tuple of Reading
        First those that agree with verdict and intervals, most probable first; then the others.
    layout_match : dict or None
        With a layout hint: ``answer`` (yes, no, can't tell), ``odds``, ``where``.
    notes : tuple of str
        What the listener should know: faults of the recording, limits of the answer.
    """

    duration_s: float
    sample_rate_hz: int
    span_s: tuple[float, float]
    verdict: str
    confidence: float
    firing_rate_hz: float | None = None
    firing_rate_sd_hz: float | None = None
    cycle_rate_hz: float | None = None
    intervals_deg: tuple[float, ...] | None = None
    intervals_sd_deg: tuple[float, ...] | None = None
    pulse_level_db: tuple[float, ...] | None = None
    weak_share: tuple[float, ...] | None = None
    speed_track: tuple[tuple[float, float], ...] = ()
    readings: tuple[Reading, ...] = ()
    layout_match: dict[str, object] | None = None
    notes: tuple[str, ...] = ()

    @property
    def is_told(self) -> bool:
        """Whether it says how an engine fires: the verdict is ``even`` or ``uneven``."""
        return self.verdict in ("even", "uneven")
