"""The puff at the valve, and its kernels: closed forms against numerical transforms."""

import numpy as np
import pytest

from pulse_audio import catalogue, exhaust, kernels, pulse
from pulse_audio.firing import Liveliness

STEP_S = 2e-6


def _puff(rpm: float, load: float) -> np.ndarray:
    """Return the puff in time, written down from its description: four-stroke, steps of `STEP_S`."""
    time_s = np.arange(1 << 16) * STEP_S
    tau_s, sharp, share = pulse.blow_down_s(rpm, load), 0.05 + 0.1 * load, 0.35 + 0.25 * load

    def burst(tau: float) -> np.ndarray:
        return time_s**2 * np.exp(-time_s / tau) / (2 * tau**3)

    start_s, length_s = 50.0 / (6 * rpm), 180.0 / (6 * rpm)
    x = (time_s - start_s) / length_s
    push = np.where((x > 0) & (x < 1), 1 - np.cos(2 * np.pi * x), 0.0) / length_s
    return np.asarray(share * ((1 - sharp) * burst(tau_s) + sharp * burst(tau_s / 3)) + (1 - share) * push)


@pytest.mark.parametrize(("rpm", "load"), [(900.0, 0.0), (4000.0, 0.5), (12_000.0, 1.0)])
def test_spectrum_of_a_puff(rpm: float, load: float) -> None:
    """The closed spectrum is the numerical transform of the puff in time."""
    wave = _puff(rpm, load)
    frequency = np.fft.rfftfreq(wave.size, STEP_S)
    expected = np.fft.rfft(wave) * STEP_S
    found = pulse.puff_spectrum(frequency, rpm, load, 4)
    heard = frequency < 20_000.0
    assert found[heard] == pytest.approx(expected[heard], abs=2e-4)


@pytest.mark.parametrize("strokes", [2, 4])
def test_puff_has_unit_volume(strokes: int) -> None:
    """A puff carries one unit of gas: its spectrum is 1 at 0 Hz."""
    assert pulse.puff_spectrum(np.zeros(1), 1500.0, 0.5, strokes)[0] == pytest.approx(1.0)


def test_more_load_is_sharper() -> None:
    """An open throttle puts more of the puff at high frequencies (common practice)."""
    shut, wide = (abs(pulse.puff_spectrum(np.array([3000.0]), 3000.0, load, 4)[0]) for load in (0.0, 1.0))
    assert wide > 2 * shut


def test_shifted_kernels_are_one_sound() -> None:
    """A kernel shifted by a quarter of a sample is the first one delayed: by the phase of its spectrum."""
    bank = kernels.PulseBank(
        catalogue.layout("boxer-twin"), exhaust.find_exhaust("open-stubs"), Liveliness(), sample_rate_hz=48_000
    )
    shelf = bank.shelf(int(kernels.speed_step(np.array([3000.0]))[0]))
    first, later = (np.fft.rfft(shelf.pulse(0, shift), 8192) for shift in (0, pulse.SHIFTS // 4))
    heard = slice(20, 2500)  # 117 Hz to 15 kHz
    turn = np.angle(later[heard] / first[heard]) * 8192 / (2 * np.pi * np.arange(8193)[heard])
    assert turn == pytest.approx(np.full(turn.size, -0.25), abs=1 / 128)


def test_cylinders_that_sound_alike_share_kernels() -> None:
    """Equal pipes make one voice for all cylinders, unequal ones one for each length."""
    layout, life = catalogue.layout("inline-four"), Liveliness()
    voices = [
        kernels.PulseBank(layout, exhaust.find_exhaust(name), life, sample_rate_hz=48_000).voice.tolist()
        for name in ("road-silencer", "unequal-primaries")
    ]
    assert voices == [[0, 0, 0, 0], [0, 1, 2, 3]]


def test_what_is_made_does_not_depend_on_what_was_asked_before() -> None:
    """A bank gives the same kernels and levels whether or not it was used at other speeds first."""
    layout, pipes, life = catalogue.layout("v-twin-45"), exhaust.find_exhaust("bank-silencers"), Liveliness()
    fresh, used = (kernels.PulseBank(layout, pipes, life, sample_rate_hz=44_100) for _ in range(2))
    for step in (118, 145, 121, 119):
        used.level(step)
        used.shelf(step).pulse(0, 5)
    rows = [bank.shelf(120).pulse(0, 7) for bank in (fresh, used)]
    assert np.array_equal(rows[0], rows[1])
    assert fresh.level(120) == used.level(120)
    noise = [bank.shelf(120).bursts.take(np.array([3]), bank.shelf(120).bursts.room(1)) for bank in (fresh, used)]
    assert np.array_equal(noise[0], noise[1])


@pytest.mark.parametrize("asked_db", [0.0, -12.0, 6.0])
def test_flow_noise_has_the_share_that_is_asked_for(asked_db: float) -> None:
    """Over its bursts, flow noise carries the usual share of the pulse's energy, and so many decibels more."""
    pipes, life = exhaust.find_exhaust("straight-pipes"), Liveliness(noise_db=asked_db)
    bank = kernels.PulseBank(catalogue.layout("boxer-twin"), pipes, life, sample_rate_hz=48_000)
    shelf = bank.shelf(kernels.STEPS_PER_NOISE * 36)
    rows = shelf.bursts.take(np.arange(pulse.BURSTS), shelf.bursts.room(pulse.BURSTS)).astype(np.float64)
    share_db = 10 * np.log10(np.mean(np.sum(rows**2, axis=1)) / np.sum(shelf.pulse(0, 0).astype(np.float64) ** 2))
    assert share_db == pytest.approx(kernels.USUAL_NOISE_DB + pipes.noise_db + asked_db, abs=1.0)  # 32 noises


def test_flow_noise_swells_and_fades_with_the_blow_down() -> None:
    """Through a path that changes nothing, bursts have the envelope x^2 e^-x: the mean time of its square is 2.5.

    Integrals of x^n e^-2x are n! / 2^(n + 1); the mean of 32 bursts of some 100 independent samples scatters by 1 %.
    """
    hiss = pulse.Hiss(np.ones(4097, dtype=complex), ring=1, blow_down_samples=60.0, mean_energy=3.0)
    bursts = np.array([hiss.make(number) for number in range(pulse.BURSTS)]).astype(np.float64)
    energy = np.mean(bursts**2, axis=0)
    assert energy.sum() == pytest.approx(3.0, rel=0.05)
    assert np.sum(energy * np.arange(energy.size)) / energy.sum() == pytest.approx(2.5 * 60.0, rel=0.03)
    assert np.array_equal(bursts[1::2], -bursts[::2])  # so that they add up to nothing at the rate of the firings
