"""Random numbers that belong to a place, not to a sequence: the same keys give the same number in any order.

A firing's scatter depends on seed, cylinder and cycle alone, so sound made in blocks of any size is the same. Whole
numbers only up to the last step, so that no processor and no vector length changes a bit.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Hashes = NDArray[np.uint64]

_STEP = np.uint64(0x9E3779B97F4A7C15)
_QUARTERS = np.uint64(0x0000_FFFF_0000_FFFF)


def _mixed(x: Hashes) -> Hashes:
    """Scramble 64 bits: the finishing step of the SplitMix64 generator (Steele, Lea and Flood, 2014)."""
    x = (x ^ (x >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    x = (x ^ (x >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return np.asarray(x ^ (x >> np.uint64(31)))


def hashes(*keys: ArrayLike) -> Hashes:
    """Return 64 random bits for each combination of whole-number keys (broadcast against each other)."""
    total = np.zeros(1, dtype=np.uint64)
    for key in keys:
        total = _mixed(total + _STEP + np.atleast_1d(np.asarray(key, dtype=np.int64)).view(np.uint64))
    return total


def uniform(*keys: ArrayLike) -> Floats:
    """Return numbers spread evenly over ``0 <= u < 1``."""
    return np.asarray((hashes(*keys) >> np.uint64(11)).astype(np.float64) * 2.0**-53)


def bell(*keys: ArrayLike) -> Floats:
    """Return numbers of mean 0 and standard deviation 1, near to normal and never beyond 3.47.

    The sum of four evenly spread numbers: bounded, so that a rare firing is odd but never absurd.
    """
    bits = hashes(*keys)
    pairs = (bits & _QUARTERS) + ((bits >> np.uint64(16)) & _QUARTERS)
    total = (pairs + (pairs >> np.uint64(32))) & np.uint64(0xFFFF_FFFF)
    return np.asarray((total.astype(np.float64) - 131_070.0) / (65_536.0 / np.sqrt(3.0)))
