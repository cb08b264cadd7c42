"""What `explain --exhaust` tells, against closed forms and against the rendered sound."""

import json
from collections.abc import Callable

import numpy as np
import pytest
from click.testing import Result

from pulse_audio import catalogue, ducts
from pulse_audio.exhaust import Exhaust, Section, find_exhaust
from pulse_audio.exhaust_facts import exhaust_facts, transmission_loss_db
from pulse_audio.layout import from_intervals
from pulse_audio.speed import SpeedCurve
from pulse_audio.synth import Synth

Run = Callable[..., Result]


def _section(length_m: float, bore_m: float) -> Section:
    return Section(length_m=length_m, bore_m=bore_m, gas_c=300.0)


def test_transmission_loss_of_a_chamber() -> None:
    """A chamber between equal pipes loses 10 log10[1 + (m - 1/m)^2 sin^2(kL) / 4]: textbooks of duct acoustics.

    In an octave, of sound with the same power in each part of it, what passes is the mean of the share of power.
    """
    bore, ratio, length = 0.04, 9.0, 0.3
    sections = (_section(0.5, bore), _section(length, bore * np.sqrt(ratio)), _section(0.4, bore))
    pipes = Exhaust(name="x", primary=(_section(0.5, bore),), sections=sections, wall_factor=0.0, flow_mach=0.0)

    def passed(hz: np.ndarray) -> np.ndarray:
        k = 2 * np.pi * hz / ducts.exhaust_gas(300.0).sound_speed
        return 1 / (1 + (ratio - 1 / ratio) ** 2 * np.sin(k * length) ** 2 / 4)

    frequency = np.linspace(50.0, 1500.0, 40)
    assert transmission_loss_db(pipes, frequency) == pytest.approx(-10 * np.log10(passed(frequency)), abs=0.01)
    told = dict(exhaust_facts(pipes, catalogue.layout("boxer-twin"), 900.0).loss_db)
    assert list(told) == [31.5, 63, 125, 250, 500, 1000, 2000, 4000]  # octaves of ISO 266, from memory
    for band_hz, loss_db in told.items():
        part = band_hz * 2 ** ((np.arange(10_000) + 0.5) / 10_000 - 0.5)
        # The package takes 200 points: near the chamber's pass bands they miss some hundredths.
        assert loss_db == pytest.approx(-10 * np.log10(passed(part).mean()), abs=0.05)


def test_resonances_of_a_straight_pipe() -> None:
    """A straight pipe rings at its quarter waves, the end corrected by 0.6133 radii; that of cylinder 1 is told."""
    pipes = Exhaust(name="x", primary=(_section(1.0, 0.04), _section(0.4, 0.04)), flow_mach=0.02, wall_factor=1.0)
    facts = exhaust_facts(pipes, catalogue.layout("boxer-twin"), 900.0)
    c = ducts.exhaust_gas(300.0).sound_speed
    expected = [(2 * n - 1) * c / 4 / (1.0 + 0.6133 * 0.02) for n in range(1, 7)]
    assert facts.resonances_hz == pytest.approx(expected, rel=0.02)  # losses at wall and valve lower them a little
    assert (facts.open_ends, facts.loss_db, facts.unequal) == (2, (), True)
    alike = exhaust_facts(find_exhaust("open-stubs"), catalogue.layout("boxer-twin"), 900.0)
    assert (alike.open_ends, alike.unequal) == (2, False)


def test_orders_are_those_of_the_sound() -> None:
    """The levels told are those of the lines in the rendered sound, within 1 dB (kernels keep to steps of speed)."""
    layout, pipes = catalogue.layout("v-twin-45"), find_exhaust("bank-silencers")
    cycles, frames, rate = 41, 1 << 17, 48_000
    rpm = 120.0 * cycles * rate / frames
    synth = Synth(layout, SpeedCurve.steady(rpm), sample_rate_hz=rate, exhaust=pipes)
    synth.next_block(rate)
    lines = np.abs(np.fft.rfft(synth.next_block(frames)))[::cycles][1:25]
    orders = exhaust_facts(pipes, layout, rpm).orders
    told = np.array([o.level_db for o in orders])
    heard = told > -50.0
    assert heard.sum() > 12
    assert told[heard] == pytest.approx((20 * np.log10(lines / lines.max()))[heard], abs=1.0)
    assert [o.frequency_hz for o in orders] == pytest.approx(np.arange(1, 25) * rpm / 120.0)


def test_orders_go_up_to_that_of_the_pulses() -> None:
    """Thirty pulses of 24 degrees add up at order 15, thirty in two turns, and are not heard at 12."""
    facts = exhaust_facts(find_exhaust("open-stubs"), from_intervals("-".join(["24"] * 30)), 900.0)
    assert facts.orders[-1].order == 15.0
    assert [o.order for o in facts.orders if np.isfinite(o.level_db)] == [15.0]


def test_explain_tells_it(run: Run) -> None:
    """The text names the exhaust, its resonances, its loss and the orders; the first order of a 360 twin is 1."""
    result = run("explain", "parallel-twin-360", "--exhaust", "road-silencer", "--rpm", 1800)
    assert result.exit_code == 0, result.stderr
    told = result.stdout[result.stdout.index("Through the exhaust road-silencer at 1800 rpm") :]
    assert "Rings at" in told and "transmission loss" in told and "one open end" in told
    table = told[told.index("at the valves") :].splitlines()[1]
    assert table.split()[:3] == ["1", "30.0", "1.00"]
    assert all(len(line) < 80 for line in told.splitlines())


def test_explain_json(run: Run) -> None:
    """The JSON answer holds the same, with null for orders that vanish; without the option there is none."""
    answer = json.loads(run("explain", "parallel-twin-360", "--exhaust", "open-stubs", "--json").stdout)["exhaust"]
    assert answer["orders"][0] == {"order": 0.5, "frequency_hz": 7.5, "pulses": 0.0, "level_db": None}
    assert answer["open_ends"] == 2
    assert "exhaust" not in json.loads(run("explain", "parallel-twin-360", "--json").stdout)


def test_explain_unequal_pipes(run: Run) -> None:
    """Unequal pipes are told, with the orders that they bring back."""
    told = run("explain", "inline-four", "--exhaust", "unequal-primaries").stdout
    assert "unequal pipes" in told
