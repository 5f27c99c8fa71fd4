"""Random numbers that belong to a scenario, not to the order in which scenarios are worked off.

Philox4x32-10 (Salmon et al., "Parallel random numbers: as easy as 1, 2, 3", SC 2011): a counter and a key give four
words, with no state in between. The counter is the scenario's number, the key the seed, so any split over processes
and machines gives the same numbers.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gaswitness.errors import OutOfDomain

Words = NDArray[np.uint64]

_MULTIPLY = (np.uint64(0xD2511F53), np.uint64(0xCD9E8D57))
_WEYL = (np.uint64(0x9E3779B9), np.uint64(0xBB67AE85))
_LOW = np.uint64(0xFFFFFFFF)
_HALF = np.uint64(32)
ROUNDS = 10


def philox(counter: Words, key: tuple[int, int]) -> Words:
    """Ten rounds of Philox4x32 on counters of shape (4, n), each word below 2^32; same shape.

    >>> [hex(int(word)) for word in philox(np.zeros((4, 1), np.uint64), (0, 0))[:, 0]]  # published test vector
    ['0x6627e8d5', '0xe169c58d', '0xbc57ac4c', '0x9b00dbd8']
    """
    c0, c1, c2, c3 = (word.copy() for word in counter)
    k0, k1 = np.uint64(key[0]), np.uint64(key[1])
    for _ in range(ROUNDS):
        p0, p1 = _MULTIPLY[0] * c0, _MULTIPLY[1] * c2
        c0, c1, c2, c3 = (p1 >> _HALF) ^ c1 ^ k0, p1 & _LOW, (p0 >> _HALF) ^ c3 ^ k1, p0 & _LOW
        k0, k1 = (k0 + _WEYL[0]) & _LOW, (k1 + _WEYL[1]) & _LOW
    return np.stack([c0, c1, c2, c3])


def uniforms(seed: int, first: int, count: int, columns: int, *, stream: int = 0) -> NDArray[np.float64]:
    """Numbers strictly between 0 and 1, of shape (count, columns), for scenarios `first` to `first + count - 1`.

    Column j of scenario i depends on seed, stream, i and j alone.

    >>> whole = uniforms(7, 0, 100, 5)
    >>> bool((np.vstack([uniforms(7, 0, 37, 5), uniforms(7, 37, 63, 5)]) == whole).all())
    True
    """
    if not 0 <= seed < 2**63 or not 0 <= stream < 2**32:
        raise OutOfDomain("a seed is a whole number from 0 to 2^63 - 1", found=seed)
    scenario = np.arange(first, first + count, dtype=np.uint64)
    blocks = []
    for block in range((columns + 1) // 2):
        counter = np.empty((4, count), np.uint64)
        counter[0], counter[1] = scenario & _LOW, scenario >> _HALF
        counter[2], counter[3] = np.uint64(block), np.uint64(stream)
        words = philox(counter, (seed & 0xFFFFFFFF, seed >> 32))
        for high, low in ((words[0], words[1]), (words[2], words[3])):
            bits = (high << np.uint64(20)) | (low >> np.uint64(12))  # 52 bits
            blocks.append((bits.astype(np.float64) + 0.5) * 2.0**-52)
    return np.stack(blocks[:columns], axis=1)
