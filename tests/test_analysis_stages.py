"""Each stage of the analysis against closed forms and general-purpose references."""

from dataclasses import replace
from itertools import combinations, product

import numpy as np
import pytest
from scipy import signal, stats

from pulse_audio.analysis import pattern, presence
from pulse_audio.analysis.candidates import WEAK_EARLY, WEAK_EARLY_SD, candidates, same_rotation
from pulse_audio.analysis.fold import Lines, Phase, Piece, peak_offset, piece, resampled
from pulse_audio.analysis.hypotheses import Hypothesis, Material, engines, weigh
from pulse_audio.analysis.pattern import Fit, OwnShare, Shapes, Way, fits, log_misfit
from pulse_audio.analysis.pieces import Span, steady_spans
from pulse_audio.analysis.placing import place_pulses, pulse_levels, weak_shares
from pulse_audio.analysis.prepare import ENVELOPE_RATE_HZ, WAVE_RATE_HZ, Signals, signals
from pulse_audio.analysis.readings import choose, compare_with_layout, readings
from pulse_audio.analysis.result import Hints
from pulse_audio.analysis.retrace import Comb, retraced
from pulse_audio.analysis.speedtrack import Track, coarse_track, frame_times, line_evidence, refine
from pulse_audio.analysis.steady import constant_rate_hz, steadied, tone_hz, without_lines
from pulse_audio.catalogue import find_layout, layout_names
from tests.clipmaker import gas
from tests.clipmaker.special import rate_bound_hz

ALIKE = (OwnShare(floor=0.01, apart_hz=1e9),)
CYCLE_HZ = 8.0


def swept(low_hz: float, high_hz: float, duration_s: float, orders: int) -> np.ndarray:
    """Harmonics of a rate that rises exponentially, by scipy's chirp (its phase is the closed-form integral)."""
    time_s = np.arange(round(duration_s * WAVE_RATE_HZ)) / WAVE_RATE_HZ
    return sum(
        signal.chirp(time_s, k * low_hz, duration_s, k * high_hz, method="logarithmic", phi=37.0 * k)
        for k in range(1, orders + 1)
    )


def lines_of(places: list[float], strengths: list[float], noise_power: float = 1e-4) -> Lines:
    """Order lines of pulses that all sound like one decaying resonance (closed form of its transform)."""
    order = np.arange(1, 41)
    frequency_hz = order * CYCLE_HZ
    response = 1 / (1 + 2j * np.pi * (frequency_hz - 90) * 0.006) + 0.7 / (
        1 + 2j * np.pi * (frequency_hz - 210) * 0.005
    )
    pulses = np.exp(-2j * np.pi * np.outer(order, places)) @ strengths
    noise = np.full(len(order), noise_power)
    return Lines(
        order=order, frequency_hz=frequency_hz, amplitude=response * pulses, noise_power=noise, cycle_hz=CYCLE_HZ
    )


def test_wave_and_hiss_levels() -> None:
    """Hiss whose amplitude swings sinusoidally has an envelope with that one line; both signals have power 1."""
    rng = np.random.default_rng(1)
    time_s = np.arange(8 * 16_000) / 16_000
    heard = signals(rng.standard_normal(len(time_s)) * (1 + 0.8 * np.cos(2 * np.pi * 20 * time_s)), 16_000)
    assert heard.wave.std() == pytest.approx(1.0)
    assert heard.envelope.std() == pytest.approx(1.0)
    frequency_hz, power = signal.periodogram(heard.envelope, ENVELOPE_RATE_HZ)
    assert frequency_hz[power.argmax()] == pytest.approx(20.0, abs=0.13)


def test_line_evidence_is_the_likelihood_ratio() -> None:
    """Mean over four line strengths of exponential densities of mean 1 + s, by scipy, against that of mean 1."""
    power = np.array([0.1, 1.0, 4.0, 9.0])
    strengths = np.array([2.0, 5.0, 15.0, 50.0])
    with_line = np.mean([stats.expon.pdf(power, scale=1 + s) for s in strengths], axis=0)
    wanted = np.log(0.5 + 0.5 * with_line / stats.expon.pdf(power))
    assert line_evidence(power.astype(np.float32)) == pytest.approx(wanted, abs=0.03)  # the table's step of 0.05


def test_track_follows_a_sweep() -> None:
    """A rate rising from 20 to 30 Hz in 5 s: the track is within 0.3 % all along but half a frame at the ends."""
    rng = np.random.default_rng(2)
    wave = swept(20.0, 30.0, 5.0, 20)
    heard = signals(wave + 0.3 * wave.std() * rng.standard_normal(len(wave)), WAVE_RATE_HZ)
    track = coarse_track(heard)
    phase = refine(heard, Phase.from_rate(track.time_s, track.rate_hz, heard.duration_s))
    time_s = np.arange(0.4, 4.6, 0.1)
    wanted = 20.0 * 1.5 ** (time_s / 5.0)
    assert np.interp(time_s, phase.time_s, phase.rate_hz) == pytest.approx(wanted, rel=0.003)


def test_track_follows_an_idle_that_hunts(rng: np.random.Generator) -> None:
    """Eight cycles a second, 8 % up and down in 0.8 s, harmonics as strong as the noise: within 3 % all along.

    A frame of 1.5 s would hold two swings; the mean over a shorter one still takes 2 to 3 % off their tops.
    """
    swing, swings_hz = 0.08, 1.2
    time_s = np.arange(6 * WAVE_RATE_HZ) / WAVE_RATE_HZ
    turned = 2 * np.pi * swings_hz * time_s
    cycles = 8.0 * (time_s + swing * (1 - np.cos(turned)) / (2 * np.pi * swings_hz))
    wave = sum(np.sin(2 * np.pi * k * cycles + 37.0 * k * k) for k in range(1, 21))
    track = coarse_track(signals(wave + wave.std() * rng.standard_normal(len(wave)), WAVE_RATE_HZ))
    inside = (track.time_s > 0.4) & (track.time_s < 5.6)
    wanted = 8.0 * (1 + swing * np.sin(2 * np.pi * swings_hz * track.time_s[inside]))
    assert track.rate_hz[inside] == pytest.approx(wanted, rel=0.03)


def blipped(low_hz: float, fold: float, rng: np.random.Generator) -> tuple[Signals, np.ndarray]:
    """Pulses of a twin whose rate swells by a factor within 0.3 s and dies away again; and its rate every 2 ms."""
    time_s = np.arange(6 * WAVE_RATE_HZ) / WAVE_RATE_HZ
    # A raised cosine up, an exponential down: the shape of a blip of the throttle (common practice).
    up = 0.5 - 0.5 * np.cos(np.pi * np.clip((time_s - 2.5) / 0.3, 0, 1))
    rate_hz = low_hz * fold ** (up * np.exp(-np.maximum(time_s - 2.8, 0) / 0.7))
    turn = 2 * np.pi * np.cumsum(rate_hz) / WAVE_RATE_HZ
    strength = [0.5, 1.0, 0.3, 0.8, 0.2, 0.6, 0.1, 0.4, 0.1, 0.3, 0.1, 0.2]
    wave = sum(a * np.cos(k * turn + 2.0 * k * k) for k, a in enumerate(strength, 1))
    heard = signals(wave + 0.3 * wave.std() * rng.standard_normal(len(wave)), WAVE_RATE_HZ)
    return heard, rate_hz[:: round(0.002 * WAVE_RATE_HZ)]


@pytest.mark.parametrize("drift", [1.0, 1.15], ids=["steady", "rising"])
def test_the_next_best_rate_keeps_clear_of_the_best(drift: float, rng: np.random.Generator) -> None:
    """Of two series of harmonics the stronger is followed first and then, told to keep clear of that, the other."""
    strong, faint = swept(23.0, 23.0 * drift, 4.0, 20), swept(13.7, 13.7 * drift, 4.0, 20)
    heard = signals(strong + 0.5 * faint + rng.standard_normal(len(strong)), WAVE_RATE_HZ)
    first = coarse_track(heard)
    second = coarse_track(heard, besides=first)
    inside = slice(2, -2)
    for track, rate_hz in ((first, 23.0), (second, 13.7)):
        wanted_hz = rate_hz * drift ** (track.time_s / 4.0)
        assert track.rate_hz[inside] == pytest.approx(wanted_hz[inside], rel=0.01)


@pytest.mark.parametrize(("low_hz", "fold"), [(8.0, 1.8), (15.0, 2.2), (30.0, 2.5)])
def test_blip_is_followed(low_hz: float, fold: float, rng: np.random.Generator) -> None:
    """Within 3 % all through the blip; within 1 % at 95 % of the points where the rate moves under 50 % a second."""
    heard, wanted_hz = blipped(low_hz, fold, rng)
    track = coarse_track(heard)
    phase = refine(heard, Phase.from_rate(track.time_s, track.rate_hz, heard.duration_s))
    calm = Span(start_s=0.2, end_s=2.2)
    before = piece(heard.wave, WAVE_RATE_HZ, phase, calm.start_s, calm.end_s)
    assert before is not None
    ratio = low_hz / before.rate_hz  # the first track may run at a multiple; which one is for `hypotheses` to say
    comb = Comb.of(before.lines(ratio, 3000.0, 400), 1, before.rate_hz)
    led = retraced(heard, track, phase, calm, comb)
    time_s = np.arange(0.25, 5.75, 0.05)
    grid_s = 0.002 * np.arange(len(wanted_hz))
    off = np.interp(time_s, led.phase.time_s, led.phase.rate_hz) * ratio / np.interp(time_s, grid_s, wanted_hz) - 1
    change = np.abs(np.interp(time_s, grid_s, np.gradient(np.log(wanted_hz), 0.002)))
    assert (change > 1.5).any()
    assert np.abs(off).max() < 0.03
    assert np.quantile(np.abs(off[change < 0.5]), 0.95) < 0.01


@pytest.mark.parametrize("samples", range(8797, 8803))
def test_a_track_of_any_length_has_all_its_frames(samples: int, rng: np.random.Generator) -> None:
    """The last frame may just fit into a clip, or just not."""
    track = coarse_track(signals(rng.standard_normal(samples), 8000))
    assert len(track.time_s) == len(frame_times(samples / 8000))


@pytest.mark.parametrize("rate_hz", [5.0, 130.0, 158.0, 700.0, 1700.0, 2100.0, 3900.0])
def test_any_rate_can_be_sharpened(rate_hz: float, rng: np.random.Generator) -> None:
    """A steady rate in noise stays near itself, however few of its multiples the sample rate can hold."""
    heard = signals(rng.standard_normal(3 * WAVE_RATE_HZ), WAVE_RATE_HZ)
    phase = Phase.from_rate(np.array([0.0, 3.0]), np.array([rate_hz, rate_hz]), 3.0)
    assert refine(heard, phase).mean_hz == pytest.approx(rate_hz, rel=0.3)


def test_steady_track_is_left_alone(rng: np.random.Generator) -> None:
    """Where nothing is in doubt, the first track is the answer."""
    wave = swept(20.0, 24.0, 5.0, 20)
    heard = signals(wave + 0.3 * wave.std() * rng.standard_normal(len(wave)), WAVE_RATE_HZ)
    track = coarse_track(heard)
    phase = refine(heard, Phase.from_rate(track.time_s, track.rate_hz, heard.duration_s))
    stretch = piece(heard.wave, WAVE_RATE_HZ, phase, 0.0, 5.0)
    assert stretch is not None
    comb = Comb.of(stretch.lines(1.0, 3000.0, 400), 1, stretch.rate_hz)
    assert retraced(heard, track, phase, Span(start_s=1.0, end_s=4.0), comb).phase is phase


def test_clear_track_is_kept_however_far_it_goes(rng: np.random.Generator) -> None:
    """A slow rise by a factor of six, then a silence in doubt: what was clear stays as the first track has it."""
    wave = swept(8.0, 48.0, 20.0, 12)
    heard = signals(np.append(wave, np.zeros(2 * WAVE_RATE_HZ)) + 0.05 * rng.standard_normal(22 * WAVE_RATE_HZ), 8000)
    rise = np.array([0.0, 20.0, 22.0])
    phase = Phase.from_rate(rise, np.array([8.0, 48.0, 48.0]), 22.0)
    time_s = frame_times(22.0)
    evidence = np.where(time_s < 20.0, 50.0, 0.5)
    track = Track(time_s=time_s, rate_hz=np.interp(time_s, phase.time_s, phase.rate_hz), evidence=evidence)
    stretch = piece(heard.wave, WAVE_RATE_HZ, phase, 18.0, 19.0)
    assert stretch is not None
    comb = Comb.of(stretch.lines(1.0, 3000.0, 400), 1, stretch.rate_hz)
    led = retraced(heard, track, phase, Span(start_s=18.0, end_s=19.0), comb)
    at_s = np.arange(0.5, 19.0, 0.25)
    assert np.interp(at_s, led.phase.time_s, led.phase.rate_hz) == pytest.approx(8.0 * 6 ** (at_s / 20), rel=0.01)
    assert np.interp(at_s, led.time_s, led.margin).min() > np.log(1000.0)


def test_speed_in_noise_has_no_margin(rng: np.random.Generator) -> None:
    """Where the engine has stopped, the likeliest speed is hardly likelier than others; where it runs, it is by far."""
    wave = swept(8.0, 8.0, 6.0, 24)
    heard = signals(
        wave * (np.arange(len(wave)) < 4 * WAVE_RATE_HZ) + 0.3 * wave.std() * rng.standard_normal(len(wave)),
        WAVE_RATE_HZ,
    )
    frames_s = frame_times(6.0)
    steady = Phase.from_rate(np.array([0.0, 6.0]), np.array([8.0, 8.0]), 6.0)
    evidence = np.where(frames_s < 4.0, 30.0, 1.0)
    track = Track(time_s=frames_s, rate_hz=np.full(len(frames_s), 8.0), evidence=evidence)
    running = piece(heard.wave, WAVE_RATE_HZ, steady, 0.2, 2.6)
    assert running is not None
    comb = Comb.of(running.lines(1.0, 3000.0, 400), 1, running.rate_hz)
    swaying = Phase.from_rate(frames_s, 8.0 + 1e-4 * np.sin(frames_s), 6.0)
    led = retraced(heard, track, swaying, Span(start_s=0.2, end_s=2.6), comb)
    assert led.margin[led.time_s < 3.0].min() > np.log(1000.0)
    assert np.median(led.margin[led.time_s > 5.0]) < np.log(20.0)


def test_phase_is_the_integral_of_the_rate() -> None:
    """Cycles of an exponential sweep in closed form: (f1 - f0) T / ln(f1 / f0)."""
    phase = Phase.from_rate(np.array([0.0, 4.0]), np.array([10.0, 20.0]), 4.0)
    assert float(phase.at(4.0)) == pytest.approx(10.0 * 4.0 / np.log(2.0), rel=1e-5)
    assert float(phase.time_at(phase.at(1.7))) == pytest.approx(1.7, abs=1e-6)


def test_warped_sweep_is_steady() -> None:
    """On the true phase every harmonic of a sweep falls on its own bin: nothing 60 dB below them lies between."""
    wave = swept(10.0, 18.0, 4.0, 6)
    time_s = np.linspace(0, 4.0, 400)
    phase = Phase.from_rate(time_s, 10.0 * 1.8 ** (time_s / 4.0), 4.0)
    turned = resampled(wave, WAVE_RATE_HZ, phase, 2.0, 42.0, 64)
    power = np.abs(np.fft.rfft(turned * signal.windows.hann(len(turned), sym=False))) ** 2
    lines = np.arange(1, 7) * 40
    assert power[lines] == pytest.approx(np.full(6, power[40]), rel=0.01)
    power[lines[:, None] + np.arange(-2, 3)] = 0
    assert power[3:].max() < 1e-6 * (len(turned) / 4) ** 2


def test_spans_keep_off_the_blip() -> None:
    """Steady for 4 s, doubling within one, steady for 2: the best stretch is the first part, the next the last."""
    time_s = frame_times(7.0)
    rate_hz = np.interp(time_s, [0, 4, 5, 7], [10.0, 10.0, 20.0, 20.0])
    track = Track(time_s=time_s, rate_hz=rate_hz, evidence=np.full(len(time_s), 30.0))
    heard = Signals(wave=np.ones(7 * WAVE_RATE_HZ), envelope=np.zeros(7 * ENVELOPE_RATE_HZ))
    first, second, *_ = steady_spans(heard, track, Phase.from_rate(time_s, rate_hz, 7.0), 3)
    assert first.start_s == 0.0
    assert 3.4 < first.end_s < 4.3
    assert second.start_s > 4.7
    assert second.end_s == 7.0


def test_spans_hold_no_silence() -> None:
    """Two engines at different speeds with half a second of silence between: each stretch lies within one of them."""
    time_s = frame_times(7.0)
    rate_hz = np.where(time_s < 2.75, 12.0, 10.0)
    track = Track(time_s=time_s, rate_hz=rate_hz, evidence=np.full(len(time_s), 30.0))
    wave = np.ones(7 * WAVE_RATE_HZ)
    wave[round(2.5 * WAVE_RATE_HZ) : 3 * WAVE_RATE_HZ] = 0.0
    heard = Signals(wave=wave, envelope=np.zeros(7 * ENVELOPE_RATE_HZ))
    first, second, *_ = steady_spans(heard, track, Phase.from_rate(time_s, track.rate_hz, 7.0), 3)
    assert 3.0 <= first.start_s < 3.25  # kept off by 0.2 s
    assert first.end_s == 7.0
    assert second.start_s == 0.0
    assert 2.25 < second.end_s <= 2.5


def test_one_stretch_stands_for_a_speed() -> None:
    """Half a second of silence in a steady run parts it in two: the shorter part would tell nothing new."""
    time_s = frame_times(7.0)
    track = Track(time_s=time_s, rate_hz=np.full(len(time_s), 10.0), evidence=np.full(len(time_s), 30.0))
    wave = np.ones(7 * WAVE_RATE_HZ)
    wave[round(2.5 * WAVE_RATE_HZ) : 3 * WAVE_RATE_HZ] = 0.0
    heard = Signals(wave=wave, envelope=np.zeros(7 * ENVELOPE_RATE_HZ))
    (only,) = steady_spans(heard, track, Phase.from_rate(time_s, track.rate_hz, 7.0), 3)
    assert 3.0 <= only.start_s < 3.25


def test_there_is_always_a_stretch() -> None:
    """Even where in every frame noise explains the sound better than lines do."""
    time_s = frame_times(3.0)
    track = Track(time_s=time_s, rate_hz=np.full(len(time_s), 10.0), evidence=np.linspace(-9.0, -3.0, len(time_s)))
    heard = Signals(wave=np.ones(3 * WAVE_RATE_HZ), envelope=np.zeros(3 * ENVELOPE_RATE_HZ))
    assert steady_spans(heard, track, Phase.from_rate(time_s, track.rate_hz, 3.0), 3)


def test_a_slow_sweep_is_heard_in_stretches_of_enough_cycles() -> None:
    """From 5.4 to 9.6 cycles a second within 2.6 s, none of it steady: half a second would say nothing of a cycle."""
    time_s = frame_times(2.6)
    rate_hz = 5.4 * (9.6 / 5.4) ** (time_s / 2.6)
    track = Track(time_s=time_s, rate_hz=rate_hz, evidence=np.full(len(time_s), 9.0))
    heard = Signals(wave=np.ones(round(2.6 * WAVE_RATE_HZ)), envelope=np.zeros(round(2.6 * ENVELOPE_RATE_HZ)))
    phase = Phase.from_rate(time_s, rate_hz, 2.6)
    first, *_ = steady_spans(heard, track, phase, 3)
    assert phase.at(first.end_s) - phase.at(first.start_s) > 6


def test_misfit_is_the_gaussian_density() -> None:
    """Against scipy's multivariate normal of the real and imaginary parts (each has half of the covariance)."""
    rng = np.random.default_rng(3)
    factor = rng.standard_normal((5, 3)) + 1j * rng.standard_normal((5, 3))
    covariance, noise = factor @ factor.conj().T, rng.uniform(0.5, 2.0, 5)
    full = covariance + np.diag(noise)
    halves = np.block([[full.real, -full.imag], [full.imag, full.real]]) / 2
    for seen in (rng.standard_normal((2, 5)) + 1j * rng.standard_normal((2, 5))) * [[1], [3]]:
        wanted = -stats.multivariate_normal(cov=halves).logpdf(np.concatenate([seen.real, seen.imag]))
        found = log_misfit(covariance[None], noise[None], seen[None])[0]
        assert found + 5 * np.log(np.pi) == pytest.approx(wanted, rel=1e-9)


@pytest.mark.parametrize("place", [270 / 720, 315 / 720, 180 / 720, 0.5])
def test_the_true_pattern_fits_best(place: float) -> None:
    """Of pairs of pulses through one short response, that with the true interval has the greatest evidence."""
    tries = [180 / 720, 225 / 720, 270 / 720, 315 / 720, 0.5]
    found = fits(
        [lines_of([0.0, place], [1.0, 1.0])], Shapes.of([Way(np.array([0, t])) for t in tries]), ALIKE, pattern.WAVE
    )
    assert tries[int(np.argmax([f.evidence[0, 0] for f in found]))] == pytest.approx(place)


def test_a_weak_pulse_is_recognised() -> None:
    """Three even pulses, one at half strength: that way fits better than three alike, or than two."""
    thirds = np.arange(3) / 3
    ways = [Way(thirds, strengths=(1.0, 1.0, 0.5)), Way(thirds), Way(thirds[:2])]
    weak, alike, two = fits([lines_of(list(thirds), [1.0, 1.0, 0.5])], Shapes.of(ways), ALIKE, pattern.WAVE)
    assert weak.evidence[0, 0] > max(alike.evidence[0, 0], two.evidence[0, 0])


def test_pulses_are_put_where_they_are() -> None:
    """A pulse four degrees from its layout's place is found within a degree."""
    lines, nominal = lines_of([0.0, 274 / 720], [1.0, 1.0]), np.array([0.0, 270 / 720])
    (fit,) = fits([lines], Shapes.of([Way(nominal)]), ALIKE, pattern.WAVE)
    placed = place_pulses(lines, nominal, fit)
    assert 720 * placed.fractions[1] == pytest.approx(274, abs=1.0)


def test_the_crank_is_looked_for_between_the_layouts_place_and_what_is_heard() -> None:
    """Against sums over a grid: where a crank of 270 degrees, give or take, puts a pulse that is heard at 274.

    What the crank may put, 2.5 degrees, and what pipes may add, 0.6 ms, are normal (common practice). The deviation
    may be a tenth more: where it is heard is not quite certain either.
    """
    lines, nominal = lines_of([0.0, 274 / 720], [1.0, 1.0], noise_power=1e-8), np.array([0.0, 270 / 720])
    (fit,) = fits([lines], Shapes.of([Way(nominal)]), ALIKE, pattern.WAVE)
    placed = place_pulses(lines, nominal, fit)
    crank_deg = np.linspace(240, 300, 6001)
    heard_deg, pipe_deg = 720 * placed.fractions[1], 0.6e-3 * CYCLE_HZ * 720
    odds = stats.norm.pdf(crank_deg, 270, 2.5) * stats.norm.pdf(heard_deg, crank_deg, pipe_deg)
    wanted_deg = np.average(crank_deg, weights=odds)
    wanted_sd_deg = np.sqrt(np.average((crank_deg - wanted_deg) ** 2, weights=odds))
    assert 720 * placed.intervals == pytest.approx([wanted_deg, 720 - wanted_deg], abs=0.01)
    assert wanted_sd_deg <= 720 * placed.interval_sd[0] <= 1.1 * wanted_sd_deg


@pytest.mark.parametrize(("strengths", "sign"), [([1.0, 0.5], 1), ([0.5, 1.0], -1), ([1.0, 1.0], 0)])
def test_a_weak_pulse_is_placed_later_than_it_is_heard(strengths: list[float], sign: int) -> None:
    """On a crank free to put it anywhere it is nearer to its place than to where it is heard; alike, they are there."""
    heard = 270 / 720 - sign * WEAK_EARLY
    lines, nominal = lines_of([0.0, heard], strengths), np.array([0.0, heard])
    (fit,) = fits([lines], Shapes.of([Way(nominal)]), ALIKE, pattern.WAVE)
    placed = place_pulses(lines, nominal, fit, crank_sd=30 / 720)
    assert 720 * placed.fractions[1] == pytest.approx(720 * heard, abs=1.0)
    assert 720 * placed.intervals == pytest.approx([270, 450], abs=720 * WEAK_EARLY / 2 if sign else 1.0)
    assert (placed.interval_sd.max() > WEAK_EARLY_SD / 2) == bool(sign)
    known = place_pulses(lines, np.array([0.0, 270 / 720]), fit)  # the same on a crank whose layout says 270
    assert 720 * known.intervals == pytest.approx([270, 450], abs=720 * WEAK_EARLY / 2 if sign else 1.0)


def test_a_weak_pulse_is_heard_early() -> None:
    """The flow from a cylinder at 0.6 of the pressure is like the full one's some 10 degrees early, 4 to 30.

    By the lag at which the two are most alike, of their rate of change, which is what is heard (monopole: Morse and
    Ingard, Theoretical Acoustics, 1968, from memory); pressures and valves as in the outside model of an engine.
    """
    lags_deg = []
    for rpm, pressure_pa, area_ratio in product((800.0, 1600.0), (2.5e5, 4e5), (0.1, 0.15, 0.2)):
        cylinder = gas.Cylinder(area_ratio=area_ratio)
        start_pa, start_k = pressure_pa * np.array([1.0, 0.6]), 1100.0 * np.array([1.0, 0.6**0.3])
        full, weak = np.gradient(gas.outflow(cylinder, start_pa, start_k, np.full(2, rpm)), axis=1)
        likeness = signal.correlate(weak, full)
        lags_deg.append(likeness.argmax() - (len(full) - 1))
    early_deg = -np.array(lags_deg)
    assert 4 <= early_deg.min() <= early_deg.max() <= 30
    either_deg = np.concatenate((early_deg, np.zeros_like(early_deg)))  # or its pipe is further off
    assert either_deg.mean() == pytest.approx(720 * WEAK_EARLY, abs=1.5)
    assert either_deg.std() == pytest.approx(720 * WEAK_EARLY_SD, abs=1.5)


def test_pulse_levels_are_the_strengths() -> None:
    """Strengths of 1 and 0.6 come back as a ratio of 0.6, within a tenth: the response is not known beforehand."""
    lines, places = lines_of([0.0, 270 / 720], [1.0, 0.6]), np.array([0.0, 270 / 720])
    (fit,) = fits([lines], Shapes.of([Way(places)]), ALIKE, pattern.WAVE)
    levels = pulse_levels(lines, places, fit)
    assert levels[1] / levels[0] == pytest.approx(0.6, abs=0.06)


def test_no_pulse_levels_in_noise_alone() -> None:
    """Lines that are all fainter than the noise say nothing about the pulses."""
    lines, places = lines_of([0.0, 270 / 720], [1.0, 0.6], noise_power=100.0), np.array([0.0, 270 / 720])
    (fit,) = fits([lines], Shapes.of([Way(places)]), ALIKE, pattern.WAVE)
    assert pulse_levels(lines, places, fit) is None


def test_pulse_levels_of_lines_that_do_not_fit(rng: np.random.Generator) -> None:
    """Lines of any phase, some hardly noisy, have strengths of mean 1, no more than half of them weak, or none."""
    lines, places = lines_of([0.0, 0.25, 0.4, 0.5], [1.0, 1.0, 1.0, 1.0]), np.array([0.0, 0.25, 0.4, 0.5])
    (fit,) = fits([lines], Shapes.of([Way(places)]), ALIKE, pattern.WAVE)
    found = []
    for _ in range(40):
        turned = lines.amplitude * np.exp(2j * np.pi * rng.random(len(lines.order)))
        noise = lines.noise_power * 10 ** rng.normal(0, 1.5, len(lines.order))
        heard = replace(lines, amplitude=turned, noise_power=noise)
        levels = pulse_levels(heard, places, replace(fit, decay_s=0.002))
        found.append(levels is not None)
        assert levels is None or (levels.mean() == pytest.approx(1.0) and np.median(levels) > 0.2)
    assert {True, False} == set(found)


@pytest.mark.parametrize("snr_db", [0.0, 10.0, 20.0])
def test_constant_rate_reaches_the_bound(snr_db: float) -> None:
    """RMS error over 100 draws of noise: at most 1.5 Cramer-Rao bounds (formula in tests/clipmaker/special)."""
    rng = np.random.default_rng(4)
    orders, rate_hz, samples = np.arange(1.0, 21.0), 13.37, 2 * WAVE_RATE_HZ
    time_s = np.arange(samples) / WAVE_RATE_HZ
    amplitude = 1 / orders
    clean = sum(a * np.cos(2 * np.pi * k * rate_hz * time_s + k * k) for a, k in zip(amplitude, orders, strict=True))
    variance = clean.var() / 10 ** (snr_db / 10)
    bound_hz = rate_bound_hz(orders, amplitude, variance, samples=samples, rate_hz=WAVE_RATE_HZ)
    off_hz = [
        constant_rate_hz(clean + np.sqrt(variance) * rng.standard_normal(samples), 13.39, orders, np.ones(20)) - rate_hz
        for _ in range(100)
    ]
    assert np.sqrt(np.mean(np.square(off_hz))) < 1.5 * bound_hz


def test_a_standing_tone_is_taken_out_and_nothing_else() -> None:
    """Of a tone with its multiples and one between them, the latter is left: all but the hundredth at the ends."""
    time_s = np.arange(4 * WAVE_RATE_HZ) / WAVE_RATE_HZ
    between = np.sin(2 * np.pi * 77.7 * time_s)
    whole = between + sum(np.sin(2 * np.pi * 50.03 * k * time_s + k) for k in range(1, 20))
    left = without_lines(whole, 50.03)
    assert np.mean((left - between) ** 2) < 0.01 * np.mean(whole**2)
    assert np.mean((left - between)[WAVE_RATE_HZ:-WAVE_RATE_HZ] ** 2) < 0.01 * np.mean(between**2)


@pytest.mark.parametrize(("swing", "stands"), [(0.0, True), (0.02, False)])
def test_a_tone_that_moves_does_not_stand(swing: float, stands: bool, rng: np.random.Generator) -> None:
    """A tone in noise is found if it stands still; one that swings by two per cent, as an engine's lines may, is not.

    A swing of 2 % of 437 Hz, twice a second, spreads it over 21 Hz (Carson's rule: 2 x 8.7 Hz and 2 x 2 Hz; textbook).
    """
    time_s = np.arange(4 * WAVE_RATE_HZ) / WAVE_RATE_HZ
    turns = 437.03 * (time_s - swing / (2 * np.pi * 2) * np.cos(2 * np.pi * 2 * time_s))
    found = tone_hz(np.sin(2 * np.pi * turns) + rng.standard_normal(len(time_s)))
    assert (found is not None) == stands
    assert found is None or found == pytest.approx(437.03, abs=0.01)


@pytest.mark.parametrize("ratio", [1.0, 2 / 3])
@pytest.mark.parametrize("begin", [0.1, 0.47, 0.95], ids=["early", "over the edge", "late"])
def test_missing_pulses_are_counted(begin: float, ratio: float, rng: np.random.Generator) -> None:
    """Decaying tones, every fifth of the second ones missing: a share of 0.2, wherever in the cycle a pulse begins.

    Also where the track runs at 3/2 of the cycle. The cycles at both ends are left out: 0.03 either way.
    """
    time_s = np.arange(8 * WAVE_RATE_HZ) / WAVE_RATE_HZ
    wave = 0.02 * rng.standard_normal(len(time_s))
    for number in range(160):
        since_s = np.maximum(time_s - (number / 2 + begin) / 10.0, 0.0)
        wave += (number % 10 != 5) * np.exp(-since_s / 0.008) * np.sin(2 * np.pi * 110 * since_s)
    heard = Signals(wave=wave / wave.std(), envelope=np.zeros(8 * ENVELOPE_RATE_HZ))
    phase = Phase.from_rate(np.array([0.0, 8.0]), np.full(2, 10.0 / ratio), 8.0)
    main = piece(heard.wave, WAVE_RATE_HZ, phase, 0.0, 8.0)
    assert main is not None and main.first_cycle == 0.0
    fitted = Fit(evidence=np.zeros((1, 1)), share=ALIKE[0], decay_s=0.008, plateau=0.0, start=(begin,))
    shares = weak_shares(heard, phase, main, ratio, np.array([0.0, 0.5]), np.ones(2), fitted)
    assert shares == pytest.approx([0.0, 0.2], abs=0.03)


def test_only_a_steady_speed_is_taken_as_constant() -> None:
    """A track with small errors gives way to the true constant rate; one that rises by one per cent stays."""
    time_s = np.linspace(0, 4, 40)
    for rise, steady in ((1.0, True), (1.01, False)):
        wave = swept(20.0, 20.0 * rise + 1e-9, 4.0, 30)
        heard = Signals(wave=wave / wave.std(), envelope=np.zeros(4 * ENVELOPE_RATE_HZ))
        track = Phase.from_rate(time_s, 20.0 * rise ** (time_s / 4) * (1 + 5e-4 * np.sin(9 * time_s)), 4.0)
        found = steadied(heard, track, track)
        assert found.is_steady == steady
        if steady:
            assert found.mean_hz == pytest.approx(20.0, rel=1e-5)


@pytest.mark.parametrize("duration_s", [4.0, 20.0])
def test_refining_that_leads_astray_is_not_followed(duration_s: float) -> None:
    """Of a rough track that is right and a refined one that runs off by a tenth of its rate, the rough one is kept."""
    time_s = np.linspace(0, duration_s, 40)
    wave = swept(20.0, 22.0, duration_s, 30)
    heard = Signals(wave=wave / wave.std(), envelope=np.zeros(round(duration_s * ENVELOPE_RATE_HZ)))
    right_hz = 20.0 * 1.1 ** (time_s / duration_s)
    rough, astray = (
        Phase.from_rate(time_s, right_hz * (1 + off * time_s / duration_s), duration_s) for off in (0.0, 0.1)
    )
    assert steadied(heard, rough, astray) is rough


def test_lines_stand_at_their_power() -> None:
    """A cosine of amplitude 0.5 in white noise: its line is 0.5, and the noise that of the window's sum of squares."""
    rng = np.random.default_rng(5)
    time_s = np.arange(4 * WAVE_RATE_HZ) / WAVE_RATE_HZ
    wave = 0.5 * np.cos(2 * np.pi * 60 * time_s) + 0.1 * rng.standard_normal(len(time_s))
    found = piece(wave, WAVE_RATE_HZ, Phase.from_rate(np.array([0.0, 4.0]), np.array([20.0, 20.0]), 4.0), 0, 4)
    assert found is not None
    lines = found.lines(1.0, 300.0, 20)
    assert abs(lines.amplitude[2]) == pytest.approx(0.5, rel=0.02)
    # Amplitude scale, Hann: each bin holds 4 * 1.5 * variance / samples of the noise.
    assert np.median(lines.noise_power) == pytest.approx(6 * 0.01 / len(time_s), rel=0.3)


# A four at idle as a phone hears it: most multiples clear, 20 dB above the noise, the speed wandering a little.
IDLE = presence.Clues(
    wave_lines=25,
    hiss_lines=3,
    line_share=0.7,
    level_spread_db=0.8,
    firing_hz=30.0,
    line_fill=25 / 60,
    line_strength=4.6,
    wander=0.005,
    leaps=0.0,
    clockwork=False,
    fall_db=1.2,  # of ten normal values, the least is 1.54 deviations below the mean (tables of order statistics)
)


def test_a_tone_on_the_mains_is_no_engine() -> None:
    """Two clear lines at the mains' rate are hum; a pulse there, with most multiples clear, may be an engine."""
    few = replace(IDLE, wave_lines=4, line_fill=4 / 20, hiss_lines=2, line_share=0.9, firing_hz=50.0)
    many = replace(few, wave_lines=19, line_fill=19 / 20, hiss_lines=5)
    assert presence.probability(few, 50.0) < 0.5
    assert presence.probability(many, 50.0) > 0.9


@pytest.mark.parametrize(
    "other",
    [
        {"level_spread_db": 10.0},
        {"leaps": 0.5},
        {"firing_hz": 2.0},
        {"wave_lines": 2, "hiss_lines": 0},
        {"wave_lines": 10, "line_fill": 0.3, "level_spread_db": 3.0, "fall_db": 15.0},
    ],
    ids=["swells and fades", "leaps from note to note", "a slow beat", "few multiples", "a drum that fades"],
)
def test_what_speaks_against_an_engine(other: dict[str, float]) -> None:
    """An idle is read; with a level, a rate or lines that no running engine has, it is not (common practice)."""
    assert presence.probability(IDLE, None) > 0.9
    assert presence.probability(replace(IDLE, **other), None) < presence.PRESENT - 0.2


def test_a_slow_beat_that_stands_still_is_a_clock() -> None:
    """Eight beats a second: a single at 960 rpm if they wander a little, a watch if they never do (common practice)."""
    beat = replace(IDLE, wave_lines=58, hiss_lines=40, line_fill=1.0, firing_hz=8.0, line_share=0.4, wander=0.0)
    assert presence.probability(replace(beat, wander=0.005), None) > presence.PRESENT
    assert presence.probability(replace(beat, clockwork=True), None) < presence.PRESENT


def test_a_clean_tone_that_stands_still_is_less_like_an_engine() -> None:
    """Lines 30 dB above the noise at a rate that never changes, without a hiss: an organ rather than an engine."""
    clean = replace(IDLE, wave_lines=20, line_fill=20 / 60, hiss_lines=0, line_strength=7.0, wander=0.0)
    assert presence.probability(clean, None) < presence.PRESENT - 0.15
    assert presence.probability(replace(clean, line_strength=4.6, wander=0.005), None) > presence.PRESENT


def test_one_rhythm_is_as_likely_whatever_cycle_it_is_told_of(rng: np.random.Generator) -> None:
    """One pulse a cycle, or two even ones in twice the cycle, are one rhythm: both must see the same part of a hiss."""
    per_cycle, cycles = 600, 80
    place = np.arange(per_cycle * cycles) % per_cycle / per_cycle
    wave = rng.standard_normal(len(place))
    hiss = np.exp(-place / 0.02) + 0.01 * rng.standard_normal(len(place))
    pieces = [Piece.of(s, first_cycle=0.0, cycles=cycles, rate_hz=20.0).normalised() for s in (wave, hiss)]
    found = weigh(Material(wave=(pieces[0],), hiss=(pieces[1],)), (0.5, 1.0))
    one, two = (
        next(h for h in found if h.ratio == ratio and h.candidate.is_even and h.candidate.pulses == pulses)
        for ratio, pulses in ((1.0, 1), (0.5, 2))
    )
    # In the second its two cylinders may be unlike each other: that costs it 9 of 100 000.
    assert two.evidence == pytest.approx(one.evidence, rel=1e-3)


@pytest.mark.parametrize(
    ("shares", "uneven_deg", "probability", "spread_deg"),
    [
        ({280: 0.3, 285: 0.3}, 282.5, 0.6, 2.5),  # the mean
        ({290: 0.3, 305: 0.3}, 297.5, 0.6, 7.5),  # too far apart to count as each other: midway counts as both
        ({290: 0.4, 305: 0.2}, 296.0, 0.6, 51**0.5),  # their mean, 295, is too far from the rarer one
        ({290: 0.55, 305: 0.05}, 290.0, 0.55, 0.0),  # what is hardly likely draws nothing after it
        ({305: 0.5, 325: 0.1}, 305.0, 0.5, 0.0),  # nothing is near enough to both
    ],
)
def test_neighbouring_patterns_count_as_one_answer(
    shares: dict[int, float], uneven_deg: float, probability: float, spread_deg: float
) -> None:
    """One pulse or one of two twins a few degrees apart: the answer with which most of the odds agree, to 9 degrees."""
    one = next(c for c in candidates() if c.is_even and c.pulses == 1)
    twins = {round(720 * c.fractions[1]): c for c in candidates() if c.pulses == 2}
    odds = {one: 1 - sum(shares.values()), **{twins[deg]: share for deg, share in shares.items()}}
    heard = [
        Hypothesis(ratio=1.0, candidate=c, evidence=np.full(2, np.log(share / c.weight))) for c, share in odds.items()
    ]
    choice = choose(engines(heard, 20.0), Hints())
    assert choice is not None
    assert not choice.answer.even
    assert choice.probability == pytest.approx(probability, abs=0.01)
    assert choice.answer.intervals * 720 == pytest.approx([uneven_deg, 720 - uneven_deg])
    assert choice.spread * 720 == pytest.approx([spread_deg] * 2)


@pytest.mark.parametrize(
    ("heard_deg", "name", "share", "present", "answer", "where"),
    # Intervals of the layouts: tests/test_layout.py.
    [
        ((270, 450), "v-twin-90", 1.0, 1.0, "yes", ""),
        ((270, 450), "parallel-twin-360", 1.0, 1.0, "no", "the layout fires evenly, the likeliest reading 270-450 "),
        (
            (270, 450),
            "inline-four-crossplane",
            1.0,
            1.0,
            "no",
            "the likeliest reading has 2 pulses in a cycle, the layout 4",
        ),
        ((270, 450), "v10-90-odd", 1.0, 1.0, "yes", ""),
        (
            (270, 450),
            "v10-90-odd",
            0.75,
            1.0,
            "can't tell",
            "the intervals are near enough, but other patterns fit as well",
        ),
        ((270, 450), "v-twin-45", 1.0, 1.0, "no", "an interval differs by 45 degrees on a 720-degree cycle"),
        (
            (270, 450),
            "v-twin-90",
            0.75,
            1.0,
            "can't tell",
            "the intervals are near enough, but other patterns fit as well",
        ),
        ((720,), "boxer-twin", 1.0, 1.0, "yes", ""),
        (
            (720,),
            "boxer-twin",
            0.75,
            1.0,
            "can't tell",
            "the likeliest reading fires evenly, as the layout does, but others fit as well",
        ),
        ((720,), "v-twin-90", 1.0, 1.0, "no", "the likeliest reading fires evenly, the layout does not"),
        ((720,), "v-twin-90", 1.0, 0.2, "can't tell", "it is not sure that there is an engine in the recording"),
    ],
)
def test_a_layout_asked_for_is_answered_with_where_it_differs(
    heard_deg: tuple[int, ...], name: str, share: float, present: float, answer: str, where: str
) -> None:
    """Yes or no where one pattern has the odds and an engine is there; else it can't be told; and what is otherwise."""
    known = next(c for c in candidates() if [round(720 * share) for share in c.intervals] == list(heard_deg))
    only = Hypothesis(ratio=1.0, candidate=known, evidence=np.zeros(2))
    choice = choose(engines([only], 8.0), Hints())
    assert choice is not None
    choice = replace(choice, weighed=tuple((engine, share * odds) for engine, odds in choice.weighed))
    found = compare_with_layout(choice, present, Hints(layout=name))
    assert found is not None
    assert (found["layout"], found["answer"]) == (name, answer)
    assert str(found["where"]).startswith(where) and bool(found["where"]) == bool(where)
    assert compare_with_layout(choice, present, Hints()) is None


@pytest.mark.parametrize("asked", [None, "280-440", "70-290-70-290", "200-520"])
def test_no_pattern_is_weighed_twice(asked: str | None) -> None:
    """Not even one that is asked for and stands among those that no layout has: its odds would be shared out."""
    every = candidates(None if asked is None else find_layout(asked))
    alike = [(a, b) for a, b in combinations(every, 2) if same_rotation(a.intervals, b.intervals)]
    assert alike == []
    assert sum(c.weight for c in every) == pytest.approx(1.0)


def test_a_pattern_stands_for_those_that_repeat_it_where_no_line_says_so() -> None:
    """270-450 at 60 cycles a second: a twin at 7200 rpm, or an odd-firing six at 2400 or ten at 1440 (rpm = 120 f).

    (A common-pin 90-degree six fires 90-150 three times, such a ten 54-90 five times: common practice.) Where the
    longer cycle was weighed for itself, it has its own odds.
    """
    twin = next(c for c in candidates() if [round(720 * i) for i in c.intervals] == [270, 450])
    once = Hypothesis(ratio=1.0, candidate=twin, evidence=np.zeros(2))
    third = Hypothesis(ratio=1 / 3, candidate=twin, evidence=np.zeros(2))
    alone = {name: e.rpm for e in engines([once], 60.0) for name in e.layouts}
    assert alone["v-twin-90"] == pytest.approx(7200)
    assert alone["v6-90-odd"] == pytest.approx(2400)
    assert alone["v10-90-odd"] == pytest.approx(1440)
    beside = {name: e.rpm for e in engines([once, third], 60.0) if e.hypothesis is once for name in e.layouts}
    assert set(alone) - set(beside) == {"v6-90-odd"}


def test_every_even_layout_is_as_likely() -> None:
    """A rhythm of one pulse a cycle is shared out among strokes as the catalogue's even layouts are."""
    one = next(c for c in candidates() if c.is_even and c.pulses == 1)
    heard = Hypothesis(ratio=1.0, candidate=one, evidence=np.zeros(2))
    choice = choose(engines([heard], 20.0), Hints())
    assert choice is not None
    found = readings(choice, 20.0, Hints(), 1.0)
    even = [known for known in map(find_layout, layout_names()) if known.is_even]
    wanted = sum(e.strokes == 4 for e in even) / len(even)
    assert sum(r.probability for r in found if r.strokes == 4) == pytest.approx(
        wanted, abs=0.02
    )  # the least are left out


def test_hints_leave_an_even_rhythm_the_odds_of_the_engines_that_fit() -> None:
    """Even firing 15 times a second is no ten's: none keeps running at 180 rpm (rpm = 120 f / N; common practice).

    Said to be of four cylinders it may be a four's at 450 rpm; but a close pair, as likely before, then is more likely.
    """
    one = next(c for c in candidates() if c.is_even and c.pulses == 1)
    pair = next(c for c in candidates() if [round(720 * i) for i in c.intervals] == [140, 580])
    repeated, _ = pair.repeated[0]
    odds = {one: 1 / one.weight, pair: len(pattern.SHARES) / repeated.weight}
    found = engines(
        [Hypothesis(ratio=1.0, candidate=c, evidence=np.full(2, np.log(share))) for c, share in odds.items()], 15.0
    )
    free, ten, four = (choose(found, hints) for hints in (Hints(), Hints(cylinders=10), Hints(cylinders=4)))
    assert free is not None and ten is not None and four is not None
    assert free.hinted == pytest.approx(1.0)
    assert free.probability == pytest.approx(0.5, abs=0.1)
    assert ten.hinted < 0.01
    assert not four.answer.even
    assert four.probability > 0.8


def test_the_top_of_a_parabola_is_found() -> None:
    """Three points of 5 - 2 (x - 0.3)^2 give 0.3; points that do not bend down have no top."""
    points = (5 - 2 * (x - 0.3) ** 2 for x in (-1.0, 0.0, 1.0))
    assert peak_offset(*points) == pytest.approx(0.3)
    assert peak_offset(1.0, 0.0, 1.0) == 0.0
    assert peak_offset(np.array([0.0, 1.0]), np.array([1.0, 2.0]), np.array([0.0, 3.0])) == pytest.approx([0.0, 0.0])
