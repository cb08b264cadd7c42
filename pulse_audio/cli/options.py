"""Argument types and options that several commands share. Nothing heavy is loaded until a value is converted."""

import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from pulse_audio import checks
from pulse_audio.cli.paths import PICTURE, note_read
from pulse_audio.errors import PulseError, RangeError
from pulse_audio.files import is_path, shown

if TYPE_CHECKING:
    from pulse_audio.layout import Layout
    from pulse_audio.speed import SpeedCurve

F = TypeVar("F", bound=Callable[..., Any])
SAMPLE_RATES_HZ = (8_000, 192_000)


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
    def words(self) -> str:
        """The speed as it stands in a sentence: ``at 900 rpm``."""
        if self.from_file is not None:
            return f"at the speeds of {shown(self.text)}"
        if self.low_rpm == self.high_rpm:
            return f"at {self.low_rpm:g} rpm"
        return f"from {self.low_rpm:g} to {self.high_rpm:g} rpm"

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
            layout = find_layout(value)
        except PulseError as e:
            self.fail(str(e), param, ctx)
        if is_path(value):
            note_read(ctx, value)
        return layout


class ExhaustType(click.ParamType):  # type: ignore[type-arg]  # generic only in newer releases
    """An exhaust's name or a path to a TOML file; converts to an Exhaust."""

    name = "exhaust"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return the exhaust, or fail with the nearest names."""
        from pulse_audio.exhaust import find_exhaust

        if not isinstance(value, str):
            return value
        try:
            exhaust = find_exhaust(value)
        except PulseError as e:
            self.fail(str(e), param, ctx)
        if is_path(value):
            note_read(ctx, value)
        return exhaust


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

                note_read(ctx, text)
                return Speed(text=text, from_file=from_csv(Path(text)))
            rpm = checks.rpm(text)
            return Speed(text=text, low_rpm=rpm, high_rpm=rpm)
        except PulseError as e:
            self.fail(f"{e}; a speed is a number, a ramp such as 900:4000, or a CSV file with time_s,rpm", param, ctx)


class Within(click.FloatRange):
    """A range of numbers, told in plain words with its unit; unlike click's own it refuses nan."""

    name = "number"

    def __init__(self, low: float, high: float, unit: str = "", *, min_open: bool = False) -> None:
        super().__init__(low, high, min_open=min_open)
        self._words = f"{'more than ' * min_open}{low:g} {'up ' * min_open}to {high:g} {unit}".rstrip()

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return the number, or fail with the range."""
        try:
            number = float(value)
        except ValueError:
            number = float("nan")
        if number != number:  # noqa: PLR0124  # only nan differs from itself
            self.fail(f"{value!r} is not a number; give {self._words}", param, ctx)
        return super().convert(number, param, ctx)

    def _describe_range(self) -> str:
        return self._words


class Whole(click.IntRange):
    """A range of whole numbers, told in plain words; without `high` there is no end to it."""

    name = "number"

    def __init__(self, low: int, high: int | None = None, unit: str = "") -> None:
        super().__init__(low, high)
        self._words = f"{low} or more" if high is None else f"{low} to {high} {unit}".rstrip()

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return the number, or fail with the range."""
        try:
            number = int(value)
        except ValueError:
            self.fail(f"{value!r} is not a whole number; give {self._words}", param, ctx)
        return super().convert(number, param, ctx)

    def _describe_range(self) -> str:
        return self._words


LAYOUT = LayoutType()
EXHAUST = ExhaustType()
RPM = RpmType()
SPEED = SpeedType()


def layout_argument(*, many: bool = False) -> Callable[[F], F]:
    """Return the argument LAYOUT as ``layout``, or one or more of them, no two the same, as ``layouts``."""
    if many:
        return click.argument("layouts", type=LAYOUT, nargs=-1, required=True, metavar="LAYOUT...", callback=_each_once)
    return click.argument("layout", type=LAYOUT, metavar="LAYOUT")


def _each_once(_ctx: click.Context, _param: click.Parameter, layouts: tuple["Layout", ...]) -> tuple["Layout", ...]:
    twice = next((this for number, this in enumerate(layouts) if this in layouts[:number]), None)
    if twice is not None:
        raise click.BadParameter(f"{shown(twice.name)} is given twice; give each layout once")
    return layouts


def duration_option(usual_s: float, low_s: float, high_s: float, what: str = "Length") -> Callable[[F], F]:
    """Return the option --duration as ``duration_s``; None, if it is not given, is for `lasting` to fill in."""
    return click.option(
        "--duration",
        "duration_s",
        type=Within(low_s, high_s, "s"),
        metavar="S",
        help=f"{what} in seconds; if not given, {usual_s:g}, or that of the CSV file.",
    )


def lasting(given_s: float | None, speed: Speed, usual_s: float, low_s: float, high_s: float) -> float:
    """Return how long to sound, in seconds: as given, else as long as a speed file, else as usual.

    A note on stderr says where the given duration cuts a speed file short, or goes on beyond its end.

    Raises
    ------
    click.UsageError
        No duration is given, and the speed file's length is outside `low_s` to `high_s`.
    """
    end_s = 0.0 if speed.from_file is None else float(speed.from_file.time_s[-1])
    if end_s <= 0:
        return usual_s if given_s is None else given_s
    name = shown(speed.text)
    if given_s is None:
        if not low_s <= end_s <= high_s:
            raise click.UsageError(f"{name} lasts {end_s:g} s; give --duration, {low_s:g} to {high_s:g} s")
        return end_s
    if given_s < end_s:
        click.echo(f"note: {name} lasts {end_s:g} s; without --duration all of it sounds", err=True)
    if given_s > end_s:
        click.echo(f"note: {name} lasts {end_s:g} s; its last speed is held from then on", err=True)
    return given_s


def note_less_than_a_cycle(layout: "Layout", curve: "SpeedCurve", duration_s: float) -> None:
    """Say on stderr where not even one cycle of a layout fits into a duration."""
    cycle_s = float(curve.time_at_deg(layout.cycle_deg)[0])
    if duration_s < cycle_s:
        click.echo(
            f"note: {duration_s:g} s hold less than one cycle of {shown(layout.name)}, which takes {cycle_s:.3g} s "
            "here; give a longer --duration",
            err=True,
        )


force_option = click.option("--force", is_flag=True, help="Replace files that exist.")
figure_option = click.option("--figure", type=PICTURE, metavar="FILE", help="Also draw it (.png, .svg or .pdf).")
json_option = click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")
SEED = Whole(0, 2**32 - 1)
seed_option = click.option(
    "--seed",
    type=SEED,
    default=0,
    show_default=True,
    help="Start of the random numbers; the same seed gives the same samples.",
)
sample_rate_option = click.option(
    "--sample-rate",
    "sample_rate_hz",
    type=Whole(*SAMPLE_RATES_HZ, "Hz"),
    default=48_000,
    show_default=True,
    metavar="HZ",
    help="Samples a second.",
)
bits_option = click.option(
    "--bits",
    type=click.Choice(["16", "24", "float"]),
    help="Sample format of WAV and FLAC files; if not given, 16.",
)
speed_option = click.option(
    "--rpm",
    "speed",
    type=SPEED,
    default="900",
    show_default=True,
    metavar="RPM|LO:HI|CSV",
    help="Crank speed: steady, a ramp over the duration, or a file of time_s,rpm.",
)
rod_ratio_option = click.option(
    "--rod-ratio",
    type=Within(0.0, 0.5),
    default=0.25,
    show_default=True,
    help="Crank radius over connecting-rod length; a rod of 1.75 strokes has 0.286.",
)
