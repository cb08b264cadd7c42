"""Argument types and options that several commands share. Nothing heavy is loaded until a value is converted."""

import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from pulse_audio import checks
from pulse_audio.errors import PulseError, RangeError

if TYPE_CHECKING:
    from pulse_audio.speed import SpeedCurve

F = TypeVar("F", bound=Callable[..., Any])
SAMPLE_RATES_HZ = (8_000, 192_000)
MAX_DURATION_S = 3600.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Speed:
    """A speed as given on the command line; `curve` turns it into a speed curve once the duration is known.

    Attributes
    ----------
    text : str
        As typed.
    low_rpm, high_rpm : float
        First and last speed of a steady speed or ramp; not used with a curve from a file.
    from_file : SpeedCurve or None
    """

    text: str
    low_rpm: float = 0.0
    high_rpm: float = 0.0
    from_file: "SpeedCurve | None" = None

    @property
    def steady_rpm(self) -> float | None:
        """The speed if it never changes, else None."""
        return self.low_rpm if self.from_file is None and self.low_rpm == self.high_rpm else None

    def curve(self, duration_s: float) -> "SpeedCurve":
        """Return the speed over time; a ramp takes `duration_s`."""
        from pulse_audio.speed import SpeedCurve

        if self.from_file is not None:
            return self.from_file
        if self.low_rpm == self.high_rpm:
            return SpeedCurve.steady(self.low_rpm)
        return SpeedCurve.ramp(self.low_rpm, self.high_rpm, duration_s)


class LayoutType(click.ParamType):  # type: ignore[type-arg]  # generic only in newer releases
    """A catalogue name, a path to a TOML file, or intervals; converts to a Layout."""

    name = "layout"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return the layout, or fail with the nearest names."""
        from pulse_audio.catalogue import find_layout

        if not isinstance(value, str):
            return value
        try:
            return find_layout(value)
        except PulseError as e:
            self.fail(str(e), param, ctx)


class RpmType(click.ParamType):  # type: ignore[type-arg]  # generic only in newer releases
    """One steady speed in rpm."""

    name = "rpm"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Return the speed as a float within the range that the models hold for."""
        try:
            return checks.rpm(value)
        except RangeError as e:
            self.fail(str(e), param, ctx)


class SpeedType(click.ParamType):  # type: ignore[type-arg]  # generic only in newer releases
    """A steady speed, a ramp ``LO:HI``, or a path to a CSV file; converts to `Speed`."""

    name = "speed"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Speed:
        """Return the speed; a text that is neither a number nor a ramp is taken for a file."""
        if isinstance(value, Speed):
            return value
        text = str(value)
        try:
            if text.count(":") == 1 and not os.path.isfile(text):
                low, high = (checks.rpm(part) for part in text.split(":"))
                return Speed(text=text, low_rpm=low, high_rpm=high)
            if text.lower().endswith(".csv") or os.path.isfile(text):
                from pulse_audio.speed import from_csv

                return Speed(text=text, from_file=from_csv(Path(text)))
            rpm = checks.rpm(text)
            return Speed(text=text, low_rpm=rpm, high_rpm=rpm)
        except PulseError as e:
            self.fail(f"{e}; a speed is a number, a ramp such as 900:4000, or a CSV file with time_s,rpm", param, ctx)


class Within(click.FloatRange):
    """A range of numbers; unlike click's own it refuses what is not a number (nan)."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return the number, or fail with the range."""
        number = super().convert(value, param, ctx)
        if number != number:  # noqa: PLR0124  # only nan differs from itself
            self.fail(f"{value!r} is not a number; give {self._describe_range()}", param, ctx)
        return number


LAYOUT = LayoutType()
RPM = RpmType()
SPEED = SpeedType()
OUTPUT = click.Path(path_type=Path, dir_okay=False)
INPUT = click.Path(path_type=Path)


def layout_argument(*, many: bool = False) -> Callable[[F], F]:
    """Return the argument LAYOUT as ``layout``, or one or more of them as ``layouts``."""
    if many:
        return click.argument("layouts", type=LAYOUT, nargs=-1, required=True, metavar="LAYOUT...")
    return click.argument("layout", type=LAYOUT, metavar="LAYOUT")


def speed_option(default: str = "900") -> Callable[[F], F]:
    """Return the option --rpm as ``speed``, a `Speed`."""
    return click.option(
        "--rpm",
        "speed",
        type=SPEED,
        default=default,
        show_default=True,
        metavar="RPM|LO:HI|CSV",
        help="Crank speed: steady, a ramp over the duration, or a file of time_s,rpm.",
    )


def duration_option(default: float = 6.0) -> Callable[[F], F]:
    """Return the option --duration as ``duration_s``."""
    return click.option(
        "--duration",
        "duration_s",
        type=Within(0.01, MAX_DURATION_S),
        default=default,
        show_default=True,
        metavar="S",
        help="Length in seconds.",
    )


force_option = click.option("--force", is_flag=True, help="Replace files that exist.")
figure_option = click.option("--figure", type=OUTPUT, metavar="FILE", help="Also draw it (.png, .svg or .pdf).")
json_option = click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")
seed_option = click.option(
    "--seed",
    type=click.IntRange(0, 2**32 - 1),
    default=0,
    show_default=True,
    help="Start of the random numbers; the same seed gives the same samples.",
)
sample_rate_option = click.option(
    "--sample-rate",
    "sample_rate_hz",
    type=click.IntRange(*SAMPLE_RATES_HZ),
    default=48_000,
    show_default=True,
    metavar="HZ",
    help="Samples a second.",
)
bits_option = click.option(
    "--bits",
    type=click.Choice(["16", "24", "float"]),
    default="16",
    show_default=True,
    help="Sample format of WAV and FLAC files.",
)
rod_ratio_option = click.option(
    "--rod-ratio",
    type=Within(0.0, 0.5),
    default=0.25,
    show_default=True,
    help="Crank radius over connecting-rod length.",
)
