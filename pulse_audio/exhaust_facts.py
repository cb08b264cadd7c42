"""What an exhaust does to the sound of a layout: where it rings, what its sections hold back, how orders come out."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pulse_audio import ducts
from pulse_audio.exhaust import Exhaust
from pulse_audio.firing import Liveliness
from pulse_audio.layout import Layout
from pulse_audio.orders import order_table, pulse_phases, top_order
from pulse_audio.pipework import response, section_chain
from pulse_audio.pulse import puff_spectrum
from pulse_audio.units import cycle_hz, db_from_ratio

Floats = NDArray[np.float64]

BANDS_HZ = (31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0)  # octaves, ISO 266
RESONANCES = 6
LOWEST_HZ, HIGHEST_HZ, STEP_HZ = 15.0, 2500.0, 0.5
PROMINENT_DB = 2.0


@dataclass(frozen=True, kw_only=True, slots=True)
class OrderLevel:
    """One order at one speed.

    Attributes
    ----------
    order, frequency_hz : float
    pulses : float
        How well the pulses add up at the valves, 1 for all of them.
    level_db : float
        Outside, against the loudest order; minus infinity where the pulses cancel.
    """

    order: float
    frequency_hz: float
    pulses: float
    level_db: float


@dataclass(frozen=True, kw_only=True, slots=True)
class ExhaustFacts:
    """What an exhaust does.

    Attributes
    ----------
    name, title : str
    open_ends : int
    resonances_hz : tuple of float
        Frequencies at which cylinder 1's pulses come out stronger than just below and above, lowest first.
    loss_db : tuple of (float, float)
        Octave band and mean transmission loss of the sections behind the collector in it; empty without sections.
    unequal : bool
        Whether the cylinders sound different from each other.
    orders : tuple of OrderLevel
    """

    name: str
    title: str
    open_ends: int
    resonances_hz: tuple[float, ...]
    loss_db: tuple[tuple[float, float], ...]
    unequal: bool
    orders: tuple[OrderLevel, ...]


def exhaust_facts(exhaust: Exhaust, layout: Layout, rpm: float) -> ExhaustFacts:
    """Return what an exhaust does to a layout at a speed.

    Raises
    ------
    ExhaustError
        Its groups of cylinders do not fit the layout, or a cylinder is not heard through it.
    """
    frequency = np.arange(LOWEST_HZ, HIGHEST_HZ, STEP_HZ)
    heard = response(exhaust, layout, frequency)
    return ExhaustFacts(
        name=exhaust.name,
        title=exhaust.title,
        open_ends=len(exhaust.groups(layout)),
        resonances_hz=_resonances(frequency, np.abs(heard[0]) / frequency)[:RESONANCES],
        loss_db=tuple((band, _band_loss_db(exhaust, band)) for band in BANDS_HZ) if exhaust.sections else (),
        unequal=bool(np.any(heard != heard[0])),
        orders=_orders(exhaust, layout, rpm),
    )


def _resonances(frequency_hz: Floats, size: Floats) -> tuple[float, ...]:
    """Peaks that stand out by `PROMINENT_DB` on both sides."""
    level = 20 * np.log10(size)
    turns = np.flatnonzero(np.diff(np.sign(np.diff(level))) != 0) + 1
    marks = np.concatenate(([0], turns, [level.size - 1]))
    found = []
    for before, here, after in zip(marks[:-2], marks[1:-1], marks[2:], strict=True):
        if level[here] - max(level[before], level[after]) >= PROMINENT_DB:
            found.append(float(frequency_hz[here]))
    return tuple(found)


def transmission_loss_db(exhaust: Exhaust, frequency_hz: Floats) -> Floats:
    """Return the transmission loss of the sections between endless pipes of the first and last section's bore."""
    ends = exhaust.sections[0], exhaust.sections[-1]
    before, after = (ducts.wave_impedance(e.bore_m / 2, ducts.exhaust_gas(e.gas_c)) for e in ends)
    return section_chain(exhaust, frequency_hz).transmission_loss_db(before, after)


def _band_loss_db(exhaust: Exhaust, band_hz: float) -> float:
    """Loss of the mean power over an octave."""
    frequency = np.geomspace(band_hz / np.sqrt(2), band_hz * np.sqrt(2), 200)
    return float(-10 * np.log10(np.mean(10 ** (-transmission_loss_db(exhaust, frequency) / 10))))


def _orders(exhaust: Exhaust, layout: Layout, rpm: float) -> tuple[OrderLevel, ...]:
    table = order_table(layout, highest_order=top_order(layout))
    count = len(table.order)
    frequency = np.arange(1.0, count + 1) * cycle_hz(rpm, layout.strokes)
    puff = puff_spectrum(frequency, rpm, Liveliness().load, layout.strokes)
    each = response(exhaust, layout, frequency) * puff
    phases = pulse_phases([c.firing_deg for c in layout.cylinders], layout.cycle_deg, count)[1:].T
    outside = np.abs(np.sum(each * phases, axis=0))
    outside[outside < 1e-6 * np.sum(np.abs(each), axis=0)] = 0.0
    loudest = float(outside.max()) or 1.0
    return tuple(
        OrderLevel(order=order, frequency_hz=float(hz), pulses=pulses, level_db=db_from_ratio(float(size) / loudest))
        for order, hz, pulses, size in zip(table.order, frequency, table.share, outside, strict=True)
    )
