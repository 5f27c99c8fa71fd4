"""Small least squares: linear parts solved and projected out, normal equations of the others (kernels)."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from gaswitness.kernels import kernel

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


@kernel
def dot(a: Floats, b: Floats) -> float:
    """a . b [unit of a times unit of b] in four running sums, since one sum waits for itself at every step."""
    n = a.size
    s0, s1, s2, s3 = 0.0, 0.0, 0.0, 0.0
    for i in range(0, n - 3, 4):
        s0 += a[i] * b[i]
        s1 += a[i + 1] * b[i + 1]
        s2 += a[i + 2] * b[i + 2]
        s3 += a[i + 3] * b[i + 3]
    for i in range(n - n % 4, n):
        s0 += a[i] * b[i]
    return (s0 + s1) + (s2 + s3)


@kernel
def project(
    linear: Floats, columns: int, y: Floats, root_w: Floats, coefficients: Floats, residual: Floats, lower: Floats
) -> float:
    """Solve the linear part; fills the weighted `residual` and `lower`, Cholesky's factor of the columns' products.

    Normal equations lose digits, so the residual is formed in full and solved for once more. A column that depends on
    the others gets the coefficient 0 (and 0 in `lower`). Returns the sum of squares.
    """
    n = y.size
    for a in range(columns):
        for b in range(a + 1):
            total = dot(linear[a], linear[b])
            size = total
            for c in range(b):
                total -= lower[a, c] * lower[b, c]
            if a == b:
                lower[a, a] = math.sqrt(total) if total > 1e-13 * size and total > 0.0 else 0.0
            else:
                lower[a, b] = total / lower[b, b] if lower[b, b] > 0.0 else 0.0
        coefficients[a] = 0.0
    for i in range(n):
        residual[i] = root_w[i] * y[i]
    solved = np.empty(4)
    for _ in range(2):
        for a in range(columns):
            solved[a] = dot(linear[a], residual)
        forward(lower, columns, solved)
        for a in range(columns - 1, -1, -1):
            for c in range(a + 1, columns):
                solved[a] -= lower[c, a] * solved[c]
            solved[a] = solved[a] / lower[a, a] if lower[a, a] > 0.0 else 0.0
        for a in range(columns):
            coefficients[a] += solved[a]
            for i in range(n):
                residual[i] -= solved[a] * linear[a, i]
    return dot(residual, residual)


@kernel
def forward(lower: Floats, columns: int, right: Floats) -> None:
    """Solve lower x = right in place."""
    for a in range(columns):
        for c in range(a):
            right[a] -= lower[a, c] * right[c]
        right[a] = right[a] / lower[a, a] if lower[a, a] > 0.0 else 0.0


@kernel
def normal(
    jacobian: Floats, free: Bools, linear: Floats, columns: int, lower: Floats, residual: Floats,
    hessian: Floats, gradient: Floats,
) -> None:  # fmt: skip
    """J'J and J'r of the slopes freed of the linear columns: what those could take up is subtracted."""
    shared = np.zeros((3, 4))
    for a in range(3):
        if not free[a]:
            continue
        for b in range(columns):
            shared[a, b] = dot(jacobian[a], linear[b])
        forward(lower, columns, shared[a])
        gradient[a] = dot(jacobian[a], residual)
        for b in range(a + 1):
            if not free[b]:
                continue
            total = dot(jacobian[a], jacobian[b])
            for c in range(columns):
                total -= shared[a, c] * shared[b, c]
            hessian[a, b] = total
            hessian[b, a] = total


@kernel
def solve_damped(hessian: Floats, gradient: Floats, live: Bools, damping: float, step: Floats) -> float:
    """(H + damping diag H) step = gradient over the live rows, by Cholesky.

    Returns gradient . step [unit of a sum of squares], or -1.
    """
    index = np.zeros(3, dtype=np.int64)
    k = 0
    for j in range(3):
        step[j] = 0.0
        if live[j] and hessian[j, j] > 0.0:
            index[k] = j
            k += 1
    lower = np.zeros((3, 3))
    solved = np.zeros(3)
    for a in range(k):
        for b in range(a + 1):
            value = hessian[index[a], index[b]]
            if a == b:
                value *= 1.0 + damping
            for c in range(b):
                value -= lower[a, c] * lower[b, c]
            if a == b:
                if value <= 1e-15 * hessian[index[a], index[a]]:
                    return -1.0
                lower[a, a] = math.sqrt(value)
            else:
                lower[a, b] = value / lower[b, b]
    for a in range(k):
        value = gradient[index[a]]
        for c in range(a):
            value -= lower[a, c] * solved[c]
        solved[a] = value / lower[a, a]
    for a in range(k - 1, -1, -1):
        value = solved[a]
        for c in range(a + 1, k):
            value -= lower[c, a] * solved[c]
        solved[a] = value / lower[a, a]
    drop = 0.0
    for a in range(k):
        step[index[a]] = solved[a]
        drop += solved[a] * gradient[index[a]]
    return drop


@kernel
def quadratic(matrix: Floats, vector: Floats) -> float:
    """v' M v."""
    total = 0.0
    for a in range(vector.size):
        for b in range(vector.size):
            total += vector[a] * matrix[a, b] * vector[b]
    return total
