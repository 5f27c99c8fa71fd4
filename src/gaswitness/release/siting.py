"""Which places to choose for a number of detectors, so that the largest share of releases is seen.

Maximum coverage is hard in general; here it is solved exactly as a mixed-integer linear programme (HiGHS through SciPy)

    maximise sum_r w_r c_r
    with c_r <= sum of y_j over places j that see release r, sum y_j <= number, y_j in {0, 1}

and greedily for comparison: the greedy choice never covers less than 1 - 1/e = 63 % of the best (Nemhauser, Wolsey and
Fisher, Mathematical Programming 14 (1978) 265-294).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gaswitness.errors import InputError

GREEDY_SHARE = 1.0 - math.exp(-1.0)
"""Of the best choice: the greedy one never covers less."""


@dataclass(frozen=True, slots=True)
class Choice:
    """Places, by position, and the share of releases that at least one of them sees."""

    places: tuple[int, ...]
    covered: float


@dataclass(frozen=True, slots=True)
class Siting:
    """The best choice, the greedy one, and what all places together would see."""

    best: Choice
    greedy: Choice
    all_covered: float


def choose_places(seen: ArrayLike, number: int, *, weights: ArrayLike | None = None) -> Siting:
    """Choose `number` of the columns of `seen` (releases, places), true where a place would see a release.

    `weights` (releases) count how often each row happened; equal rows are best given once with their count.

    >>> choose_places([[1, 1, 0], [1, 0, 0], [1, 0, 0], [0, 1, 1]], 1).best
    Choice(places=(0,), covered=0.75)

    Raises InputError for shapes that do not match or a number below one.
    """
    from scipy import optimize, sparse

    covers = np.asarray(seen, np.bool_)
    if covers.ndim != 2 or 0 in covers.shape or number < 1:
        raise InputError(
            "nothing to choose from", found=(covers.shape, number), expected="releases x places, 1 or more"
        )
    weight = np.ones(len(covers)) if weights is None else np.asarray(weights, np.float64)
    if weight.shape != (len(covers),) or (weight < 0.0).any() or not weight.sum() > 0.0:
        raise InputError(
            "weights do not match the releases", found=weight.shape, expected=f"{len(covers)} numbers, not below 0"
        )
    weight = weight / weight.sum()
    rows, columns = covers.shape
    number = min(number, columns)
    see = sparse.csr_array(covers.astype(np.float64))
    limits = [
        optimize.LinearConstraint(sparse.hstack([-see, sparse.eye_array(rows)], format="csr"), -np.inf, 0.0),
        optimize.LinearConstraint(np.concatenate([np.ones(columns), np.zeros(rows)])[None, :], 0.0, float(number)),
    ]
    found = optimize.milp(
        np.concatenate([np.zeros(columns), -weight]),
        constraints=limits,
        integrality=np.concatenate([np.ones(columns), np.zeros(rows)]),
        bounds=optimize.Bounds(0.0, 1.0),
    )
    if found.x is None:
        raise InputError("the solver found no choice of places", found=found.message)
    best = tuple(int(j) for j in np.flatnonzero(found.x[:columns] > 0.5))
    return Siting(
        Choice(best, _covered(covers, weight, best)),
        _greedy(covers, weight, number),
        _covered(covers, weight, tuple(range(columns))),
    )


def _covered(covers: NDArray[np.bool_], weight: NDArray[np.float64], places: tuple[int, ...]) -> float:
    return float(weight[covers[:, list(places)].any(axis=1)].sum())


def _greedy(covers: NDArray[np.bool_], weight: NDArray[np.float64], number: int) -> Choice:
    chosen: list[int] = []
    left = weight.copy()
    for _ in range(number):
        gains = left @ covers
        best = int(np.argmax(gains))
        if gains[best] <= 0.0:
            break
        chosen.append(best)
        left[covers[:, best]] = 0.0
    return Choice(tuple(chosen), _covered(covers, weight, tuple(chosen)))
