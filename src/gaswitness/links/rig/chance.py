"""Chance that depends only on a seed, a name and a number: the same however the simulation is stepped."""

from __future__ import annotations

import zlib
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

_BLOCK = 1024


def generator(seed: int, name: str) -> np.random.Generator:
    """A stream of its own for this name, so that one more detector changes nothing for the others."""
    return np.random.Generator(np.random.Philox(np.random.SeedSequence([seed, zlib.crc32(name.encode())])))


class NumberedNoise:
    """Standard normal numbers by index, from a counter-based generator, made in blocks.

    >>> noise = NumberedNoise(7, "NH3-1")
    >>> late = noise[5000]
    >>> noise[0] == NumberedNoise(7, "NH3-1")[0] and late == NumberedNoise(7, "NH3-1")[5000]
    True
    """

    def __init__(self, seed: int, name: str) -> None:
        self._seed = np.random.SeedSequence([seed, zlib.crc32(name.encode())])
        self._held = -1
        self._values: NDArray[np.float64] = np.empty(0)

    @cached_property
    def _key(self) -> NDArray[np.uint64]:
        return self._seed.generate_state(2, np.uint64).astype(np.uint64)

    def __getitem__(self, index: int) -> float:
        block, at = divmod(index, _BLOCK)
        if block != self._held:
            bits = np.random.Philox(key=self._key, counter=[0, 0, 0, block])
            self._values = np.random.Generator(bits).standard_normal(_BLOCK)
            self._held = block
        return float(self._values[at])
