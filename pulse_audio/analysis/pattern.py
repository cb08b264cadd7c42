"""How likely a firing pattern makes the order spectrum seen: a Gaussian model of pulses through an unknown exhaust.

With pulses at fractions x_k of the cycle, the amplitude at order m is ``Y_m = sum_k e_mk H_k(m f) + noise`` with
``e_mk = exp(-2 pi i m x_k)`` and f the cycle rate. The exhaust's response H_k is unknown: a Gaussian process over
frequency, of power s^2(f) that changes smoothly, short in time (it starts with the pulse and dies away), and alike
for all cylinders but for a share u(f) of its own and, where they lie in two banks, a share b of their bank's; a weak
cylinder's e_mk are smaller. So Y is Gaussian with covariance

``S_mn = G_mn [ c_m c_n P_m P_n* + b_m b_n sum_j B_mj B_nj* + d_m d_n sum_k e_mk e_nk* ] + N_m``,

``P_m = sum_k e_mk``, ``B_mj`` the same sum over bank j, ``c^2 + b^2 + d^2 = 1``, ``d^2 = u``,
``G_mn = s_m s_n E(f_m - f_n)``, E the Fourier transform of the energy envelope of a pulse. Its log likelihood, less
that of noise alone, is the evidence, averaged over what the model leaves open; s is re-estimated under every pattern,
so that each has the same freedom. The model is no more than half right, so its log likelihood is damped before it is
believed; how much it should be is not known either, so there is an evidence for each damping. Where the speed changes,
pieces at different speeds share s(f), which is fixed in hertz, and the pattern, which is fixed in orders: that is how
a changing speed tells one from the other.
(Covariance of a filtered pulse train: Papoulis, Probability, Random Variables and Stochastic Processes, from memory.)
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from pulse_audio.analysis.fold import Lines

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]


@dataclass(frozen=True, kw_only=True, slots=True)
class OwnShare:
    """Share of a cylinder's response that is its own: `floor` at low frequency, all of it far above `apart_hz`.

    Unequal pipes differ by a delay: the responses part company where it makes half a turn (a millisecond: 500 Hz).
    Of what cylinders have in common, the part `bank` is common to their bank only.
    """

    floor: float
    apart_hz: float
    bank: float = 0.0

    def at(self, frequency_hz: Floats) -> Floats:
        """Return a cylinder's own share at given frequencies."""
        return 1 - (1 - self.floor) * np.exp(-((frequency_hz / self.apart_hz) ** 2))


@dataclass(frozen=True, kw_only=True, slots=True)
class Medium:
    """What the model leaves open for one kind of signal, as short lists of values that are tried.

    Attributes
    ----------
    decays_s : tuple of float
        Time in which a pulse's amplitude falls to 1/e.
    plateaus : tuple of float
        Part of the cycle over which a pulse may go on before it decays (an exhaust stroke is a quarter of a cycle).
    smooth_hz : float
        The power spectrum of the response changes little over this width.
    misfit : float
        Power that the model cannot explain, as part of a line's own: keeps clean recordings from overconfidence.
    dampings : tuple of float
        What the log likelihood is multiplied by, one for each evidence.
    start_steps : int
        Places in the cycle at which the first pulse may start.
    """

    decays_s: tuple[float, ...]
    plateaus: tuple[float, ...]
    smooth_hz: float
    misfit: float
    dampings: tuple[float, ...]
    start_steps: int = 96


NEVER_APART_HZ = 1e9
SHARES = (
    OwnShare(floor=0.001, apart_hz=NEVER_APART_HZ),
    OwnShare(floor=0.01, apart_hz=NEVER_APART_HZ),
    OwnShare(floor=0.1, apart_hz=NEVER_APART_HZ),
    OwnShare(floor=0.35, apart_hz=NEVER_APART_HZ),
    OwnShare(floor=0.02, apart_hz=500.0),
    OwnShare(floor=0.02, apart_hz=150.0),
)
BANK_SHARES = (
    OwnShare(floor=0.01, apart_hz=NEVER_APART_HZ, bank=0.3),
    OwnShare(floor=0.05, apart_hz=NEVER_APART_HZ, bank=0.9),
    OwnShare(floor=0.2, apart_hz=NEVER_APART_HZ, bank=0.5),
    *SHARES[2:4],
)
WEAK_SHARES = (SHARES[1], SHARES[2], SHARES[4])
WAVE = Medium(
    decays_s=(0.008, 0.02, 0.05),
    plateaus=(0.0, 0.2),
    smooth_hz=60.0,
    misfit=3e-2,
    dampings=(0.5, 0.1),
)
HISS = Medium(
    decays_s=(0.003, 0.008, 0.02),
    plateaus=(0.0, 0.2),
    smooth_hz=150.0,
    misfit=1e-2,
    dampings=(0.15, 0.15),
)
MOST_ORDERS = 48
SMOOTH_CYCLES = 2.5  # smoothing must span a few orders, or s(f) would follow the pattern itself


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Fit:
    """How well a pattern explains the lines.

    Attributes
    ----------
    evidence : ndarray, shape (n_pieces, n_dampings)
        Damped log likelihood less that of noise alone, averaged over the medium's lists; natural units.
    share, decay_s, plateau
        The medium that explains the lines best.
    start : tuple of float
        Place in the cycle, 0 to 1, where the first pulse starts, for each piece.
    """

    evidence: Floats
    share: OwnShare
    decay_s: float
    plateau: float
    start: tuple[float, ...]


class Way(NamedTuple):
    """One way in which a pattern may be heard.

    Attributes
    ----------
    places : ndarray, shape (n_pulses,)
        In the cycle, 0 to 1.
    banks : tuple of int
        The bank of each pulse; empty if the pattern has none.
    strengths : tuple of float
        Of each pulse; empty if they are alike.
    """

    places: Floats
    banks: tuple[int, ...] = ()
    strengths: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Shapes:
    """Several patterns at once: what their pulses add up to at the orders 1, 2, 3 and so on of the cycle.

    Attributes
    ----------
    common : ndarray of complex, shape (n_patterns, n_orders)
        Sum of all pulses, each with its strength and its place's phase.
    banks, own : ndarray of complex, shape (n_patterns, n_orders, n_orders)
        Sums over the banks, and over the pulses, of the products of these.
    pulses : ndarray, shape (n_patterns,)
        Sum of the squares of the strengths: the number of pulses, if they are alike.
    """

    common: Complexes
    banks: Complexes
    own: Complexes
    pulses: Floats

    @classmethod
    def of(cls, ways: Sequence[Way]) -> "Shapes":
        """Take the ways in which patterns may be heard."""
        order = np.arange(1, MOST_ORDERS + 1)
        parts = []
        for places, banks, strengths in ways:
            strength = np.array(strengths or [1.0] * len(places))
            phasors = strength * np.exp(-2j * np.pi * np.outer(order, places))
            groups = phasors @ (np.array(banks or [0] * len(places))[:, None] == np.arange(max(banks or (0,)) + 1))
            own, bank = phasors @ phasors.conj().T, groups @ groups.conj().T
            parts.append((phasors.sum(axis=1), bank, own, (strength**2).sum()))
        common, bank, own, pulses = (np.stack(part) for part in zip(*parts, strict=True))
        return cls(common, bank, own, pulses)


def fits(pieces: Sequence[Lines], shapes: Shapes, shares: Sequence[OwnShare], medium: Medium) -> list[Fit]:
    """Fit patterns to the lines of one or more pieces of a recording.

    Parameters
    ----------
    pieces : sequence of Lines
        Order lines of stretches at nearly steady speed, all at the same hypothesis of the cycle.
    shapes : Shapes
        The patterns.
    shares : sequence of OwnShare
        How unlike the cylinders may be.
    medium : Medium
        Wave or hiss.

    Returns
    -------
    list of Fit
        One for each pattern.
    """
    nearness, lengths = _nearness(pieces, medium)
    values, settings, starts = [], [], []
    for share in shares:
        gains = [_gain(piece, shapes, share) for piece in pieces]
        powers = _response_power(pieces, shapes, np.concatenate(gains, axis=1), nearness, lengths)
        models = [
            _PieceModel.of(piece, shapes, share, gain, power, medium)
            for piece, gain, power in zip(pieces, gains, powers, strict=True)
        ]
        for plateau in medium.plateaus:
            for decay_s in medium.decays_s:
                found = [model.evidence(decay_s, plateau) for model in models]
                values.append([value for value, _ in found])
                starts.append(np.stack([start for _, start in found], axis=1))
                settings.append((share, decay_s, plateau))
    likelihood = np.array(values)  # of settings, pieces, patterns
    damped = np.multiply.outer(medium.dampings, likelihood)
    evidence = logsumexp(damped, axis=1) - np.log(len(values))
    best = likelihood.sum(axis=1).argmax(axis=0)
    return [
        Fit(
            evidence=evidence[:, :, k].T,
            share=settings[b][0],
            decay_s=settings[b][1],
            plateau=settings[b][2],
            start=tuple(starts[b][k].tolist()),
        )
        for k, b in enumerate(best)
    ]


def _nearness(pieces: Sequence[Lines], medium: Medium) -> tuple[Floats, tuple[int, ...]]:
    """Weights that smooth a power spectrum over the frequencies of all lines, and the number of lines of each piece."""
    frequency = np.concatenate([p.frequency_hz for p in pieces])
    cycle_hz = min(p.cycle_hz for p in pieces)
    spread = max(p.cycle_hz for p in pieces) / cycle_hz
    # Pieces at different speeds put different orders at one frequency: then the smoothing may be finer.
    width = max(medium.smooth_hz, SMOOTH_CYCLES * cycle_hz) if spread < 1.2 else max(20.0, cycle_hz)
    return np.exp(-0.5 * ((frequency[:, None] - frequency[None]) / width) ** 2), tuple(len(p.order) for p in pieces)


def _gain(lines: Lines, shapes: Shapes, share: OwnShare) -> Floats:
    """Power at each line for a response of power 1, shape (n_patterns, n_lines)."""
    count = len(lines.order)
    own = share.at(lines.frequency_hz)
    at = np.arange(count)
    common = (1 - share.bank) * np.abs(shapes.common[:, :count]) ** 2 + share.bank * np.real(shapes.banks[:, at, at])
    return np.asarray((1 - own) * common + own * np.real(shapes.own[:, at, at]))


def _response_power(
    pieces: Sequence[Lines], shapes: Shapes, gain: Floats, nearness: Floats, lengths: tuple[int, ...]
) -> list[Floats]:
    """s^2 at every line under each pattern: the power that, smoothed over frequency, explains the lines best."""
    seen = np.concatenate([np.abs(p.amplitude) ** 2 for p in pieces])
    noise = np.concatenate([p.noise_power for p in pieces])
    power = (nearness @ np.maximum(seen - noise, 0.0)) / (gain @ nearness) + 1e-30
    for _ in range(2):  # expectation and maximisation: two rounds settle it to a few per cent
        trust = power * gain / (power * gain + noise)
        expected = (trust * trust * seen + trust * noise) / gain
        power = ((trust * expected) @ nearness) / np.maximum(trust @ nearness, 1e-9)
    power = np.maximum(power, 1e-4 * noise / shapes.pulses[:, None])
    return np.split(power, np.cumsum(lengths)[:-1], axis=1)


@dataclass(frozen=True, slots=True, eq=False)
class _PieceModel:
    """One piece under all patterns and one share: what the search over decay and start has in common."""

    lines: Lines
    covariance: Complexes
    noise: Floats
    start_energy: Complexes
    base: float

    @classmethod
    def of(
        cls, lines: Lines, shapes: Shapes, share: OwnShare, gain: Floats, power: Floats, medium: Medium
    ) -> "_PieceModel":
        count = len(lines.order)
        own = share.at(lines.frequency_hz)
        common = shapes.common[:, :count]
        noise = lines.noise_power + medium.misfit * power * shapes.pulses[:, None]
        c = np.sqrt(power * (1 - own) * (1 - share.bank)) * common
        d = np.sqrt(power * own)
        covariance = c[:, :, None] * c.conj()[:, None, :]
        covariance += d[:, :, None] * d[:, None, :] * shapes.own[:, :count, :count]
        if share.bank:
            b = np.sqrt(power * (1 - own) * share.bank)
            covariance += b[:, :, None] * b[:, None, :] * shapes.banks[:, :count, :count]
        # The response undone of the pattern, back in time: where its energy begins is where the pulse begins.
        undone = lines.amplitude * common.conj() / (gain + noise / power) / np.sqrt(power)
        energy = np.abs(undone @ _turns(count, medium.start_steps)) ** 2
        base = float((np.log(lines.noise_power) + np.abs(lines.amplitude) ** 2 / lines.noise_power).sum())
        return cls(lines, covariance, noise, np.fft.fft(energy), base)

    def evidence(self, decay_s: float, plateau: float) -> tuple[Floats, Floats]:
        """Evidence of each pattern at the likeliest start of its first pulse, and that start."""
        cycle_s = 1 / self.lines.cycle_hz
        steps = self.start_energy.shape[1]
        since_s = np.arange(steps) / steps * cycle_s
        envelope = np.exp(-2 * np.maximum(since_s - plateau * cycle_s, 0.0) / decay_s)
        overlap = np.real(np.fft.ifft(self.start_energy * np.conj(np.fft.fft(envelope))))
        start = overlap.argmax(axis=1) / steps
        moved = self.lines.amplitude * np.exp(2j * np.pi * start[:, None] * self.lines.order)
        covariance = self.covariance * _nearby(len(self.lines.order), self.lines.cycle_hz, plateau * cycle_s, decay_s)
        return self.base - log_misfit(covariance, self.noise, moved), start


def log_misfit(covariance: Complexes, noise: Floats, seen: Complexes) -> Floats:
    """Minus the log density (but for a constant) of `seen` under Gaussians of given covariance plus noise.

    Shapes (n_patterns, n, n), (n_patterns, n), (n_patterns, n). One Cholesky factor gives both terms: bordered by the
    data and a corner k that is large enough, its last pivot squared is k less the quadratic form.
    """
    count, n = seen.shape
    corner = 2 * (np.abs(seen) ** 2 / noise).sum(axis=1) + 1
    bordered = np.empty((count, n + 1, n + 1), np.complex128)
    bordered[:, :n, :n] = covariance
    bordered[:, n, :n] = seen.conj()
    bordered[:, n, n] = corner
    at = np.arange(n)
    bordered[:, at, at] += noise
    pivot = np.real(np.diagonal(np.linalg.cholesky(bordered), axis1=1, axis2=2))
    return np.asarray(2 * np.log(pivot[:, :n]).sum(axis=1) + corner - pivot[:, n] ** 2)


@cache
def _turns(count: int, steps: int) -> Complexes:
    return np.asarray(np.exp(2j * np.pi * np.outer(np.arange(1, count + 1), np.arange(steps) / steps)))


def _nearby(count: int, cycle_hz: float, held_s: float, decay_s: float) -> Complexes:
    """Fourier transform of an energy envelope that holds, then decays, at the differences of lines; 1 at zero."""
    w = 2j * np.pi * cycle_hz * np.arange(1 - count, count)
    tail = decay_s / 2 / (1 + w * decay_s / 2)
    w[count - 1] = 1.0
    held = (1 - np.exp(-w * held_s)) / w
    w[count - 1], held[count - 1] = 0.0, held_s
    transform = (held + np.exp(-w * held_s) * tail) / (held_s + decay_s / 2)
    return np.asarray(transform[np.subtract.outer(np.arange(count), np.arange(count)) + count - 1])
