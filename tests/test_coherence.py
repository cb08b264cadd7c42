"""What belongs together between the lines: closed forms, scipy's densities and Welch's method, and made pulses."""

import numpy as np
import pytest
from scipy import signal, stats

from pulse_audio.analysis import coherence
from pulse_audio.analysis.between import between_lines
from pulse_audio.analysis.coherence import Coherence
from pulse_audio.analysis.fold import Piece
from pulse_audio.analysis.pattern import Shapes, Way

PER_CYCLE, CYCLES, CYCLE_HZ = 512, 100, 10.0
RATE_HZ = PER_CYCLE * CYCLE_HZ


def seen_in(samples: np.ndarray, cycles: int = CYCLES) -> Coherence:
    """Coherence at multiples of the cycle rate."""
    made = Piece.of(samples, first_cycle=0.0, cycles=cycles, rate_hz=CYCLE_HZ)
    return coherence.measured(between_lines(made, 1.0))


def pulses(places: list[float], changes: np.ndarray, echo: np.ndarray) -> np.ndarray:
    """Clicks at places of the cycle that change by `changes`, (cycles, places), through an exhaust that echoes."""
    clicks = np.zeros(CYCLES * PER_CYCLE)
    for place, change in zip(places, changes.T, strict=True):
        clicks[np.arange(CYCLES) * PER_CYCLE + round(place * PER_CYCLE)] = 1.0 + change
    return np.asarray(np.fft.irfft(np.fft.rfft(clicks) * np.fft.rfft(echo, len(clicks)), len(clicks)))


def exhaust(rng: np.random.Generator) -> np.ndarray:
    """Answer of a pipe: noise that dies away to 1/e in 15 ms, longer than the gap between close pulses."""
    time_s = np.arange(PER_CYCLE) / RATE_HZ
    return np.asarray(rng.standard_normal(PER_CYCLE) * np.exp(-time_s / 0.015))


def of_pulses(deg: list[float], lag: int) -> float:
    """Squared coherence that alike pulses have ``lag`` orders apart, by the definition."""
    return float(np.abs(np.mean(np.exp(-2j * np.pi * lag * np.array(deg) / 720))) ** 2)


def test_noise_whose_level_swings_has_the_coherence_of_its_sidebands(rng: np.random.Generator) -> None:
    """White noise times 1 + m cos: sidebands of m/2 on either side, so m^2 and m^4/16 over (1 + m^2/2)^2, then none."""
    depth = 0.8
    swing = 1 + depth * np.cos(2 * np.pi * np.arange(CYCLES * PER_CYCLE) / PER_CYCLE)
    found = seen_in(rng.standard_normal(CYCLES * PER_CYCLE) * swing)
    wanted = np.array([depth**2, depth**4 / 16, 0.0, 0.0]) / (1 + depth**2 / 2) ** 2
    # 300 blocks of 24 independent values and more, half of it under the window: each squared coherence scatters by a
    # twelfth, their mean by a two hundredth; and what noise alone shows is taken off as if there were nothing else,
    # which is up to a quarter of a twelfth too much.
    assert found.seen[:4] == pytest.approx(wanted, abs=0.03)


def test_it_is_what_welch_s_method_gives(rng: np.random.Generator) -> None:
    """Scipy's densities of a sound with itself, moved by one, two and three cycle rates, tell the same."""
    samples = pulses([0.0, 270 / 720], 0.1 * rng.standard_normal((CYCLES, 2)), exhaust(rng))
    samples -= np.tile(samples.reshape(CYCLES, PER_CYCLE).mean(axis=0), CYCLES)  # without its lines
    samples = samples + 0.3 * samples.std() * rng.standard_normal(len(samples))
    found = seen_in(samples)
    turns = np.arange(len(samples)) / PER_CYCLE
    # Scipy's own `coherence` asks for one side, of which older releases warn when the sound is complex.
    averaged = {"fs": RATE_HZ, "nperseg": 4 * PER_CYCLE, "return_onesided": False}
    for lag in (1, 2, 3):
        moved = samples * np.exp(-2j * np.pi * lag * turns)
        hz, together = signal.csd(samples, moved, **averaged)
        squared = abs(together) ** 2 / (signal.welch(samples, **averaged)[1] * signal.welch(moved, **averaged)[1])
        inside = (hz > 20) & (hz < 1200 - lag * CYCLE_HZ)
        assert found.seen[lag - 1] == pytest.approx(squared[inside].mean(), abs=0.06)


@pytest.mark.parametrize("deg", [[0.0], [0.0, 180.0], [0.0, 270.0], [0.0, 315.0], [0.0, 240.0, 480.0]])
def test_pulses_that_change_by_themselves_have_the_coherence_of_their_places(
    deg: list[float], rng: np.random.Generator
) -> None:
    """Whatever the exhaust does to them, by the definition; there is no noise, so nothing is taken from it."""
    places = [round(d / 720 * PER_CYCLE) / PER_CYCLE for d in deg]
    found = seen_in(pulses(places, 0.1 * rng.standard_normal((CYCLES, len(deg))), exhaust(rng)))
    wanted = [of_pulses([720 * p for p in places], lag) for lag in range(1, 13)]
    # Two hundred or so random changes are not quite independent of each other: their products scatter by a fourteenth.
    assert found.seen[:12] == pytest.approx(wanted, abs=0.15)


def test_noise_alone_has_none(rng: np.random.Generator) -> None:
    """Of each lag no more is seen than the floor says."""
    found = seen_in(rng.standard_normal(CYCLES * PER_CYCLE))
    assert len(found.seen) == coherence.TOP_LAG_HZ / CYCLE_HZ
    assert np.all(found.seen < found.floor)


def test_two_pulses_are_told_from_one_with_an_echo(rng: np.random.Generator) -> None:
    """The same lines both times; two pulses change by themselves, a pulse and its echo 270 degrees later as one."""
    ways = Shapes.of([Way(np.array([0.0])), Way(np.array([0.0, 270 / 720]))])
    change = 0.1 * rng.standard_normal((CYCLES, 2))
    answer, noise = exhaust(rng), rng.standard_normal(CYCLES * PER_CYCLE)
    alone, twin = (pulses([0.0, 270 / 720], each, answer) for each in (change[:, [0, 0]], change))
    lines = [np.abs(np.fft.rfft(x.reshape(CYCLES, PER_CYCLE).mean(axis=0))) for x in (alone, twin)]
    assert lines[0] == pytest.approx(lines[1], abs=0.05 * lines[0].max())  # changes of 0.1, the mean of a hundred
    of_alone, of_twin = (coherence.evidence(seen_in(x + 0.02 * x.std() * noise), 1.0, ways) for x in (alone, twin))
    assert of_twin[1] > of_twin[0] + 5.0
    # A throttle may change both pulses of a twin at once, so of one pulse it says next to nothing.
    assert abs(of_alone[1] - of_alone[0]) < 1.0


@pytest.mark.parametrize("deg", [180.0, 270.0, 300.0, 315.0, 360.0])
def test_the_twin_is_found(deg: float, rng: np.random.Generator) -> None:
    """Beside steady noise as strong as what changes, the true pattern is the best of a single and five twins."""
    tries = [Way(np.array([0.0]))] + [Way(np.array([0.0, d / 720])) for d in (180.0, 270.0, 300.0, 315.0, 360.0)]
    samples = pulses([0.0, deg / 720], 0.1 * rng.standard_normal((CYCLES, 2)), exhaust(rng))
    changing = samples - np.tile(samples.reshape(CYCLES, PER_CYCLE).mean(axis=0), CYCLES)
    samples = samples + changing.std() * rng.standard_normal(len(samples))
    found = coherence.evidence(seen_in(samples), 1.0, Shapes.of(tries))
    assert 720 * tries[int(found.argmax())].places[-1] == pytest.approx(deg)


def test_evidence_is_a_ratio_of_normal_densities(monkeypatch: pytest.MonkeyPatch) -> None:
    """With one share, fade and part in common: scipy's densities of the logarithms, less those of noise alone."""
    monkeypatch.setattr(coherence, "SHARES", (0.5,))
    monkeypatch.setattr(coherence, "FADES_HZ", (100.0,))
    monkeypatch.setattr(coherence, "TOGETHER", (0.2,))
    seen = np.array([0.3, 0.02, 0.2, 0.0, 0.1, 0.05])
    found = Coherence(seen=seen, floor=np.full(6, 0.03), lag_order=0.5, lag_hz=7.0)
    # Lags of half the track's rate; the cycle is as long as the track's, so each second one counts.
    lag = np.array([1, 2, 3])
    alike = np.array([np.sqrt(of_pulses([0.0, 270.0], int(d))) for d in lag])
    wanted = 0.5 * np.exp(-lag * 14.0 / 100.0) * (0.2 + 0.8 * alike) ** 2
    density = stats.norm(loc=np.log(seen[1::2] + 0.03), scale=coherence.ERROR)
    ratio = density.logpdf(np.log(wanted + 0.03)).sum() - density.logpdf(np.log(0.03)).sum()
    twin = Shapes.of([Way(np.array([0.0, 270 / 720]))])
    assert coherence.evidence(found, 1.0, twin) == pytest.approx([ratio], rel=1e-5)


def test_nothing_between_the_lines_is_no_evidence(rng: np.random.Generator) -> None:
    """With three cycles a line is as wide as the gap to the next: nothing is left, and nothing is said."""
    found = seen_in(rng.standard_normal(3 * PER_CYCLE), cycles=3)
    assert found.seen.size == 0
    assert coherence.evidence(found, 1.0, Shapes.of([Way(np.array([0.0]))])) == pytest.approx([0.0])


def test_no_pattern_is_ruled_out_by_it() -> None:
    """Something else may be seen: a pattern far off keeps the odds of that, and the best loses next to nothing."""
    one, other = np.array([[50.0, 0.0], [2.0, 1.0]]), np.array([[-30.0], [0.0]])
    first, second = coherence.believed([one, other])
    assert first[0, 0] == pytest.approx(50.0)
    assert first[0, 1] == pytest.approx(50.0 + np.log(coherence.MISLED))
    assert second[0, 0] == pytest.approx(first[0, 1])
    # Of each piece by itself, and smoothly.
    assert second[1, 0] == pytest.approx(np.log(0.95 * np.exp(0.0) + 0.05 * np.exp(2.0)))
