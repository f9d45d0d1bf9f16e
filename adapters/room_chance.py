"""Chance that can be looked up: the same seed, stream and index give the same number, in whatever order one asks.

A simulated room needs that: sixty days of history made in a second and the same minutes lived through one by one must
agree. A generator with a state could not promise it. Everything here is pure and works on whole arrays.

Source: the mixing function of SplitMix64 (Steele, Lea, Flood: Fast splittable pseudorandom number generators, 2014).
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Int64s = NDArray[np.int64]

_GOLDEN: Final = np.uint64(0x9E3779B97F4A7C15)
_MIX_1: Final = np.uint64(0xBF58476D1CE4E5B9)
_MIX_2: Final = np.uint64(0x94D049BB133111EB)


def uniform(seed: int, stream: int, index: Int64s) -> Floats:
    """Give numbers evenly spread over (0, 1), one for each index.

    seed, stream: whole numbers from 0 to 2**63 - 1; streams of one seed are independent.  index: int64, any shape.
    """
    with np.errstate(over="ignore"):  # wrapping around at 2**64 is the method
        key = _mixed(np.array([seed], dtype=np.uint64)) + np.uint64(stream)
        bits = _mixed(_mixed(key) + index.astype(np.uint64))
    return ((bits >> np.uint64(11)).astype(np.float64) + 0.5) * 2.0**-53


def normal(seed: int, stream: int, index: Int64s) -> Floats:
    """Give normally distributed numbers (mean 0, deviation 1), one for each index, by the Box-Muller transform.

    Uses streams 2 * stream and 2 * stream + 1 of `uniform`.
    """
    radius = np.sqrt(-2.0 * np.log(uniform(seed, 2 * stream, index)))
    return np.asarray(radius * np.cos(2.0 * np.pi * uniform(seed, 2 * stream + 1, index)))


def smooth(seed: int, stream: int, at_h: Floats, spacing_h: float) -> Floats:
    """Give a smooth random course of time with mean 0 and deviation 1 everywhere.

    Independent normal numbers stand every `spacing_h` hours and are blended in between, so that values further apart
    than twice the spacing know nothing of each other.  at_h: hours on any fixed scale.
    """
    place = at_h / spacing_h
    node = np.floor(place)
    part = place - node
    blend = part * part * part * (part * (part * 6.0 - 15.0) + 10.0)
    before = normal(seed, stream, node.astype(np.int64))
    after = normal(seed, stream, node.astype(np.int64) + 1)
    spread = np.sqrt((1.0 - blend) ** 2 + blend**2)  # keeps the deviation at 1 between the nodes as well
    return np.asarray((before * (1.0 - blend) + after * blend) / spread)


def _mixed(bits: NDArray[np.uint64]) -> NDArray[np.uint64]:
    bits = bits + _GOLDEN
    bits = (bits ^ (bits >> np.uint64(30))) * _MIX_1
    bits = (bits ^ (bits >> np.uint64(27))) * _MIX_2
    return bits ^ (bits >> np.uint64(31))
