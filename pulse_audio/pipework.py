"""How an exhaust sounds: from a puff of gas at one valve to the sound pressure outside, over frequency.

Where primaries meet, the pipes of the other cylinders are branches closed at the valve. The firing cylinder is a source
of volume velocity whose open valve takes up part of the sound that comes back.
"""

from functools import lru_cache

import numpy as np

from pulse_audio import ducts
from pulse_audio.ducts import Complexes, Floats, FourPole
from pulse_audio.errors import ExhaustError
from pulse_audio.exhaust import Exhaust, Section, pairs
from pulse_audio.layout import Layout

AUDIBLE_HZ = (20.0, 2000.0)  # what damps by friction damps more above
# At 15000 rpm a litre of gas in each cycle then makes 2 x 125 1/s x 0.001 m3 x this = 2.5 uPa, an eighth of the
# threshold of hearing (20 uPa, the reference of sound pressure level).
FAINTEST = 1e-5  # Pa s/m3 at 1 m


def _duct(exhaust: Exhaust, section: Section, frequency_hz: Floats) -> FourPole:
    return ducts.pipe(
        frequency_hz, section.length_m, section.bore_m / 2, ducts.exhaust_gas(section.gas_c), exhaust.wall_factor
    )


def section_chain(exhaust: Exhaust, frequency_hz: Floats) -> FourPole:
    """Return the matrix of the sections behind a collector, with the losses of the steady flow where bores change."""
    chain = ducts.series_resistance(frequency_hz, 0.0)
    before = None
    for section in exhaust.sections:
        if before is not None:
            narrow = min(before, section, key=lambda duct: duct.bore_m)
            heads = ducts.lost_heads(before.bore_m**2, section.bore_m**2)
            resistance = _flow_resistance(exhaust, narrow, exhaust.sections[-1], heads)
            chain = chain.then(ducts.series_resistance(frequency_hz, resistance))
        chain = chain.then(_duct(exhaust, section, frequency_hz))
        before = section
    return chain


def _flow_resistance(exhaust: Exhaust, section: Section, end: Section, heads: float) -> float:
    """Resistance of lost heads in a section; the same mass flows there and at the open end."""
    gas, end_gas = ducts.exhaust_gas(section.gas_c), ducts.exhaust_gas(end.gas_c)
    flux = end_gas.density * end_gas.sound_speed * end.bore_m**2
    mach = exhaust.flow_mach * flux / (gas.density * gas.sound_speed * section.bore_m**2)
    return ducts.flow_resistance(mach, section.bore_m / 2, gas, heads)


def _open_end(exhaust: Exhaust, end: Section, frequency_hz: Floats) -> Complexes:
    """Load at the open end: its radiation, and the velocity head that the jet carries away."""
    radiation = ducts.open_end_impedance(frequency_hz, end.bore_m / 2, ducts.exhaust_gas(end.gas_c))
    return radiation + _flow_resistance(exhaust, end, end, 1.0)


def response(exhaust: Exhaust, layout: Layout, frequency_hz: Floats) -> Complexes:
    """Return sound pressure at the listener per volume velocity at each valve.

    Parameters
    ----------
    exhaust : Exhaust
    layout : Layout
    frequency_hz : ndarray, shape (n,), above 0

    Returns
    -------
    ndarray of complex, shape (cylinders, n)
        Pa s/m3, without the delay from open end to listener.

    Raises
    ------
    ExhaustError
        Groups of cylinder numbers that do not fit the layout, or a cylinder that is not heard.
    """
    check_heard(exhaust, layout)
    return _response(exhaust, layout, frequency_hz)


@lru_cache(maxsize=64)
def check_heard(exhaust: Exhaust, layout: Layout) -> None:
    """Raise ExhaustError if the groups do not fit the layout, or a cylinder is not heard through the exhaust."""
    with np.errstate(over="ignore", invalid="ignore"):  # flow far above the speed of sound: no numbers, not heard
        heard = np.abs(_response(exhaust, layout, np.geomspace(*AUDIBLE_HZ, 200))) * exhaust.distance_m
    for number, row in enumerate(heard, start=1):
        if not row.max() >= FAINTEST:
            raise ExhaustError(
                f"exhaust {exhaust.name!r}: nothing is heard of cylinder {number}; "
                "give wider or shorter pipes, a smaller wall_factor, or a smaller flow_mach"
            )


def _response(exhaust: Exhaust, layout: Layout, frequency_hz: Floats) -> Complexes:
    pipes = [exhaust.primary[i % len(exhaust.primary)] for i in range(len(layout.cylinders))]
    tail = section_chain(exhaust, frequency_hz)
    result = np.zeros((len(pipes), frequency_hz.size), dtype=np.complex128)
    done: dict[tuple[Section, tuple[Section, ...], tuple[tuple[Section, ...], ...]], Complexes] = {}
    for group in exhaust.groups(layout):
        inner = list(pairs(layout)) if exhaust.join == "pairs-then-all" else [group]
        for own in inner:
            others = tuple(sorted((tuple(pipes[k] for k in pair) for pair in inner if pair != own), key=repr))
            for i in own:
                beside = tuple(sorted((pipes[k] for k in own if k != i), key=repr))
                key = (pipes[i], beside, others)
                if key not in done:  # cylinders that see the same pipes sound the same
                    done[key] = _one_response(exhaust, pipes[i], beside, others, tail=tail, frequency_hz=frequency_hz)
                result[i] = done[key]
    return result


def _one_response(
    exhaust: Exhaust,
    primary: Section,
    beside: tuple[Section, ...],
    others: tuple[tuple[Section, ...], ...],
    *,
    tail: FourPole,
    frequency_hz: Floats,
) -> Complexes:
    """Response of a cylinder whose primary meets those `beside` it, and further on the groups of `others`."""
    end = exhaust.sections[-1] if exhaust.sections else primary
    load = _open_end(exhaust, end, frequency_hz)
    path = _duct(exhaust, primary, frequency_hz)
    path = path.then(ducts.side_branch(frequency_hz, _closed_pipes(exhaust, beside, frequency_hz)))
    if exhaust.second is not None:
        second = _duct(exhaust, exhaust.second, frequency_hz)
        branches = np.zeros_like(load)
        for group in others:
            closed = _closed_pipes(exhaust, group, frequency_hz)
            branches = branches + (second.C + second.D * closed) / (second.A + second.B * closed)
        path = path.then(second).then(ducts.side_branch(frequency_hz, branches))
    path = path.then(tail)
    gain = path.velocity_gain(load)
    if exhaust.valve_reflection < 1:
        # The open valve takes sound up: a source with a resistance across it instead of a rigid wall.
        z = ducts.wave_impedance(primary.bore_m / 2, ducts.exhaust_gas(primary.gas_c))
        across = z * (1 + exhaust.valve_reflection) / (1 - exhaust.valve_reflection)
        gain = gain / (1 + path.input_impedance(load) / across)
    return np.asarray(gain * ducts.monopole_pa(frequency_hz, exhaust.distance_m))


def _closed_pipes(exhaust: Exhaust, pipes: tuple[Section, ...], frequency_hz: Floats) -> Complexes:
    """Admittance of pipes that end at closed valves, side by side."""
    total = np.zeros(frequency_hz.shape, dtype=np.complex128)
    for section in set(pipes):
        matrix = _duct(exhaust, section, frequency_hz)
        total += pipes.count(section) * matrix.C / matrix.A
    return total
