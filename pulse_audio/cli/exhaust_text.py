"""What ``explain --exhaust`` says: an exhaust's resonances, its transmission loss, and the orders that come out."""

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pulse_audio.exhaust_facts import ExhaustFacts, OrderLevel

BAR, FLOOR_DB = 30, -60.0
MOST_ORDERS = 12


def exhaust_dict(facts: "ExhaustFacts") -> dict[str, Any]:
    """Return everything that is shown, as plain values; null where an order vanishes."""
    return {
        "name": facts.name,
        "title": facts.title,
        "open_ends": facts.open_ends,
        "resonances_hz": facts.resonances_hz,
        "transmission_loss_db": [{"octave_hz": band, "loss_db": round(loss, 2)} for band, loss in facts.loss_db],
        "cylinders_differ": facts.unequal,
        "orders": [
            {
                "order": o.order,
                "frequency_hz": round(o.frequency_hz, 3),
                "pulses": round(o.pulses, 6),
                "level_db": round(o.level_db, 2) if math.isfinite(o.level_db) else None,
            }
            for o in facts.orders
        ],
    }


def exhaust_sentences(facts: "ExhaustFacts") -> Iterator[str]:
    """Yield what it does, a sentence each."""
    ends = "one open end" if facts.open_ends == 1 else f"{facts.open_ends} open ends"
    yield f"{facts.title or facts.name}; {ends}."
    rings = ", ".join(f"{hz:.0f}" for hz in facts.resonances_hz)
    yield f"Rings at {rings} Hz." if rings else "No resonance stands out."
    if facts.loss_db:
        losses = ", ".join(f"{loss:.0f} at {band:g} Hz" for band, loss in facts.loss_db)
        yield f"Its sections hold back, in dB by octave (transmission loss): {losses}."
    else:
        yield "Nothing stands behind the primaries that could hold sound back."
    if facts.unequal:
        yield "The cylinders sound through unequal pipes: orders at which equal pulses would cancel are heard too."


def order_rows(facts: "ExhaustFacts") -> Iterator[str]:
    """Yield a table of the orders that come out, the loudest 0 dB."""
    yield "  order      Hz   at the valves   outside, dB"
    shown = [o for o in facts.orders if o.level_db > FLOOR_DB]
    for order in shown[:MOST_ORDERS]:
        yield _row(order)
    quiet = len(facts.orders) - len(shown)
    if quiet:
        yield f"  {quiet} more up to order {facts.orders[-1].order:g} cancel or are more than {-FLOOR_DB:g} dB weaker."


def _row(order: "OrderLevel") -> str:
    bar = "#" * round(BAR * (1 - order.level_db / FLOOR_DB))
    return f"  {order.order:5g}{order.frequency_hz:8.1f}{order.pulses:16.2f}{order.level_db:14.1f}  {bar}".rstrip()
