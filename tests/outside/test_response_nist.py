"""The step fit against certified and published fits.

NIST StRD: https://www.itl.nist.gov/div898/strd/nls/nls_main.shtml (public domain). Of its exponential sets the model
of a step can express Misra1a, y = b1 (1 - exp(-b2 x)): zero and dead time held at 0. It cannot express MGH17
(an offset and two exponentials of free, opposite weights: two lags in a row have bound weights), Lanczos3 (three
exponentials), nor Misra1c, Chwirut2, DanWood, Kirby2, Hahn1, Rat42, Roszman1 (powers, rationals, arctangent).
"""

from __future__ import annotations

import math
from pathlib import Path

import lmfit
import numpy as np
import pytest
from scipy.optimize import curve_fit

from gaswitness.response import SensorPath, fit_step, step_curve

# NIST StRD Misra1a, D. Misra (1978), Dental Research Monomolecular Adsorption: y, x
MISRA1A = np.array(
    [
        (10.07, 77.6), (14.73, 114.9), (17.94, 141.1), (23.93, 190.8), (29.61, 239.9), (35.18, 289.0), (40.02, 332.8),
        (44.82, 378.4), (50.76, 434.8), (55.05, 477.3), (61.01, 536.8), (66.40, 593.1), (75.47, 689.1), (81.78, 760.0),
    ]
)  # fmt: skip
MISRA1A_B1, MISRA1A_S1 = 2.3894212918e02, 2.7070075241e00
MISRA1A_B2, MISRA1A_S2 = 5.5015643181e-04, 7.2668688436e-06
MISRA1A_RSS = 1.2455138894e-01


def digits(value: float, certified: float) -> float:
    """Log relative error: correct digits."""
    return 15.0 if value == certified else -math.log10(abs(value - certified) / abs(certified))


def test_misra1a_to_seven_digits() -> None:
    y, x = MISRA1A.T
    fit = fit_step(x, y, 0.0, order=1, zero=0.0, dead_time_s=0.0)
    b2 = 1 / fit.taus_s[0]
    assert digits(fit.plateau, MISRA1A_B1) > 7
    assert digits(b2, MISRA1A_B2) > 7
    assert digits(fit.u_plateau, MISRA1A_S1) > 5
    assert digits(fit.u_taus_s[0] * b2**2, MISRA1A_S2) > 5
    assert digits(fit.rss, MISRA1A_RSS) > 7


def test_the_table_above_is_the_file(datasets: Path) -> None:
    lines = (datasets / "nist_strd" / "Misra1a.dat").read_text().splitlines()[60:74]
    np.testing.assert_array_equal(np.array([line.split() for line in lines if line.strip()], float), MISRA1A)


def test_bod_as_r_fits_it() -> None:
    """R documentation of `BOD`, `SSasympOrig`: A (1 - exp(-exp(lrc) Time)); data Bates and Watts (1988), A1.4."""
    fit = fit_step([1, 2, 3, 4, 5, 7], [8.3, 10.3, 19.0, 16.0, 15.6, 19.8], 0.0, order=1, zero=0.0, dead_time_s=0.0)
    assert fit.plateau == pytest.approx(19.1426, abs=5e-5)
    assert fit.u_plateau == pytest.approx(2.4959, abs=5e-5)
    assert -math.log(fit.taus_s[0]) == pytest.approx(-0.6328, abs=5e-5)
    assert fit.u_taus_s[0] / fit.taus_s[0] == pytest.approx(0.3824, abs=5e-5)
    assert fit.sigma == pytest.approx(2.549, abs=5e-4)


def _two_lags(t: np.ndarray, zero: float, gain: float, dead: float, tau1: float, tau2: float) -> np.ndarray:
    u = np.maximum(t - dead, 0.0)
    return zero + gain * (1 - (tau1 * np.exp(-u / tau1) - tau2 * np.exp(-u / tau2)) / (tau1 - tau2))


@pytest.mark.parametrize("seed", range(5))
def test_two_other_fitters_find_nothing_better(seed: int) -> None:
    """scipy's curve_fit and lmfit, started at the truth, on the same trace."""
    t = np.arange(-60.0, 300.0)
    y = step_curve(SensorPath(6.0, (30.0, 8.0)), t, room_ppm=400.0, bottle_ppm=1000.0)
    y = y + np.random.default_rng(seed).normal(0.0, 4.0, t.size)
    fit = fit_step(t, y, 0.0, drift=False)
    truth = {"zero": 400.0, "gain": 600.0, "dead": 6.0, "tau1": 30.0, "tau2": 8.0}
    found, covariance = curve_fit(_two_lags, t, y, list(truth.values()))
    peer = lmfit.Model(_two_lags).fit(y, t=t, **truth)
    assert fit.rss <= min(float(np.sum((y - _two_lags(t, *found)) ** 2)), float(peer.chisqr)) * (1 + 1e-9)
    assert fit.zero == pytest.approx(found[0], abs=1e-3)
    assert fit.gain == pytest.approx(found[1], abs=1e-2)
    if "correlated-residuals" not in fit.flags:
        assert fit.u_zero == pytest.approx(math.sqrt(covariance[0, 0]), rel=1e-3)
        assert fit.u_taus_s[0] == pytest.approx(math.sqrt(covariance[3, 3]), rel=2e-2)
