"""What a fit found, what it is worth, and which of its parts to believe."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gaswitness.response.lags import relax

Floats = NDArray[np.float64]

Flag = Literal[
    "at-bound",
    "baseline-drifting",
    "baseline-missing",
    "correlated-residuals",
    "covariance-unusable",
    "dead-line",
    "extrapolated",
    "gaps",
    "model-inadequate",
    "model-unproven",
    "moved-before-gas",
    "no-response",
    "not-converged",
    "not-settled",
    "points-dropped",
    "quantised",
    "read-fit-disagree",
    "saturated",
    "several-steps",
    "span-error",
    "stuck",
]
FLAGS: tuple[str, ...] = get_args(Flag)
"""Everything that can be wrong with an answer, by name."""

Figure = Literal["zero", "plateau", "dead_time_s", "t50_s", "t90_s", "t10_s"]


@dataclass(frozen=True, slots=True)
class StepFit:
    """Figures of one step; NaN is "unknown", and `flags` says why. Every `u_...` is a standard uncertainty (k = 1).

    Times run from gas on (for `t10_s` from gas off), dead time included. The plateau is zero + gain, whether or not
    it was reached; `extrapolated` says when it was not.
    """

    order: int
    gas_on_s: float
    gas_off_s: float | None
    zero: float
    plateau: float
    dead_time_s: float
    taus_s: tuple[float, ...]
    t50_s: float
    t90_s: float
    t10_s: float
    """Recovery: from gas off until 90 % of a whole step has gone; NaN without a recorded recovery."""
    after: float
    """Where the reading goes after gas off; the zero where the fit was told so; NaN without a recovery."""
    drift_per_s: float
    u_zero: float
    u_plateau: float
    u_dead_time_s: float
    u_taus_s: tuple[float, ...]
    u_t50_s: float
    u_t90_s: float
    u_t10_s: float
    names: tuple[str, ...]
    """Rows of `covariance`: zero, plateau, dead_time_s, tau_1_s, (tau_2_s), then after and drift_per_s if fitted."""
    covariance: Floats
    rss: float
    sigma: float
    """Standard deviation of a reading about the curve."""
    correlation: float
    """Lag-one correlation of the residuals; the uncertainties allow for it."""
    neighbours_z: float
    """How far neighbouring residuals hang together, in standard deviations of what a true model would show."""
    samples: int
    dropped: tuple[int, ...]
    """Indices of samples left out as spikes or as not finite."""
    censored: int
    """Samples at the end of the range, used as "at least" or "at most"."""
    steps: int
    flags: tuple[str, ...]

    @property
    def gain(self) -> float:
        """Plateau less zero."""
        return self.plateau - self.zero

    @property
    def converged(self) -> bool:
        """Whether the search came to rest."""
        return "not-converged" not in self.flags

    @property
    def covariance_usable(self) -> bool:
        """Whether the uncertainties mean anything."""
        return "covariance-unusable" not in self.flags

    def interval(self, figure: Figure, level: float = 0.95) -> tuple[float, float]:
        """Coverage interval of one figure at this level, by Student's t with the degrees of freedom of the fit.

        Where little is known of the step and of times their likelihood leans to high values, and an interval of equal
        arms would hold the truth too often for its length. Times are taken on a scale of ratios, t exp(-+ k u / t);
        the step on that of its reciprocal, gain / (1 +- k u / gain), since what a young rise tells is the share of the
        step that it has covered. Then there may be no upper end. Known to a tenth it makes no difference.
        """
        from scipy.special import stdtrit  # scipy is slow to import

        value, u = getattr(self, figure), getattr(self, f"u_{figure}")
        freedom = max(1, self.samples - len(self.names))
        wide = float(stdtrit(freedom, 0.5 + level / 2)) * u
        if figure in ("zero", "dead_time_s"):
            return value - wide, value + wide
        if figure == "plateau":
            few = wide / abs(self.gain) if self.gain else math.inf
            near = self.zero + self.gain / (1.0 + few)
            far = self.zero + (self.gain / (1.0 - few) if few < 1.0 else math.copysign(math.inf, self.gain))
            return (near, far) if self.gain >= 0 else (far, near)
        few = wide / value
        return value * math.exp(-few), value * math.exp(few)

    def curve(self, t_s: ArrayLike) -> Floats:
        """The fitted reading at these times (same clock as the samples), before rounding and clipping."""
        t = np.asarray(t_s, dtype=np.float64)
        since = np.atleast_1d(t) - self.gas_on_s
        out = self.zero + self.drift_per_s * since + self.gain * self._share(since - self.dead_time_s)
        if self.gas_off_s is not None and not math.isnan(self.after):
            gone = np.atleast_1d(t) - self.gas_off_s - self.dead_time_s
            out = out + (self.after - self.plateau) * self._share(gone)
        return out.reshape(t.shape)

    def _share(self, u: Floats) -> Floats:
        share = np.zeros_like(u)
        on = u > 0
        share[on] = relax(self.taus_s, (0.0,) * len(self.taus_s), 1.0, u[on])[-1]
        return share
