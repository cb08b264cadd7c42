"""Order spectra of firing patterns, from the firing events."""

import numpy as np
import pytest

from pulse_audio.catalogue import layout
from pulse_audio.firing import firing_events
from pulse_audio.layout import Layout, from_intervals
from pulse_audio.orders import order_amplitudes, order_table, pulse_rate_order, top_order
from pulse_audio.speed import SpeedCurve

# |S_m| of unit pulses for m = 0 to 10 and 12; m is order m / 2. Calculated to three places from
# S_m = sum g_k exp(-2 pi i m theta_k / 720), which is an impulse train with shifts: MIT 6.003 Signals and Systems,
# lecture 6 (all a_k = 1 / T; a shift by t0 multiplies a_k by exp(-j k w0 t0)).
M = (0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 12)
TABLE = {
    "single-four-stroke": (1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1),
    "parallel-twin-360": (2, 0, 2, 0, 2, 0, 2, 0, 2, 0, 2, 2),
    "parallel-twin-180": (2, 1.414, 0, 1.414, 2, 1.414, 0, 1.414, 2, 1.414, 0, 2),
    "parallel-twin-270": (2, 0.765, 1.414, 1.848, 0, 1.848, 1.414, 0.765, 2, 0.765, 1.414, 0),
    "v-twin-75": (2, 0.643, 1.587, 1.663, 0.518, 1.996, 0.765, 1.504, 1.732, 0.390, 1.983, 1.414),
    "v-twin-60": (2, 0.518, 1.732, 1.414, 1, 1.932, 0, 1.932, 1, 1.414, 1.732, 2),
    "v-twin-45": (2, 0.390, 1.848, 1.111, 1.414, 1.663, 0.765, 1.962, 0, 1.962, 0.765, 1.414),
    "triple-120": (3, 0, 0, 3, 0, 0, 3, 0, 0, 3, 0, 3),
    "triple-t-plane": (3, 0.414, 1, 2.414, 1, 2.414, 1, 0.414, 3, 0.414, 1, 1),
    "inline-four": (4, 0, 0, 0, 4, 0, 0, 0, 4, 0, 0, 4),
    "inline-four-crossplane": (4, 1.082, 0, 2.613, 0, 2.613, 0, 1.082, 4, 1.082, 0, 0),
    "v4-90-180": (4, 1.082, 0, 2.613, 0, 2.613, 0, 1.082, 4, 1.082, 0, 0),
    "v8-crossplane-one-bank": (4, 1.082, 0, 2.613, 0, 2.613, 0, 1.082, 4, 1.082, 0, 0),
    "v4-90-360": (4, 0, 2.828, 0, 0, 0, 2.828, 0, 4, 0, 2.828, 0),
    "inline-five": (5, 0, 0, 0, 0, 5, 0, 0, 0, 0, 5, 0),
    "inline-six": (6, 0, 0, 0, 0, 0, 6, 0, 0, 0, 0, 6),
    "v6-90-odd": (6, 0, 0, 2.296, 0, 0, 4.243, 0, 0, 5.543, 0, 0),
    "v8-crossplane": (8, 0, 0, 0, 0, 0, 0, 0, 8, 0, 0, 0),
    "v10-72": (10, 0, 0, 0, 0, 0, 0, 0, 0, 0, 10, 0),
    "v10-90-odd": (10, 0, 0, 0, 0, 3.827, 0, 0, 0, 0, 7.071, 0),
    "v12-60": (12, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 12),
}
ROUNDING = 0.00051  # the table has three places


def one_cycle_deg(this: Layout, rpm: float) -> np.ndarray:
    """Crank angles of one cycle's firings, from their times at a steady speed."""
    events = firing_events(this, SpeedCurve.steady(rpm), duration_s=120 / rpm - 1e-9)
    return 6 * rpm * events.time_s


@pytest.mark.parametrize("name", TABLE)
def test_order_sums_of_the_firing_events(name: str) -> None:
    """The pulses of one cycle add up at each order as calculated."""
    sums = np.abs(order_amplitudes(one_cycle_deg(layout(name), 937.0), 720, count=12))
    assert sums[list(M)] == pytest.approx(TABLE[name], abs=ROUNDING)


def test_closed_forms() -> None:
    """Cross-plane: 2 sqrt 2 sin and cos 22.5 degrees; odd-fire six: 6 sin and cos; odd-fire ten: 10 sin and cos."""
    s, c = np.sin(np.radians(22.5)), np.cos(np.radians(22.5))
    cross = np.abs(order_amplitudes(layout("inline-four-crossplane").firing_deg, 720))
    assert cross[[1, 3]] == pytest.approx([2 * np.sqrt(2) * s, 2 * np.sqrt(2) * c], abs=1e-12)
    six = np.abs(order_amplitudes(layout("v6-90-odd").firing_deg, 720))
    assert six[[3, 9]] == pytest.approx([6 * s, 6 * c], abs=1e-12)
    ten = np.abs(order_amplitudes(layout("v10-90-odd").firing_deg, 720))
    assert ten[[5, 15]] == pytest.approx([10 * s, 10 * c], abs=1e-12)


def test_two_pulses_follow_the_cosine(rng: np.random.Generator) -> None:
    """Two equal pulses D degrees apart add up to 2 |cos(pi m D / 720)|."""
    m = np.arange(25)
    for gap in rng.uniform(1, 719, 20):
        sums = np.abs(order_amplitudes([0.0, gap], 720))
        assert sums == pytest.approx(2 * np.abs(np.cos(np.pi * m * gap / 720)), abs=1e-12)


@pytest.mark.parametrize(
    ("intervals", "gains", "expected"),
    [
        ("180-180-180-180", (1, 1, 1, 0.5), (0.5, 0.5, 0.5, 3.5)),
        ("180-180-180-180", (1, 0.8, 1, 0.8), (0, 0.4, 0, 3.6)),
        ("270-450", (1, 0.8), (0.7132, 1.2806, 1.6647, 0.2)),
    ],
)
def test_unequal_pulses_fill_the_gaps(intervals: str, gains: tuple[float, ...], expected: tuple[float, ...]) -> None:
    """Pulses of unequal strength leave something at orders that vanish when they are equal (calculated)."""
    sums = np.abs(order_amplitudes(from_intervals(intervals).firing_deg, 720, gains, count=4))
    assert sums[1:] == pytest.approx(expected, abs=0.00051)


def test_quieter_bank_of_a_v8() -> None:
    """With one bank at half strength a cross-plane V8 shows .541, 1.307 and 6 at m = 1, 3 and 8 (calculated)."""
    this = layout("v8-crossplane")
    gains = [1.0 if n % 2 == 0 else 0.5 for n in range(8)]
    sums = np.abs(order_amplitudes([c.firing_deg for c in this.cylinders], 720, gains))
    assert sums[[1, 7, 3, 5, 8]] == pytest.approx([0.541, 0.541, 1.307, 1.307, 6], abs=ROUNDING)


def test_rotation_turns_the_phases_and_reversal_the_signs(rng: np.random.Generator) -> None:
    """A later start by t0 multiplies a_k by exp(-j k w0 t0), time run backwards takes the conjugate: sizes stay."""
    angles, m = rng.uniform(0, 720, 5), np.arange(25)
    sums = order_amplitudes(angles, 720)
    shift = np.exp(-2j * np.pi * m * 123.4 / 720)
    assert order_amplitudes(angles + 123.4, 720) == pytest.approx(sums * shift, abs=1e-9)
    assert order_amplitudes(-angles, 720) == pytest.approx(sums.conj(), abs=1e-9)


@pytest.mark.parametrize(
    ("name", "order"),
    [
        # A four-stroke's dominant order is half its number of cylinders, a two-stroke's all of it: service information
        # on engine order classification (a V8 at 1200 rpm: order 1 is 20 Hz, order 4 is 80 Hz); diracdelta.co.uk,
        # "engine orders", for order 2 of the inline four.
        ("single-four-stroke", 0.5),
        ("boxer-twin", 1),
        ("triple-120", 1.5),
        ("inline-four", 2),
        ("inline-five", 2.5),
        ("inline-six", 3),
        ("v8-crossplane", 4),
        ("v10-72", 5),
        ("v12-60", 6),
        ("single-two-stroke", 1),
        ("triple-120-two-stroke", 3),
    ],
)
def test_dominant_order_of_even_engines(name: str, order: float) -> None:
    """The lowest order at which all pulses add up is half the number of cylinders, for a two-stroke all of it."""
    table = order_table(layout(name))
    assert table.strongest[0] == order
    assert set(table.vanishing) == {o for o in table.order if (o / order) % 1}


@pytest.mark.parametrize(
    ("text", "pulses", "top"),
    # Pulses in a turn are half those of a four-stroke's cycle, all those of a two-stroke's.
    [("24" + "-24" * 29, 15, 15), ("15" + "-15" * 47, 24, 24), ("7.5" + "-7.5" * 47, 48, 48), ("0-720", 0.5, 12)],
)
def test_highest_order_holds_the_pulses(text: str, pulses: float, top: float) -> None:
    """The orders that are told reach the one at which an even layout's pulses add up, and 12 at least."""
    this = from_intervals(text)
    assert (pulse_rate_order(this), top_order(this)) == (pulses, top)
    table = order_table(this, highest_order=top_order(this))
    assert dict(zip(table.order, table.share, strict=True))[pulses] == pytest.approx(1.0)


def test_order_table_of_an_uneven_twin() -> None:
    """A 270-450 twin vanishes at order 2 and adds up fully at order 4."""
    table = order_table(layout("v-twin-90"))
    assert table.order == tuple(m / 2 for m in range(1, 13))
    assert table.vanishing == (2.0, 6.0)
    assert table.strongest == (4.0,)
    assert table.share[0] == pytest.approx(0.765 / 2, abs=ROUNDING)


def test_weak_orders_do_not_vanish() -> None:
    """A 315-405 twin is weak at order 0.5 (.390 of 2) but vanishes only at order 4."""
    assert order_table(layout("v-twin-45")).vanishing == (4.0,)
