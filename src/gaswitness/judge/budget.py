"""Uncertainty by named sources: where each part comes from, and what several results have in common.

The law of propagation is that of JCGM 100:2008 (GUM) clause 5, with sensitivities taken over one standard
uncertainty to either side (5.1.3, note 2); effective degrees of freedom by G.4.1. `simulate` is JCGM 101:2008.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from gaswitness.judge.records import Component

Floats = NDArray[np.float64]
Shape = Literal["normal", "uniform", "arcsine"]


@dataclass(frozen=True, slots=True)
class Input:
    """One quantity that a result depends on; `u` is standard, in the quantity's own unit."""

    name: str
    value: float
    u: float
    shared: str | None = None
    """The same name on two results means: one and the same deviation acts in both."""
    dof: float = math.inf
    shape: Shape = "normal"
    """Only `simulate` looks at it."""


@dataclass(frozen=True, slots=True)
class Term:
    """What one input adds to a result, with its sign, in the unit of the result: sensitivity x u."""

    name: str
    amount: float
    shared: str | None = None
    dof: float = math.inf


@dataclass(frozen=True, slots=True)
class Budget:
    """All terms of one result."""

    terms: tuple[Term, ...] = ()

    def __add__(self, other: Budget) -> Budget:
        """Budget of the sum of two results; what they share adds up before it is squared."""
        return Budget(self.terms + other.terms)

    def __neg__(self) -> Budget:
        return self.scaled(-1.0)

    def __sub__(self, other: Budget) -> Budget:
        """Budget of the difference; what they share cancels as far as it is alike."""
        return self + -other

    def scaled(self, factor: float) -> Budget:
        """Budget of the result times a number."""
        return Budget(tuple(replace(term, amount=term.amount * factor) for term in self.terms))

    @property
    def merged(self) -> tuple[Term, ...]:
        """Terms with the shared ones added up under their name, in order of first mention."""
        rows: dict[str, Term] = {}
        for number, term in enumerate(self.terms):
            key = f"shared {term.shared}" if term.shared else f"own {number}"
            before = rows.get(key)
            rows[key] = term if before is None else replace(before, amount=before.amount + term.amount)
        return tuple(rows.values())

    @property
    def u(self) -> float:
        """Combined standard uncertainty.

        >>> one = Budget((Term("bottle", 3.0, shared="cylinder:B1"), Term("noise", 4.0)))
        >>> one.u, (one - one).u
        (5.0, 5.656854249492381)
        """
        return math.sqrt(sum(term.amount**2 for term in self.merged))

    @property
    def dof(self) -> float:
        """Effective degrees of freedom (Welch-Satterthwaite): u^4 / sum(u_i^4 / dof_i)."""
        below = sum(term.amount**4 / term.dof for term in self.merged)
        return self.u**4 / below if below > 0 else math.inf

    def components(self) -> tuple[Component, ...]:
        """Rows for paper, largest first, nothing left out that counts."""
        rows = [
            Component(name=term.name, u=abs(term.amount), shared=term.shared) for term in self.merged if term.amount
        ]
        return tuple(sorted(rows, key=lambda row: -row.u))


def covariance(one: Budget, other: Budget) -> float:
    """Covariance of two results, from the sources they share by name.

    >>> a = Budget((Term("bottle", 3.0, shared="cylinder:B1"), Term("noise", 4.0)))
    >>> covariance(a, a.scaled(2.0))
    18.0
    """
    there = {term.shared: term.amount for term in other.merged if term.shared}
    return sum(term.amount * there.get(term.shared, 0.0) for term in one.merged if term.shared)


def mean_budget(budgets: Sequence[Budget]) -> Budget:
    """Budget of the mean of several results: noise averages out, the bottle they share does not.

    >>> ten = [Budget((Term("bottle", 3.0, shared="cylinder:B1"), Term("noise", 4.0)))] * 10
    >>> round(mean_budget(ten).u, 3)
    3.256
    """
    return Budget(tuple(term for budget in budgets for term in budget.scaled(1.0 / len(budgets)).terms))


def evaluate(model: Callable[..., Any], inputs: Iterable[Input]) -> tuple[float, Budget]:
    """Value of a model at its inputs, and the budget of it.

    `model` takes the input values in order. Each term is (f(x + u) - f(x - u)) / 2, GUM 5.1.3 note 2.

    >>> value, budget = evaluate(lambda v, i: v / i, [Input("voltage", 10.0, 0.1), Input("current", 2.0, 0.0)])
    >>> value, round(budget.u, 6)
    (5.0, 0.05)
    """
    given = list(inputs)
    values = [entry.value for entry in given]
    terms = []
    for number, entry in enumerate(given):
        up, down = list(values), list(values)
        up[number] += entry.u
        down[number] -= entry.u
        amount = (float(model(*up)) - float(model(*down))) / 2 if entry.u else 0.0
        terms.append(Term(entry.name, amount, entry.shared, entry.dof))
    return float(model(*values)), Budget(tuple(terms))


def propagate(model: Callable[..., Any], values: Sequence[float], covariances: Floats) -> tuple[Floats, Floats]:
    """Results of a model with several outputs and correlated inputs, and their covariance matrix J V J'.

    `model` takes `n` numbers and gives `m`; `covariances` is (n, n); answers have shape (m,) and (m, m). Two inputs
    that share all their uncertainty leave none in their difference (JCGM 100:2008, 5.2.2 note 1):

    >>> values, covariances = propagate(lambda a, b: (a - b, a + b), [5.0, 3.0], np.ones((2, 2)))
    >>> values.tolist(), np.diag(covariances).tolist()
    ([2.0, 8.0], [0.0, 4.0])
    """
    x = np.asarray(values, dtype=np.float64)
    v = np.asarray(covariances, dtype=np.float64)
    y = np.atleast_1d(np.asarray(model(*x), dtype=np.float64))
    jacobian = np.zeros((y.size, x.size))
    for number, u in enumerate(np.sqrt(np.diag(v))):
        if u == 0:
            continue
        step = np.zeros_like(x)
        step[number] = u
        up, down = np.atleast_1d(model(*(x + step))), np.atleast_1d(model(*(x - step)))
        jacobian[:, number] = (np.asarray(up) - np.asarray(down)) / (2 * u)
    return y, jacobian @ v @ jacobian.T


def simulate(model: Callable[..., Any], inputs: Iterable[Input], *, trials: int, seed: int) -> Floats:
    """Values of the model for inputs drawn at random (JCGM 101), one a trial; the model must take arrays.

    Four uniform inputs of standard uncertainty 1 add to one of 2, and 95 % of the sums lie within 3.88 (JCGM 101:2008,
    9.2.3, from memory):

    >>> inputs = [Input(name, 0.0, 1.0, shape="uniform") for name in "abcd"]
    >>> sums = simulate(lambda a, b, c, d: a + b + c + d, inputs, trials=100_000, seed=1)
    >>> bool(abs(sums.std() - 2.0) < 0.01), bool(abs(np.quantile(abs(sums), 0.95) - 3.88) < 0.03)
    (True, True)
    """
    stream = np.random.default_rng(seed)
    return np.asarray(model(*(_draw(entry, trials, stream) for entry in inputs)), dtype=np.float64)


def _draw(entry: Input, trials: int, stream: np.random.Generator) -> Floats:
    if entry.shape == "uniform":
        return entry.value + entry.u * math.sqrt(3) * stream.uniform(-1.0, 1.0, trials)
    if entry.shape == "arcsine":
        return entry.value + entry.u * math.sqrt(2) * np.sin(stream.uniform(-math.pi, math.pi, trials))
    return stream.normal(entry.value, entry.u, trials)
