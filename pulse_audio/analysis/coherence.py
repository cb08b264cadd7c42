"""What belongs together of the sound between the lines: a pulse changes as a whole, and its echoes with it.

A firing that is stronger or later than the others changes all orders of its pulse at once. So what stands beside one
line is coherent with what stands beside another, as far as both come from one pulse; other pulses change by themselves.
Pulses of strength a_k at places x_k of the cycle have, between orders d apart, the squared coherence

``g_d^2``, ``g_d = |sum_k a_k^2 exp(-2 pi i d x_k)| / sum_k a_k^2``,

whatever the exhaust makes of them: one pulse has 1 everywhere, however long it echoes, a pair falls to 0 and rises
again. Less is seen, as other noise stands between the lines too and what strength and timing do to far orders differs;
and a throttle, a slip of the track or a common pipe may change all pulses together, so that what is seen is
``s e^(-d f / F) (t + (1 - t) g_d)^2``, f the cycle's rate. How far s, F and t go is not known: the evidence is the mean
over lists of them. What is seen is measured well, but the model is only near: its logarithm is taken to be wrong by a
normal error. And now and then something else is seen.
(Coherence of noise whose power repeats: Gardner, Napolitano and Paura, Signal Processing 86, 2006, 639-697; that of
noise alone is 1/n of n values: Carter, Proc. IEEE 75, 1987, 236-255; both from memory.)
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from pulse_audio.analysis.between import INDEPENDENT, Between
from pulse_audio.analysis.pattern import MOST_ORDERS, Shapes

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

TOP_LAG_HZ = 250.0
BLOCK_HZ = 4.0  # in which the exhaust turns the phases little
LEAST_VALUES = 16  # in a block: fewer are always coherent
SHARES = (0.03, 0.1, 0.25, 0.5, 0.75)
FADES_HZ = (1e9, 150.0, 50.0)
TOGETHER = (0.0, 0.3, 0.6, 0.9)
ERROR = 0.4  # of the natural logarithm of the squared coherence
FAINTEST = 0.01  # squared coherence below which little is made of it
MISLED = 0.05  # odds that something else is seen; it then is as likely as under the best pattern


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Coherence:
    """Of a piece, at the lags 1, 2, 3 and so on; arrays of shape (n_lags,).

    Attributes
    ----------
    seen : ndarray
        Squared coherence, 0 to 1, the mean over the band, less that of noise alone.
    floor : ndarray
        Below which it cannot be told from noise.
    lag_order : float
        Step of the lags as a multiple of the track's rate.
    lag_hz : float
    """

    seen: Floats
    floor: Floats
    lag_order: float
    lag_hz: float


def measured(between: Between) -> Coherence:
    """Measure the coherence of what stands between the lines."""
    spectrum, kept, top = between.spectrum, between.kept, len(between.kept)
    power = np.abs(spectrum) ** 2
    bin_hz = between.rate_hz / between.cycles
    share = kept.sum() / max(top - np.argmax(kept), 1)
    block = int(max(BLOCK_HZ / bin_hz, LEAST_VALUES / max(share, 0.05)))
    lags = min(int(TOP_LAG_HZ / (between.apart * bin_hz)), (top - block) // between.apart)
    seen, floor = [], []
    for lag in range(1, lags + 1):
        shift = lag * between.apart
        starts = np.arange(0, top - shift - block // 2, block)
        both = kept[shift:] & kept[:-shift]
        values = np.add.reduceat(both, starts, dtype=np.int64)
        cross = np.add.reduceat(spectrum[shift:] * spectrum[:-shift].conj(), starts)
        first, second = np.add.reduceat(power[:-shift] * both, starts), np.add.reduceat(power[shift:] * both, starts)
        enough = values >= LEAST_VALUES // 2
        if not enough.any():
            break
        values = INDEPENDENT * values[enough]
        squared = np.abs(cross[enough]) ** 2 / np.maximum(first[enough] * second[enough], 1e-30)
        seen.append(max(float(np.mean((squared - 1 / values) / (1 - 1 / values))), 0.0))
        floor.append(FAINTEST + 2 * float(np.mean(1 / values)) / math.sqrt(len(values)))
    return Coherence(
        seen=np.array(seen), floor=np.array(floor), lag_order=between.line_order, lag_hz=between.apart * bin_hz
    )


def evidence(found: Coherence, ratio: float, shapes: Shapes) -> Floats:
    """Evidence of patterns, less that of noise alone, shape (n_patterns,).

    Parameters
    ----------
    found : Coherence
    ratio : float
        Cycle rate as a multiple of the track's rate.
    shapes : Shapes
    """
    step = round(ratio / found.lag_order)
    lag = np.arange(step, len(found.seen) + 1, step)[: MOST_ORDERS - 1]
    curves, which = _curves(shapes)
    floor = found.floor[lag - 1]
    seen = np.log1p(found.seen[lag - 1] / floor).astype(np.float32)
    errors = []
    for fade_hz in FADES_HZ:
        faded = np.exp(-lag * found.lag_hz / fade_hz) / floor
        for share in SHARES:
            expected = np.log1p(curves[:, :, : len(lag)] * (share * faded).astype(np.float32))
            expected -= seen
            errors.append(np.square(expected, out=expected).sum(axis=2))
    better = (np.square(seen).sum() - np.concatenate(errors).astype(np.float64)) / (2 * ERROR**2)
    return np.asarray(logsumexp(better, axis=0) - math.log(len(better)))[which]


def _curves(shapes: Shapes) -> tuple[Singles, NDArray[np.int64]]:
    """Squared coherence of pulses alone, (n_together, n_curves, n_lags), and which curve each pattern has."""
    alone = np.abs(shapes.own[:, 1:, 0]) / shapes.pulses[:, None]
    distinct, which = np.unique(np.round(alone, 6), axis=0, return_inverse=True)
    together = np.array(TOGETHER)[:, None, None]
    return ((together + (1 - together) * distinct) ** 2).astype(np.float32), which.ravel()


def believed(found: Sequence[Floats]) -> list[Floats]:
    """Bring the evidence of all patterns at all cycles, (n_pieces, n_patterns) each, to what is believed of it."""
    best = np.max([each.max(axis=1) for each in found], axis=0)
    return [np.logaddexp(math.log(1 - MISLED) + each, math.log(MISLED) + best[:, None]) for each in found]
