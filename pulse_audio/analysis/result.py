"""What the analysis answers, and what it may be told beforehand."""

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True, slots=True)
class Hints:
    """What is known about the engine beforehand; each narrows the readings.

    Attributes
    ----------
    strokes : int or None
        2 or 4.
    cylinders : int or None
    rpm : tuple of float or None
        Lowest and highest speed.
    layout : str or None
        A layout argument (name, path or intervals) to compare the recording with.
    """

    strokes: int | None = None
    cylinders: int | None = None
    rpm: tuple[float, float] | None = None
    layout: str | None = None

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
        Catalogue layouts that fire like this; sound cannot tell them apart. Empty where none is known.
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
        Degrees between pulses and their standard deviations, adding up to the cycle of the first reading. Those of an
        even rhythm are what such an engine has, with no deviation; they are not measured.
    pulse_level_db : tuple of float or None
        Level of each pulse against the mean pulse; None where nothing tells the pulses apart.
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
