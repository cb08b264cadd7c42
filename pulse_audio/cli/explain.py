"""``firing-pulse explain``: how a layout fires, what the ear hears of it, and what it does to the engine."""

import json
import textwrap
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pulse_audio.cli.exhaust_text import exhaust_dict, exhaust_sentences, order_rows
from pulse_audio.cli.options import (
    EXHAUST,
    RPM,
    Within,
    figure_option,
    force_option,
    json_option,
    layout_argument,
    rod_ratio_option,
)
from pulse_audio.cli.paths import check_outputs
from pulse_audio.units import firing_hz

if TYPE_CHECKING:
    from pulse_audio.exhaust import Exhaust
    from pulse_audio.exhaust_facts import ExhaustFacts
    from pulse_audio.layout import Cylinder, Layout

WIDTH = 79
BAR = 40
SHOWN_ORDERS = 6.0
STRONG = 0.9  # of all pulses in step
SPEEDS = {0.2: "a fifth of", 0.25: "a quarter of", 1 / 3: "a third of", 0.5: "half", 2.0: "twice", 3.0: "three times"}


@click.command()
@layout_argument()
@click.option("--rpm", type=RPM, default=900, show_default=True, help="Steady speed for what the ear hears.")
@click.option("--exhaust", type=EXHAUST, metavar="NAME|FILE", help="Also tell what this exhaust does to it at --rpm.")
@rod_ratio_option
@json_option
@figure_option
@click.option(
    "--crank-angle",
    "crank_deg",
    type=Within(-720, 720, "degrees"),
    default=0.0,
    show_default=True,
    metavar="DEG",
    help="Angle at which the figure shows the crank.",
)
@force_option
def command(
    *,
    layout: "Layout",
    rpm: float,
    exhaust: "Exhaust | None",
    rod_ratio: float,
    as_json: bool,
    figure: Path | None,
    crank_deg: float,
    force: bool,
) -> None:
    """Show how a layout fires, and why.

    LAYOUT is a name from the command layouts, a path to a TOML file, or intervals alone such as 270-450.
    """
    from pulse_audio.files import shown

    facts = None
    if exhaust:
        from pulse_audio.exhaust_facts import exhaust_facts

        facts = exhaust_facts(exhaust, layout, rpm)
    check_outputs(figure, force=force)
    if as_json:
        answer = as_dict(layout, rpm, rod_ratio)
        click.echo(json.dumps(answer | {"exhaust": exhaust_dict(facts)} if facts else answer, allow_nan=False))
    else:
        for line in (*as_text(layout, rpm, rod_ratio), *(_through(facts, rpm) if facts else ())):
            click.echo(shown(line))
    if figure:
        from pulse_audio import figures

        drawing = figures.explain_figure(layout, crank_deg=crank_deg, rod_ratio=rod_ratio)
        figures.write_figure(figure, drawing, force=force)
        click.echo(f"wrote {shown(figure)}", err=True)


def as_dict(layout: "Layout", rpm: float, rod_ratio: float) -> dict[str, Any]:
    """Return everything that is shown, as plain values."""
    from pulse_audio.catalogue import sound_alikes
    from pulse_audio.hearing import hearing, sentences
    from pulse_audio.orders import order_table, top_order

    heard = hearing(layout, rpm)
    table = order_table(layout, highest_order=top_order(layout))
    return {
        "name": layout.name,
        "title": layout.title,
        "note": layout.note,
        "source": layout.source,
        "part_of": layout.part_of or None,
        "strokes": layout.strokes,
        "cylinders": [
            {
                "bank_deg": c.bank_deg,
                "throw_deg": c.throw_deg,
                "offset": c.offset,
                "tdc_deg": _dead_centres(layout, c),
                "firing_deg": c.firing_deg,
            }
            for c in layout.cylinders
        ],
        "firing_order": layout.firing_order,
        "intervals_deg": [round(i, 3) for i in layout.intervals_deg],
        "even": layout.is_even,
        "firing_rate_hz": firing_hz(rpm, len(layout.cylinders), layout.strokes),
        "orders": [{"order": o, "share": round(s, 6)} for o, s in zip(table.order, table.share, strict=True)],
        "heard": {
            "rpm": heard.rpm,
            "kind": heard.kind,
            "pulse_rate_hz": heard.pulse_hz,
            "pattern_rate_hz": heard.pattern_hz,
            "gaps_ms": [1000 * gap for gap in heard.gaps_s],
            "text": sentences(heard),
        },
        "sounds_like": [{"layout": n, "speed_ratio": round(r, 6)} for n, r in sound_alikes(layout).items()],
        "balance": _balance_dict(layout, rod_ratio),
    }


def _balance_dict(layout: "Layout", rod_ratio: float) -> dict[str, Any] | None:
    from pulse_audio.balance import balance
    from pulse_audio.balance_words import facts, in_short

    if not layout.has_geometry or layout.part_of:
        return None
    found = balance(layout, rod_ratio=rod_ratio)
    shown: dict[str, Any] = {"rod_ratio": found.rod_ratio, "in_short": in_short(layout, found)}
    for fact in facts(layout, found):
        shown[fact.topic.replace(" ", "_")] = {"value": round(fact.value, 6), "text": fact.text}
    return shown


def as_text(layout: "Layout", rpm: float, rod_ratio: float) -> Iterator[str]:
    """Yield the lines of the answer."""
    yield from _paragraph(f"{layout.name} - {layout.title}" if layout.title else layout.name, indent="")
    if layout.note:
        yield from _paragraph(layout.note, indent="")
    for title, lines in (
        ("Crank and firing (crank degrees, growing with rotation)", _crank(layout, rpm)),
        ("Orders", _orders(layout)),
        (f"What the ear hears at {rpm:g} rpm", _heard(layout, rpm)),
        ("What sound can't tell from it", _alikes(layout)),
        ("Balance and breathing", _balance(layout, rod_ratio)),
    ):
        yield ""
        yield title
        yield from lines
    if layout.source:
        yield ""
        yield from _paragraph(f"Source of the angles: {layout.source}.", indent="")


def _through(facts: "ExhaustFacts", rpm: float) -> Iterator[str]:
    yield ""
    yield f"Through the exhaust {facts.name} at {rpm:g} rpm"
    for sentence in exhaust_sentences(facts):
        yield from _paragraph(sentence)
    yield ""
    yield from order_rows(facts)


def _paragraph(text: str, *, indent: str = "  ", hang: str | None = None) -> list[str]:
    later = indent if hang is None else hang
    return textwrap.wrap(text, WIDTH, initial_indent=indent, subsequent_indent=later, break_on_hyphens=False)


def _dead_centres(layout: "Layout", cylinder: "Cylinder") -> list[float]:
    """Return every TDC of one cycle; none where throws and banks are not known."""
    if cylinder.tdc_deg is None:
        return []
    return [cylinder.tdc_deg + 360.0 * turn for turn in range(layout.strokes // 2)]


def _degrees(value: float | None) -> str:
    return "-" if value is None else f"{round(value, 2) + 0.0:g}"


def _listed(orders: Iterable[float]) -> str:
    return ", ".join(f"{o:g}" for o in orders) or "none"


def _crank(layout: "Layout", rpm: float) -> Iterator[str]:
    from pulse_audio.hearing import rate_text

    if layout.has_geometry:
        yield "  cylinder   throw    bank     top dead centres   fires at"
        for number, c in enumerate(layout.cylinders, start=1):
            tops = " and ".join(map(_degrees, _dead_centres(layout, c)))
            yield (
                f"  {number:8}{_degrees(c.throw_deg):>8}{_degrees(c.bank_deg):>8}{tops:>21}{_degrees(c.firing_deg):>11}"
            )
    else:
        for number, c in enumerate(layout.cylinders, start=1):
            yield f"  cylinder {number} fires at {_degrees(c.firing_deg)} degrees"
    yield ""
    yield from _paragraph(_labelled("firing order", "-".join(map(str, layout.firing_order))), hang=" " * 17)
    yield from _paragraph(_labelled("intervals", _intervals_words(layout)), hang=" " * 17)
    count = len(layout.cylinders)
    rate = rate_text(firing_hz(rpm, count, layout.strokes))
    rate = f"{rate} a second at {rpm:g} rpm (rpm x {count} / {30 * layout.strokes})"
    yield f"  {_labelled('firing rate', rate)}"


def _labelled(label: str, text: str) -> str:
    return f"{label:13}  {text}"


def _intervals_words(layout: "Layout") -> str:
    from pulse_audio.layout import written

    text = f"{layout.intervals_text} degrees"
    counts = layout.pulse_cylinders
    if max(counts) > 1:
        many = f"{max(counts)}" if len(set(counts)) == 1 else f"up to {max(counts)}"
        apart = _degrees(layout.pulse_intervals_deg[0]) if layout.is_even else written(layout.pulse_intervals_deg)
        text += f"; {many} cylinders fire at once, so the pulses are {apart} apart"
    return f"{text}: {'even' if layout.is_even else 'uneven'}"


def _orders(layout: "Layout") -> Iterator[str]:
    from pulse_audio.orders import order_table, pulse_rate_order

    firing = pulse_rate_order(layout)
    if layout.pulses_are_alike:
        yield from _paragraph(f"All pulses add up at order {firing:g} and its multiples (order 1 is once a turn).")
        if firing * layout.cycle_deg > 360:
            yield from _paragraph(
                "At every other order they cancel; what a recording holds there tells of cylinders that are not alike."
            )
        return
    table = order_table(layout, highest_order=max(2 * firing, SHOWN_ORDERS))
    full = next((o for o, s in zip(table.order, table.share, strict=True) if s > 0.999), table.order[-1])
    table = order_table(layout, highest_order=full)
    rows = list(zip(table.order, table.share, strict=True))
    yield "  order   all pulses add up = 1, they cancel = 0   (order 1 is once a turn)"
    for order, share in rows:
        yield f"  {order:5g}   {share:4.2f}  {'#' * round(BAR * share)}".rstrip()
    strong = [order for order, share in rows if share > STRONG]
    yield from _paragraph(f"Strong: {_listed(strong)}." if strong else f"Strongest: {_listed(table.strongest)}.")
    yield from _paragraph(f"Vanishing: {_listed(table.vanishing)}.")


def _heard(layout: "Layout", rpm: float) -> Iterator[str]:
    from pulse_audio.hearing import hearing, sentences

    heard = hearing(layout, rpm)
    gaps = [f"{1000 * gap:.1f}" for gap in heard.gaps_s]
    shown = gaps[: 1 if layout.is_even else len(gaps) // layout.patterns_per_cycle]
    yield from _paragraph(f"{' and '.join(shown) if len(shown) < 3 else ', '.join(shown)} ms between pulses.")
    for sentence in sentences(heard):
        yield from _paragraph(sentence)


def _alikes(layout: "Layout") -> Iterator[str]:
    from pulse_audio.catalogue import sound_alikes

    by_speed: dict[float, list[str]] = {}
    for name, ratio in sound_alikes(layout).items():
        by_speed.setdefault(round(ratio, 3), []).append(name)
    same = by_speed.pop(1.0, [])
    yield from _paragraph(
        "At the same speed: " + (", ".join(same) if same else "no other named layout") + ".", hang="    "
    )
    if layout.pulses_are_alike:
        yield from _paragraph(
            "At another speed: every layout that fires evenly, at the speed that gives as many pulses."
        )
        return
    for ratio, names in sorted(by_speed.items()):
        words = next((w for r, w in SPEEDS.items() if abs(r - ratio) < 0.001), f"{ratio:g} times")
        yield from _paragraph(f"At {words} the speed: {', '.join(names)}.", hang="    ")


def _balance(layout: "Layout", rod_ratio: float) -> Iterator[str]:
    from pulse_audio.balance import balance
    from pulse_audio.balance_words import facts, in_short
    from pulse_audio.catalogue import layout_names

    if layout.part_of:
        known = layout.part_of in layout_names()
        whole = (
            f"explain {layout.part_of} tells of the whole" if known else f"explain a file of all of {layout.part_of}"
        )
        yield from _paragraph(f"This is a part of an engine; {whole}.")
        return
    if not layout.has_geometry:
        yield from _paragraph("Not known: this layout gives its firing alone, not where throws and banks stand.")
        return
    found = balance(layout, rod_ratio=rod_ratio)
    yield from _paragraph(in_short(layout, found))
    yield ""
    for fact in facts(layout, found):
        yield from _paragraph(f"{fact.topic:16}  {fact.value_text:>5}  {fact.text}", hang=" " * 27)
    yield ""
    yield from _paragraph(
        "Forces in one cylinder's m r omega^2 (piston mass, crank radius, crank speed), couples times the cylinder "
        f"spacing, crankcase in volumes of one cylinder; rod ratio r / l = {rod_ratio:g}; rotating parts balanced."
    )
