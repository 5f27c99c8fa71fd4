"""A straight line (or any linear model) through values whose uncertainties are known, and partly shared.

Generalised least squares: for y = X b + e with cov(e) = V,

    b = (X' V^-1 X)^-1 X' V^-1 y,    cov(b) = (X' V^-1 X)^-1,    chi2 = (y - X b)' V^-1 (y - X b)

(Aitken; see NIST/SEMATECH e-Handbook 4.4.5.2 for the weighted form). A bottle used for all points adds its variance to
every element of V: it moves the line as a whole and is not averaged away, while the slope stays as sharp as it is.
Where the points scatter more than they should, chi2 / (n - p) > 1, the covariance is widened by that ratio (Birge);
it is never narrowed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from gaswitness.errors import OutOfDomain
from gaswitness.learn.records import Figure

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class LinearFit:
    """Coefficients, shape (p,), and their covariance, shape (p, p), already widened where the points scatter."""

    coefficients: Floats
    covariance: Floats
    chi2: float
    dof: int
    from_scatter: bool = False
    """Uncertainties were taken from the scatter of the points themselves."""

    @property
    def scatter(self) -> float:
        """chi2 / dof, a ratio: about 1 where the stated uncertainties tell the whole story."""
        return self.chi2 / self.dof if self.dof > 0 else float("nan")

    @property
    def k(self) -> float:
        """Coverage factor for 95 %: normal where uncertainties were stated, Student's where they come from scatter."""
        if self.from_scatter:
            return float(special.stdtrit(self.dof, 0.975)) if self.dof > 0 else math.inf
        return float(special.ndtri(0.975))

    def at(self, row: ArrayLike) -> tuple[float, float]:
        """Value and standard uncertainty of the model at one row of X, in the unit of y."""
        x = np.asarray(row, dtype=np.float64)
        return float(x @ self.coefficients), math.sqrt(max(0.0, float(x @ self.covariance @ x)))


def fit_linear(x: ArrayLike, y: ArrayLike, covariance: ArrayLike, *, from_scatter: bool = False) -> LinearFit:
    """Fit y, shape (n,), by the columns of x, shape (n, p), with cov(y), shape (n, n); raises OutOfDomain.

    `from_scatter` scales the covariance by chi2 / dof even where that is below 1: ordinary least squares, for values
    whose uncertainties nobody stated.

    >>> fit = fit_linear([[1, 0], [1, 1], [1, 2]], [0.0, 1.1, 1.9], np.eye(3) * 0.01)
    >>> fit.coefficients.round(3).tolist(), round(float(fit.covariance[1, 1]) ** 0.5, 4), round(fit.chi2, 3)
    ([0.05, 0.95], 0.0866, 1.5)

    (By hand: slope (1.9 - 0)/2 = 0.95; its u 0.1/sqrt(2) = 0.0707, widened by sqrt(1.5).)
    """
    design, values, v = (np.asarray(one, dtype=np.float64) for one in (x, y, covariance))
    n, p = design.shape
    if n < p:
        raise OutOfDomain("fewer points than coefficients", found=n, expected=f"at least {p}")
    try:
        lower = np.linalg.cholesky(v)
    except np.linalg.LinAlgError as error:
        raise OutOfDomain("uncertainties that are no covariance matrix", expected="a positive definite one") from error
    # a handful of points: a general solver beats a triangular one that calls threads together for it
    white_x, white_y = np.linalg.solve(lower, design), np.linalg.solve(lower, values)
    q, r = np.linalg.qr(white_x)
    diagonal: Floats = np.abs(np.diag(r))
    if np.any(diagonal <= 1e-13 * float(diagonal.max())):
        raise OutOfDomain("points that do not tell the coefficients apart")
    coefficients, inverse = np.linalg.solve(r, q.T @ white_y), np.linalg.inv(r)
    residual = white_y - white_x @ coefficients
    chi2, dof = float(residual @ residual), n - p
    scale = chi2 / dof if dof > 0 and (from_scatter or chi2 > dof) else 1.0
    return LinearFit(coefficients, inverse @ inverse.T * scale, chi2, dof, from_scatter)


def covariance_of(figures: Sequence[Figure], own_u: Sequence[float]) -> Floats:
    """Covariance matrix, shape (n, n), of figures in their unit squared: own parts on the diagonal, shared ones beside.

    >>> from gaswitness.learn.records import SharedTerm
    >>> a, b = (Figure(kind="span", value=1.0, u=5.0, shared=(SharedTerm(name="cylinder:X", u=3.0),)) for _ in "ab")
    >>> covariance_of([a, b], [4.0, 4.0]).tolist()
    [[25.0, 9.0], [9.0, 25.0]]
    """
    v = np.diag(np.asarray(own_u, dtype=np.float64) ** 2)
    for name in {term.name for figure in figures for term in figure.shared}:
        column = np.array([sum(term.u for term in figure.shared if term.name == name) for figure in figures])
        v += np.outer(column, column)
    return v
