"""What lies between the lines: its power over the cycle against closed forms, scipy's densities and made noise."""

import numpy as np
import pytest
from scipy import stats

from pulse_audio.analysis import swell
from pulse_audio.analysis.between import between_lines
from pulse_audio.analysis.fold import Piece
from pulse_audio.analysis.pattern import Shapes, Way

PER_CYCLE, CYCLES, CYCLE_HZ = 512, 80, 10.0
PLACES = np.arange(PER_CYCLE) / PER_CYCLE


def noise_of_pulses(places: list[float], share: float, rng: np.random.Generator) -> np.ndarray:
    """White noise whose power jumps up at these places of the cycle and dies away in 10 ms, a share of it."""
    since_s = np.subtract.outer(PLACES, places) % 1.0 / CYCLE_HZ
    swelling = np.exp(-2 * since_s / 0.010).sum(axis=1)
    power = 1.0 - share + share * swelling / swelling.mean()
    return np.asarray(rng.standard_normal((CYCLES, PER_CYCLE)) * np.sqrt(power)).ravel()


def lines_of_one_pulse(level: float) -> np.ndarray:
    """Thirty equal harmonics of the cycle, the same in every cycle: one pulse, far louder than the noise."""
    cycle = sum(np.cos(2 * np.pi * k * (PLACES - 0.3)) for k in range(1, 31))
    return level * np.tile(cycle, CYCLES)


def evidence_of(samples: np.ndarray, ways: list[Way]) -> np.ndarray:
    """Evidence of each way of firing, the cycle known."""
    made = Piece.of(samples, first_cycle=0.0, cycles=CYCLES, rate_hz=CYCLE_HZ)
    return swell.evidence([rest.at_cycle(1.0) for rest in swell.rests(between_lines(made, 1.0))], Shapes.of(ways))


def test_evidence_is_the_likelihood_ratio_of_gaussians(
    monkeypatch: pytest.MonkeyPatch, rng: np.random.Generator
) -> None:
    """For one envelope and one share it is what scipy's normal densities give, the mean over all starts."""
    monkeypatch.setattr(swell, "DECAYS_S", (0.03,))
    monkeypatch.setattr(swell, "PLATEAUS", (0.0,))
    monkeypatch.setattr(swell, "SHARES", (0.4,))
    monkeypatch.setattr(swell, "DROWNED", 1e-300)
    seen = rng.standard_normal(40 * swell.STEPS)
    seen /= np.sqrt(np.mean(seen**2))
    rest = swell.Rest(power=seen**2, worth=float(len(seen)), cycles=40, rate_hz=CYCLE_HZ)
    twin = Way(np.array([0.0, 270 / 720]))
    # An exponential wrapped round the cycle, of mean 1, its orders up to 47 kept; and the same for the second pulse.
    envelope = np.exp(-2 * np.arange(swell.STEPS) / swell.STEPS / CYCLE_HZ / 0.03)
    orders = np.fft.rfft(envelope / envelope.mean())
    orders *= (1 + np.exp(-2j * np.pi * np.arange(len(orders)) * 270 / 720)) / 2
    orders[-1] = 0.0
    power = 0.6 + 0.4 * np.fft.irfft(orders)
    ratios = [
        (stats.norm.logpdf(seen, scale=np.tile(np.sqrt(np.roll(power, k)), 40)) - stats.norm.logpdf(seen)).sum()
        for k in range(swell.STEPS)
    ]
    wanted = np.log(np.mean(np.exp(np.array(ratios) - max(ratios)))) + max(ratios)
    assert swell.evidence([rest.at_cycle(1.0)], Shapes.of([twin]))[0] == pytest.approx(wanted, abs=1e-6)


@pytest.mark.parametrize("place_deg", [180, 270, 315, 360])
def test_the_pattern_is_heard_between_lines_that_tell_another(place_deg: int, rng: np.random.Generator) -> None:
    """Noise that swells twice a cycle beneath loud lines of one pulse: of single and twins, the true twin fits best."""
    samples = noise_of_pulses([0.0, place_deg / 720], 0.5, rng) + lines_of_one_pulse(3.0)
    tries = [Way(np.array([0.0]))] + [Way(np.array([0.0, deg / 720])) for deg in (180, 270, 315, 360)]
    found = evidence_of(samples, tries)
    assert 720 * tries[int(found.argmax())].places[-1] == pytest.approx(place_deg)
    assert found.max() > found[0] + 3.0  # one pulse is twenty times less likely, though the lines are of one


def test_steady_noise_tells_nothing(rng: np.random.Generator) -> None:
    """Noise that does not swell, with lines or without, makes no pattern four times as likely as another."""
    ways = [Way(np.arange(n) / n) for n in (1, 2, 3, 4)]
    for level in (0.0, 3.0):
        found = evidence_of(rng.standard_normal(CYCLES * PER_CYCLE) + lines_of_one_pulse(level), ways)
        assert np.ptp(found) < np.log(4.0)


def test_nothing_between_the_lines_is_no_evidence() -> None:
    """With three cycles a line is as wide as the gap to the next: nothing is left, and nothing is said."""
    made = Piece.of(lines_of_one_pulse(1.0)[: 3 * PER_CYCLE], first_cycle=0.0, cycles=3, rate_hz=CYCLE_HZ)
    bands = swell.rests(between_lines(made, 1.0))
    assert bands == ()
    assert swell.evidence([band.at_cycle(1.0) for band in bands], Shapes.of([Way(np.array([0.0]))])) == pytest.approx(
        [0.0]
    )


def test_a_few_clicks_do_not_count_as_much_evidence(rng: np.random.Generator) -> None:
    """Of Gaussian noise every value counts; with some strong clicks squares spread widely, and far fewer do."""
    calm = rng.standard_normal(CYCLES * PER_CYCLE)
    clicks = calm.copy()
    clicks[rng.integers(0, len(clicks), 6)] += 60.0
    worth = [
        sum(band.worth for band in swell.rests(between_lines(made, 1.0)))
        for made in (Piece.of(x, first_cycle=0.0, cycles=CYCLES, rate_hz=CYCLE_HZ) for x in (calm, clicks))
    ]
    # Two values a bin, from 20 to 900 Hz at CYCLES bins for 10 Hz, three fifths of them between the lines; of these a
    # Hann window leaves (mean w^2)^2 / mean w^4: (3/8)^2 / (35/128).
    values = 2 * (900 - 20) / CYCLE_HZ * CYCLES * 0.6 * (3 / 8) ** 2 / (35 / 128)
    assert worth[0] == pytest.approx(swell.BELIEVED * values, rel=0.05)
    assert worth[1] < 0.5 * worth[0]
