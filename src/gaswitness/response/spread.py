"""How far the parameters of a step fit are determined: covariance, and what hangs together in residuals (kernels)."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from gaswitness.kernels import kernel
from gaswitness.response.columns import fill, slopes_of_reading
from gaswitness.response.projection import dot

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

LEFT_OVER = 1e-3
"""A ratio below this is a second lag all but gone: perhaps truly, perhaps on the wrong side of a ridge."""

ZERO, GAIN, SHIFT, DRIFT, DEAD, LOG_SUM, RATIO = range(7)
"""Rows of parameters and covariance."""
PARAMETERS = 7


@kernel
def covariance(
    t: Floats, root_w: Floats, on: float, off: float, tied: bool, zero_held: bool, drift: bool,
    cap: float, average: float, found: Floats, free: Bools, coefficients: Floats, out: Floats,
) -> bool:  # fmt: skip
    """(J'J)^-1 over all seven parameters into `out`, 0 where one is held; False when it cannot be inverted.

    In the order zero, gain, shift, drift, theta, log s, ratio.
    """
    n = t.size
    has_off = off < t[n - 1]
    linear = np.empty((4, n))
    slopes_on = np.empty((3, n))
    slopes_off = np.empty((3, n))
    jacobian = np.zeros((3, n))
    columns = fill(
        t, root_w, on, off, tied, zero_held, drift, cap, average, found[0], math.exp(found[1]), found[2],
        linear, slopes_on, slopes_off,
    )  # fmt: skip
    slopes_of_reading(free, zero_held, tied, has_off, coefficients, slopes_on, slopes_off, jacobian)
    rows = np.zeros(7, dtype=np.int64)
    full = np.zeros((7, n))
    k = 0
    for j in range(columns):
        full[k] = linear[j]
        k += 1
    at = 0
    if not zero_held:
        rows[at] = 0
        at += 1
    rows[at] = 1
    at += 1
    if has_off and not tied:
        rows[at] = 2
        at += 1
    if drift:
        rows[at] = 3
        at += 1
    for j in range(3):
        if free[j]:
            full[k] = jacobian[j]
            rows[k] = 4 + j
            k += 1
    for a in range(7):
        for b in range(7):
            out[a, b] = 0.0
    scale = np.zeros(7)
    for a in range(k):
        size = dot(full[a], full[a])
        if size <= 0.0:
            return False
        scale[a] = 1.0 / math.sqrt(size)
    # inverse by modified Gram-Schmidt: J = Q R, (J'J)^-1 = R^-1 R^-T
    triangle = np.zeros((7, 7))
    for a in range(k):
        for i in range(n):
            full[a, i] *= scale[a]
        for _ in range(2):
            for b in range(a):
                size = dot(full[b], full[a])
                triangle[b, a] += size
                for i in range(n):
                    full[a, i] -= size * full[b, i]
        left = dot(full[a], full[a])
        if left < 1e-20:
            return False
        triangle[a, a] = math.sqrt(left)
        for i in range(n):
            full[a, i] /= triangle[a, a]
    inverse = np.zeros((7, 7))
    for a in range(k - 1, -1, -1):
        inverse[a, a] = 1.0 / triangle[a, a]
        for b in range(a + 1, k):
            total = 0.0
            for c in range(a + 1, b + 1):
                total += triangle[a, c] * inverse[c, b]
            inverse[a, b] = -total / triangle[a, a]
    for a in range(k):
        for b in range(k):
            total = 0.0
            for c in range(max(a, b), k):
                total += inverse[a, c] * inverse[b, c]
            out[rows[a], rows[b]] = total * scale[a] * scale[b]
    if has_off and tied:
        for a in range(7):
            out[2, a] = -out[1, a]
        for a in range(7):
            out[a, 2] = -out[a, 1]
        out[2, 2] = out[1, 1]
    return True


@kernel
def covariance_of_rest(
    t: Floats, root_w: Floats, on: float, off: float, tied: bool, zero_held: bool, drift: bool,
    cap: float, average: float, found: Floats, inside: Bools, coefficients: Floats, out: Floats,
) -> bool:  # fmt: skip
    """`covariance`; where a second lag has all but gone and cannot be told from dead time, without its ratio.

    The ratio is then taken out of `inside`.
    """
    if covariance(t, root_w, on, off, tied, zero_held, drift, cap, average, found, inside, coefficients, out):
        return True
    if not inside[2] or found[2] > LEFT_OVER:
        return False
    inside[2] = False
    return covariance(t, root_w, on, off, tied, zero_held, drift, cap, average, found, inside, coefficients, out)


@kernel
def inflation(phi: float, n: int) -> float:
    """Factor on the variance for residuals that hang together, (1 + phi) / (1 - phi).

    1 while phi may be chance (within 2 / sqrt n), and under 20 samples, which cannot tell.
    """
    if n < 20 or phi <= 2.0 / math.sqrt(n):
        return 1.0
    phi = min(phi, 1.0 - 1.0 / n)
    return (1.0 + phi) / (1.0 - phi)
