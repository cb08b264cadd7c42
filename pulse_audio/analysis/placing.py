"""Where in the cycle the pulses of the best pattern really stand, how sure that is, and how strong each pulse is.

Pulses are heard where the crank, the valves, the pipes and the air put them. Of what is heard away from the place that
a layout gives a pulse, the crank's part is what the spreads of both say; the faster the engine turns, the less of it.
"""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import softmax

from pulse_audio.analysis import pattern
from pulse_audio.analysis.candidates import WEAK_EARLY, WEAK_EARLY_SD, WEAK_SHARE, WEAK_STRENGTHS
from pulse_audio.analysis.fold import Lines, Phase, Piece, peak_offset, resampled
from pulse_audio.analysis.hypotheses import CRANK_SD, pipe_sd
from pulse_audio.analysis.prepare import WAVE_RATE_HZ, Signals
from pulse_audio.analysis.unlisted import TOLD_APART

Floats = NDArray[np.float64]

STEPS = (4 / 720, 2 / 720, 1 / 720, 0.5 / 720)  # of a cycle, coarse to fine: the evidence is no parabola
BEND_STEP = 2.0 / 720  # over which its curvature is taken: small against a pulse, large against rounding
MISFIT = 1e-3  # of a line's power: once the pattern is chosen, the faint lines may say where its pulses stand
DAMPING = 0.05  # the model's misfit moves pulses by more than noise does
FINE_STEPS = 768  # of the first pulse's start: steps under half a degree, or the evidence would be jagged
PROPOSED_SD = 0.5 / TOLD_APART  # of a pulse that only the sound has put in its place
WEAK = 0.4  # of the mean pulse: a cylinder that hardly pulls, or not at all
LEAST_COMMON = 0.05  # of one pulse's power: where pulses cancel at a line, it tells nothing of their response
ALIKE_SHARE = 0.1  # of the evidence about a pulse's strength, that it is like the others, as most are


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Placed:
    """Pulses as heard, and as the crank places them; arrays of shape (n_pulses,), parts of a cycle.

    Attributes
    ----------
    fractions : ndarray
        Places in the cycle where they are heard, the first at 0.
    intervals, interval_sd : ndarray
        Intervals that the crank most likely makes, and the standard deviation of each.
    """

    fractions: Floats
    intervals: Floats
    interval_sd: Floats


def place_pulses(lines: Lines, nominal: Floats, fitted: pattern.Fit, crank_sd: float = CRANK_SD) -> Placed:
    """Move each pulse but the first to where the evidence is greatest, near its nominal place.

    Steps ever finer on the damped log likelihood with a Gaussian prior about the nominal places; the curvature at the
    end gives the uncertainty. The crank's place lies between the nominal one and that heard, as Gaussian spreads add.

    Parameters
    ----------
    lines : Lines
    nominal : ndarray, shape (n_pulses,)
        Places in the cycle that are expected, the first at 0.
    fitted : Fit
        The medium through which they are heard.
    crank_sd : float
        How far the crank may put a pulse from there: standard deviation, a part of the cycle.
    """
    pipes = pipe_sd(lines.cycle_hz)
    spread = float(np.hypot(crank_sd, pipes))
    medium = replace(
        pattern.WAVE,
        decays_s=(fitted.decay_s,),
        plateaus=(fitted.plateau,),
        misfit=MISFIT,
        dampings=(DAMPING,),
        start_steps=FINE_STEPS,
    )
    fractions = nominal.copy()
    pulses = len(nominal)

    def values(k: int, offsets: NDArray[np.floating[Any]]) -> Floats:
        tries = np.repeat(fractions[None], len(offsets), axis=0)
        tries[:, k] += offsets
        found = pattern.fits([lines], pattern.Shapes.of([pattern.Way(t) for t in tries]), (fitted.share,), medium)
        prior = 0.5 * (((tries - nominal) / spread) ** 2).sum(axis=1)
        return np.asarray([f.evidence[0, 0] for f in found] - prior)

    for step in STEPS:
        for k in range(1, pulses):
            value = values(k, step * np.arange(-2, 3))
            best = int(value.argmax())
            fractions[k] += step * (best - 2)
            if 0 < best < 4:
                fractions[k] += step * float(peak_offset(*value[best - 1 : best + 2]))
    variance = np.zeros(pulses)
    for k in range(1, pulses):
        before, here, after = values(k, BEND_STEP * np.arange(-1, 2))
        bend = (before - 2 * here + after) / BEND_STEP**2
        variance[k] = -1 / bend if bend < -1 / spread**2 else spread**2
    expected, heard = (np.diff(np.append(places, 1.0)) for places in (nominal, fractions))
    if pulses == 2:
        early, early_variance = _second_is_early(lines, fractions)
        heard += (early, -early)
        variance[1] += early_variance
    share = (crank_sd / spread) ** 2
    variance[1:] = share**2 * variance[1:] + share * pipes**2
    # An interval lies between two pulses; both errors count.
    variance += np.roll(variance, -1)
    return Placed(fractions=fractions, intervals=expected + share * (heard - expected), interval_sd=np.sqrt(variance))


def _second_is_early(lines: Lines, fractions: Floats) -> tuple[float, float]:
    """Return by how much a twin's second pulse is heard early, as a weak one is, and the variance of that.

    The mean over its being weak, the first one's (then it is late), or neither, by their odds.
    """
    weak = (1.0, WEAK_STRENGTHS[0])
    ways = [pattern.Way(fractions, strengths=pair) for pair in (weak, weak[::-1], (1.0, 1.0))]
    found = pattern.fits([lines], pattern.Shapes.of(ways), pattern.WEAK_SHARES, pattern.WAVE)
    common = np.log([WEAK_SHARE / 2, WEAK_SHARE / 2, 1 - WEAK_SHARE])
    odds = softmax(common[:, None] + [fit.evidence[0] for fit in found], axis=0).mean(axis=1)
    early = WEAK_EARLY * float(odds[0] - odds[1])
    return early, float(odds[:2].sum()) * (WEAK_EARLY**2 + WEAK_EARLY_SD**2) - early**2


def pulse_levels(lines: Lines, fractions: Floats, fitted: pattern.Fit) -> Floats | None:
    """Strength of each pulse against their mean, as amplitude ratios, shape (n_pulses,); None where nothing tells.

    The response that the pulses share is estimated as if they were alike; each pulse's own strength is then the least
    squares factor on it, held towards 1. (A response estimated anew from these strengths would run off: the strongest
    pulse would take all, with a response that rings on in the others' place.) Where no line stands above the noise, or
    most pulses come out weak, so that the lines follow no such response, nothing tells the pulses apart.
    """
    signal_power = np.maximum(np.abs(lines.amplitude) ** 2 - lines.noise_power, 0.0).mean()
    if signal_power == 0.0:
        return None
    phasors = np.exp(-2j * np.pi * np.outer(lines.order, fractions))
    common = phasors.sum(axis=1)
    response = lines.amplitude * common.conj() / (np.abs(common) ** 2 + lines.noise_power / signal_power + LEAST_COMMON)
    model = phasors * _short(response, lines, fitted)[:, None]
    weight = 1 / lines.noise_power
    left = np.real(model.conj().T @ (weight[:, None] * model))
    right = np.real(model.conj().T @ (weight * lines.amplitude))
    held = ALIKE_SHARE * np.trace(left) / len(fractions) * np.eye(len(fractions))
    strength = np.maximum(np.linalg.solve(left + held, right + held.sum(axis=1)), 0.0)
    mean = strength.mean()
    return strength / mean if 2 * (strength > WEAK * mean).sum() >= len(strength) else None


def _short(response: NDArray[np.complex128], lines: Lines, fitted: pattern.Fit) -> NDArray[np.complex128]:
    """Keep of a response what lies within the time that a pulse lasts."""
    steps = pattern.WAVE.start_steps
    since_s = (np.arange(steps) / steps - fitted.start[0]) % 1.0 / lines.cycle_hz
    held_s = fitted.plateau / lines.cycle_hz
    window = np.exp(-np.maximum(since_s - held_s, 0.0) / fitted.decay_s)
    turn = np.exp(2j * np.pi * np.outer(np.arange(steps) / steps, lines.order))
    wave = (turn @ response) * window
    return np.asarray(turn.conj().T @ wave / steps)


IN_STEP = 0.5  # correlation of a cycle with the mean: below it the track has slipped, or noise hides the cycle


def weak_shares(
    heard: Signals, phase: Phase, main: Piece, ratio: float, fractions: Floats, levels: Floats, fitted: pattern.Fit
) -> tuple[float, ...] | None:
    """Share of the cycles in which each pulse is missing or weak; None where sound can't tell.

    Each cycle's wave is compared, in the stretch where a pulse is strongest, with that pulse's mean over all cycles,
    whose level against the mean pulse is known.
    Only cycles whose neighbours are both in step with the mean count: elsewhere a pulse is not weak but out of place.
    If fewer than half count, or pulses run into each other, nothing is said.
    """
    cycles, steps = int(main.cycles * ratio), 256
    if cycles < 8:
        return None
    first = main.first_cycle
    wave = resampled(heard.wave, WAVE_RATE_HZ, phase, first, first + cycles / ratio, steps * ratio)
    wave = wave.reshape(cycles, steps)
    mean = wave.mean(axis=0)
    gap, decay = float(np.diff(np.append(fractions, 1.0)).min()), fitted.decay_s * main.rate_hz * ratio  # of a cycle
    if decay > 0.75 * gap:
        return None
    likeness = wave @ mean / np.maximum(np.linalg.norm(wave, axis=1) * np.linalg.norm(mean), 1e-12)
    in_step = np.flatnonzero((likeness[:-2] > IN_STEP) & (likeness[2:] > IN_STEP)) + 1
    if len(in_step) < cycles / 2:
        return None
    shares = []
    for place, level in zip(fractions, levels, strict=True):
        begin = int((place + fitted.start[0]) % 1.0 * steps)
        at = np.arange(
            begin, begin + int(min(gap, fitted.plateau + decay) * steps)
        )  # a pulse may last into the next cycle
        template = mean[at % steps]
        strength = wave.ravel()[in_step[:, None] * steps + at] @ template / max(float(template @ template), 1e-12)
        shares.append(float(np.mean(level * strength < WEAK)))
    return tuple(shares)
