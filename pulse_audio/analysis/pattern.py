"""How likely a firing pattern makes the order spectrum seen: a Gaussian model of pulses through an unknown exhaust.

With pulses at fractions x_k of the cycle, the amplitude at order m is ``Y_m = sum_k e_mk H_k(m f) + noise`` with
``e_mk = exp(-2 pi i m x_k)`` and f the cycle rate. The exhaust's response H_k is unknown: a Gaussian process over
frequency, of power s^2(f) that changes smoothly, short in time (it starts with the pulse and dies away), and alike
for all cylinders but for a share u(f) of its own. So Y is Gaussian with covariance

``S_mn = G_mn [ c_m c_n P_m P_n* + d_m d_n sum_k e_mk e_nk* ] + N_m``,

``P_m = sum_k e_mk``, ``c^2 = 1 - u``, ``d^2 = u``, ``G_mn = s_m s_n E(f_m - f_n)``, E the Fourier transform of the
energy envelope of a pulse. Its log likelihood, less that of noise alone, is the evidence; s is re-estimated under
every pattern, so that each has the same freedom. Where the speed changes, pieces at different speeds share s(f),
which is fixed in hertz, and the pattern, which is fixed in orders: that is how a changing speed tells one from the
other.
(Covariance of a filtered pulse train: Papoulis, Probability, Random Variables and Stochastic Processes, from memory.)
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pulse_audio.analysis.fold import Lines

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]


@dataclass(frozen=True, kw_only=True, slots=True)
class OwnShare:
    """Share of a cylinder's response that is its own: `floor` at low frequency, all of it far above `apart_hz`.

    Unequal pipes differ by a delay: the responses part company where it makes half a turn (a millisecond: 500 Hz).
    """

    floor: float
    apart_hz: float

    def at(self, frequency_hz: Floats) -> Floats:
        """Return the share at given frequencies."""
        return 1 - (1 - self.floor) * np.exp(-((frequency_hz / self.apart_hz) ** 2))


@dataclass(frozen=True, kw_only=True, slots=True)
class Medium:
    """What the model leaves open for one kind of signal, as short lists of values that are tried.

    Attributes
    ----------
    shares : tuple of OwnShare
    decays_s : tuple of float
        Time in which a pulse's amplitude falls to 1/e.
    plateaus : tuple of float
        Part of the cycle over which a pulse may go on before it decays (an exhaust stroke is a quarter of a cycle).
    smooth_hz : float
        The power spectrum of the response changes little over this width.
    misfit : float
        Power that the model cannot explain, as part of a line's own: keeps clean recordings from overconfidence.
    """

    shares: tuple[OwnShare, ...]
    decays_s: tuple[float, ...]
    plateaus: tuple[float, ...]
    smooth_hz: float
    misfit: float


NEVER_APART_HZ = 1e9
SHARES = (
    OwnShare(floor=0.001, apart_hz=NEVER_APART_HZ),
    OwnShare(floor=0.01, apart_hz=NEVER_APART_HZ),
    OwnShare(floor=0.1, apart_hz=NEVER_APART_HZ),
    OwnShare(floor=0.35, apart_hz=NEVER_APART_HZ),
    OwnShare(floor=0.02, apart_hz=500.0),
    OwnShare(floor=0.02, apart_hz=150.0),
)
WAVE = Medium(shares=SHARES, decays_s=(0.008, 0.02, 0.05), plateaus=(0.0, 0.2), smooth_hz=60.0, misfit=1e-3)
HISS = Medium(shares=SHARES, decays_s=(0.003, 0.008, 0.02), plateaus=(0.0, 0.2), smooth_hz=150.0, misfit=1e-2)
START_STEPS = 96
START_TRIES = np.array([-4.0, 0.0, 4.0])
FINE_TRIES = np.arange(-8.0, 8.01, 0.125)
SMOOTH_CYCLES = 2.5  # smoothing must span a few orders, or s(f) would follow the pattern itself


@dataclass(frozen=True, kw_only=True, slots=True)
class Fit:
    """How well a pattern explains the lines.

    Attributes
    ----------
    evidence : float
        Log likelihood less that of noise alone, natural units.
    share, decay_s, plateau
        The medium that explains them best.
    start : tuple of float
        Place in the cycle, 0 to 1, where the first pulse starts, for each piece.
    """

    evidence: float
    share: OwnShare
    decay_s: float
    plateau: float
    start: tuple[float, ...]


@dataclass(frozen=True, slots=True, eq=False)
class _Spectrum:
    """Lines of all pieces at one hypothesis of the cycle, with all that does not depend on the pattern."""

    pieces: tuple[Lines, ...]
    nearness: Floats
    lengths: tuple[int, ...]

    @classmethod
    def of(cls, pieces: Sequence[Lines], medium: Medium) -> "_Spectrum":
        frequency = np.concatenate([p.frequency_hz for p in pieces])
        cycle_hz = min(p.cycle_hz for p in pieces)
        spread = max(p.cycle_hz for p in pieces) / cycle_hz
        # Pieces at different speeds put different orders at one frequency: then the smoothing may be finer.
        width = max(medium.smooth_hz, SMOOTH_CYCLES * cycle_hz) if spread < 1.2 else max(20.0, cycle_hz)
        nearness = np.exp(-0.5 * ((frequency[:, None] - frequency[None]) / width) ** 2)
        return cls(tuple(pieces), nearness, tuple(len(p.order) for p in pieces))


def fit(pieces: Sequence[Lines], fractions: Floats, medium: Medium, *, banks: int = 0, fine: bool = False) -> Fit:
    """Fit a pattern to the lines of one or more pieces of a recording.

    Parameters
    ----------
    pieces : sequence of Lines
        Order lines of stretches at nearly steady speed, all at the same hypothesis of the cycle.
    fractions : ndarray, shape (n_pulses,)
        Places of the pulses in the cycle, 0 to 1.
    medium : Medium
        Wave or hiss.
    banks : int
        Groups of pulses, taken in turn, that share what is their own; 0 if each pulse has its own.
    fine : bool
        Look for the start of the first pulse in steps of a tenth of a degree rather than of a pulse's width.

    Returns
    -------
    Fit
        The best over the medium's lists and over the start of the first pulse.
    """
    spectrum = _Spectrum.of(pieces, medium)
    phasors = [np.exp(-2j * np.pi * np.outer(p.order, fractions)) for p in pieces]
    shares = medium.shares if len(fractions) > 1 else medium.shares[:1]
    best: Fit | None = None
    for share in shares:
        powers = _response_power(spectrum, phasors, share, banks)
        prepared = [
            _PieceModel.of(piece, phasor, share, power, medium, banks)
            for piece, phasor, power in zip(pieces, phasors, powers, strict=True)
        ]
        for plateau in medium.plateaus:
            for decay_s in medium.decays_s:
                found = [model.evidence(decay_s, plateau, fine=fine) for model in prepared]
                total = sum(value for value, _ in found)
                if best is None or total > best.evidence:
                    best = Fit(
                        evidence=float(total),
                        share=share,
                        decay_s=decay_s,
                        plateau=plateau,
                        start=tuple(start for _, start in found),
                    )
    assert best is not None
    return best


def _grouped(phasors: Complexes, banks: int) -> Complexes:
    """Sum the phasors of pulses that share what is their own."""
    if not banks:
        return phasors
    return np.stack([phasors[:, k::banks].sum(axis=1) for k in range(banks)], axis=1)


def _response_power(spectrum: _Spectrum, phasors: Sequence[Complexes], share: OwnShare, banks: int) -> list[Floats]:
    """s^2 at every line under a pattern: the power that, smoothed over frequency, explains the lines best."""
    gain = np.concatenate(
        [
            (1 - u) * np.abs(e.sum(axis=1)) ** 2 + u * (np.abs(_grouped(e, banks)) ** 2).sum(axis=1)
            for e, u in ((e, share.at(p.frequency_hz)) for e, p in zip(phasors, spectrum.pieces, strict=True))
        ]
    )
    seen = np.concatenate([np.abs(p.amplitude) ** 2 for p in spectrum.pieces])
    noise = np.concatenate([p.noise_power for p in spectrum.pieces])
    near = spectrum.nearness
    power = (near @ np.maximum(seen - noise, 0.0)) / (near @ gain) + 1e-30
    for _ in range(2):  # expectation and maximisation: two rounds settle it to a few per cent
        trust = power * gain / (power * gain + noise)
        expected = (trust * trust * seen + trust * noise) / gain
        power = (near @ (trust * expected)) / np.maximum(near @ trust, 1e-9)
    power = np.maximum(power, 1e-4 * noise / phasors[0].shape[1])
    return np.split(power, np.cumsum(spectrum.lengths)[:-1])


@dataclass(frozen=True, slots=True, eq=False)
class _PieceModel:
    """One piece under one pattern and share: what the search over decay and start has in common."""

    lines: Lines
    covariance: Complexes
    noise: Floats
    start_energy: Complexes
    difference_hz: Floats
    base: float

    @classmethod
    def of(
        cls, lines: Lines, phasors: Complexes, share: OwnShare, power: Floats, medium: Medium, banks: int
    ) -> "_PieceModel":
        pulses = phasors.shape[1]
        groups = _grouped(phasors, banks)
        own = share.at(lines.frequency_hz)
        common = phasors.sum(axis=1)
        gain = (1 - own) * np.abs(common) ** 2 + own * (np.abs(groups) ** 2).sum(axis=1)
        noise = lines.noise_power + medium.misfit * power * pulses
        c = np.sqrt(power * (1 - own)) * common
        d = np.sqrt(power * own)
        covariance = np.outer(c, c.conj()) + np.outer(d, d) * (groups @ groups.conj().T)
        # The response undone of the pattern, back in time: where its energy begins is where the pulse begins.
        undone = lines.amplitude * common.conj() / (gain + noise / power) / np.sqrt(power)
        turn = np.exp(2j * np.pi * np.outer(np.arange(START_STEPS) / START_STEPS, lines.order))
        energy = np.abs(turn @ undone) ** 2
        base = float((np.log(lines.noise_power) + np.abs(lines.amplitude) ** 2 / lines.noise_power).sum())
        difference = lines.frequency_hz[:, None] - lines.frequency_hz[None]
        return cls(lines, covariance, noise, np.fft.fft(energy), difference, base)

    def evidence(self, decay_s: float, plateau: float, *, fine: bool) -> tuple[float, float]:
        """Evidence at the best start of the first pulse, and that start."""
        cycle_s = 1 / self.lines.cycle_hz
        held_s = plateau * cycle_s
        since_s = np.arange(START_STEPS) / START_STEPS * cycle_s
        envelope = np.exp(-2 * np.maximum(since_s - held_s, 0.0) / decay_s)
        overlap = np.real(np.fft.ifft(self.start_energy * np.conj(np.fft.fft(envelope))))
        centre = int(overlap.argmax())
        tries = FINE_TRIES if fine else START_TRIES
        starts = (centre + tries) / START_STEPS % 1.0
        covariance = self.covariance * _envelope_transform(self.difference_hz, held_s, decay_s)
        covariance[np.diag_indices(len(self.noise))] += self.noise
        lower = np.linalg.cholesky(covariance)
        moved = self.lines.amplitude[:, None] * np.exp(2j * np.pi * np.outer(self.lines.order, starts))
        whitened = np.linalg.solve(lower, moved)
        spread = 2 * np.log(np.abs(np.diag(lower))).sum()
        values = self.base - spread - (np.abs(whitened) ** 2).sum(axis=0)
        pick = int(values.argmax())
        return float(values[pick]), float(starts[pick])


def _envelope_transform(difference_hz: Floats, held_s: float, decay_s: float) -> Complexes:
    """Fourier transform of an energy envelope that holds, then decays; 1 at zero."""
    w = 2j * np.pi * difference_hz
    tail = decay_s / 2 / (1 + w * decay_s / 2)
    if held_s == 0:
        return np.asarray(tail / (decay_s / 2))
    safe = np.where(difference_hz == 0, 1.0, w)
    held = np.where(difference_hz == 0, held_s, (1 - np.exp(-safe * held_s)) / safe)
    return np.asarray((held + np.exp(-w * held_s) * tail) / (held_s + decay_s / 2))
