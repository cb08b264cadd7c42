"""How the power of the sound between the lines swells over the cycle.

It swells with each pulse, where the lines are what all pulses and a long echo add up to. Made white, its power at a
place x of the cycle is, for pulses of strength a_k at x_k and a steady background,

``w(x) = 1 - r + r sum_k a_k^2 E(x - x_k) / sum_k a_k^2``,

E the energy envelope of a pulse over the cycle, mean 1. As a Gaussian whose variance changes so, n independent values
of mean power p(x) have the log likelihood ``-n/2 mean(log w + p/w - 1)`` less that of steady noise: the evidence,
averaged over share r, envelope and start. What swells may be drowned in other noise, which tells nothing. Cylinders
scatter unlike each other, and envelopes are not this simple: as with the lines, only a part of it is believed.
(Noise whose power repeats is cyclostationary: Gardner, Napolitano and Paura, Signal Processing 86, 2006, 639-697, from
memory.)
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, rfft
from scipy.special import logsumexp

from pulse_audio.analysis.between import INDEPENDENT, Between
from pulse_audio.analysis.pattern import MOST_ORDERS, Shapes

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

BANDS_HZ = ((20.0, 250.0), (250.0, 900.0))  # above is the hiss
STEPS = 2 * MOST_ORDERS  # of a cycle
DECAYS_S = (0.003, 0.008, 0.02, 0.05)
PLATEAUS = (0.0, 0.2)  # part of the cycle over which a pulse goes on before it decays
SHARES = (0.05, 0.15, 0.4, 0.8)  # of the power that comes with the pulses
DROWNED = 0.2  # odds that none of it does: then every pattern is as likely as without this
BELIEVED = 0.15  # of the values between the lines


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Rest:
    """One band of what stands between the lines of a piece.

    Attributes
    ----------
    power : ndarray, shape (n,)
        At equal steps of the cycle, mean 1.
    worth : float
        Number of independent values that are believed.
    cycles : int
        Of the track, over the piece.
    rate_hz : float
        Rate of the track.
    """

    power: Floats
    worth: float
    cycles: int
    rate_hz: float

    def at_cycle(self, ratio: float) -> "Swelling":
        """Fold the power over the cycle, which runs at `ratio` times the track's rate."""
        turns = (np.arange(len(self.power)) + 0.5) * (self.cycles * ratio / len(self.power))
        place = np.minimum((turns % 1.0 * STEPS).astype(np.int64), STEPS - 1)
        values = np.bincount(place, minlength=STEPS)
        mean = np.bincount(place, self.power, minlength=STEPS) / np.maximum(values, 1)
        cycle_s = 1.0 / (self.rate_hz * ratio)
        pulses = [_envelope(cycle_s, plateau, decay_s) for plateau in PLATEAUS for decay_s in DECAYS_S]
        return Swelling(spectrum=np.asarray(rfft(mean)), envelopes=np.asarray(rfft(pulses)), worth=self.worth)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Swelling:
    """Mean power of one band over the cycle.

    Attributes
    ----------
    spectrum : ndarray of complex, shape (`STEPS` / 2 + 1,)
        Of the power at `STEPS` places of the cycle.
    envelopes : ndarray of complex, shape (n_envelopes, `STEPS` / 2 + 1)
        The same of a pulse at the start of the cycle, as it may swell and die away.
    worth : float
        Number of independent values that are believed.
    """

    spectrum: Complexes
    envelopes: Complexes
    worth: float


def rests(between: Between) -> tuple[Rest, ...]:
    """Measure the power of each band over the piece; bands in which nothing is left are left out."""
    found = []
    for low_hz, high_hz in BANDS_HZ:
        band = (between.hz > low_hz) & (between.hz < high_hz)
        power = np.asarray(irfft(np.where(band, between.spectrum, 0.0), between.frames)) ** 2
        if not power.any():
            continue
        power /= power.mean()
        # Clicks and rattles are rare and strong: of values whose squares spread wider than a Gaussian's, fewer count.
        spread = max(float(INDEPENDENT * np.mean(power**2) - 1.0) / 2.0, 1.0)
        worth = BELIEVED * INDEPENDENT * 2.0 * int((band & between.kept).sum()) / spread
        found.append(Rest(power=power, worth=worth, cycles=between.cycles, rate_hz=between.rate_hz))
    return tuple(found)


def evidence(bands: Sequence[Swelling], shapes: Shapes) -> Floats:
    """Evidence of patterns in one piece, all bands together, shape (n_patterns,)."""
    places = np.zeros((len(shapes.pulses), MOST_ORDERS + 1), np.complex128)
    places[:, :MOST_ORDERS] = shapes.own[:, :, 0] / shapes.pulses[:, None]  # of the orders 0, 1, 2 and so on
    total = np.zeros(len(places))
    for band in bands:
        likelihood = _likelihood(band, places)
        mean = logsumexp(likelihood, axis=0) - math.log(len(likelihood))
        total += np.logaddexp(math.log(1.0 - DROWNED) + mean, math.log(DROWNED))
    return total


def _likelihood(band: Swelling, places: Complexes) -> Floats:
    """Log likelihood less that of steady noise, the mean over all starts, shape (n_settings, n_patterns)."""
    swelling = np.maximum(irfft(places * band.envelopes[:, None], STEPS), 0.0)
    found = []
    for share in SHARES:
        power = 1.0 - share + share * swelling
        seen_over = np.asarray(irfft(band.spectrum * np.conj(rfft(1.0 / power)), STEPS))
        log_power = np.log(power).sum(axis=2)
        at_starts = -0.5 * band.worth / STEPS * (log_power[:, :, None] + seen_over - STEPS)
        best = at_starts.max(axis=2)
        found.append(best + np.log(np.exp(at_starts - best[:, :, None]).mean(axis=2)))
    return np.concatenate(found)


def _envelope(cycle_s: float, plateau: float, decay_s: float) -> Floats:
    """Energy of a pulse over the cycle, what outlasts it wrapped round, mean 1."""
    turns = np.arange(4 * STEPS) / STEPS
    energy = np.exp(-2.0 * np.maximum(turns - plateau, 0.0) * cycle_s / decay_s).reshape(4, STEPS).sum(axis=0)
    return np.asarray(energy / energy.mean())
