"""Numbers and instants as they stand on paper."""

from __future__ import annotations

import math
from datetime import datetime

from gaswitness.judge.records import Finding
from gaswitness.site.records import Detector

COVERAGE_K = 2.0

SHOWN_PER_PPM = {"ppm": 1.0, "ppb": 1e3, "%vol": 1e-4}


def shown_scale(detector: Detector | None) -> tuple[float, str]:
    """Factor from ppm to the unit that this detector's people speak in, and that unit."""
    if detector is None:
        return 1.0, "ppm"
    if detector.unit == "%LFL" and detector.lfl is not None:
        return 100.0 / detector.lfl.ppm, "%LFL"
    return SHOWN_PER_PPM.get(detector.unit, 1.0), detector.unit if detector.unit in SHOWN_PER_PPM else "ppm"


def decimals_for(uncertainty: float) -> int:
    """Decimals that leave two significant digits of an uncertainty.

    >>> decimals_for(0.034), decimals_for(12.0), decimals_for(340.0)
    (3, 0, -1)
    """
    if not (uncertainty > 0 and math.isfinite(uncertainty)):
        return 3
    return 1 - math.floor(math.log10(uncertainty))


def rounded(value: float, decimals: int) -> str:
    """A number with so many decimals; negative decimals round before the point.

    >>> rounded(1234.5, -1), rounded(0.5, 2)
    ('1230', '0.50')
    """
    return f"{round(value, decimals):.{max(0, min(decimals, 6))}f}"


def with_uncertainty(value: float | None, u: float | None, unit: str) -> str:
    """`value ± U unit`, U expanded with k = 2 and rounded to two digits, the value to the same place.

    >>> with_uncertainty(4793.2, 31.4, "ppm")
    '4793 ± 63 ppm'
    """
    if value is None:
        return "-"
    if not u:
        return f"{value:.4g} {unit}"
    expanded = COVERAGE_K * u
    decimals = decimals_for(expanded)
    return f"{rounded(value, decimals)} ± {rounded(expanded, decimals)} {unit}"


def limits_text(lower: float | None, upper: float | None, unit: str) -> str:
    """Limits as people say them.

    >>> limits_text(None, 180.0, "s"), limits_text(1.0, 2.0, "ppm")
    ('up to 180 s', '1 to 2 ppm')
    """
    if lower is None and upper is None:
        return "-"
    if lower is None:
        return f"up to {upper:.4g} {unit}"
    if upper is None:
        return f"from {lower:.4g} {unit}"
    return f"{lower:.4g} to {upper:.4g} {unit}"


def found_and_limits(finding: Finding, detector: Detector | None) -> tuple[str, str]:
    """Value with its uncertainty, and limits, in the unit of the detector."""
    if finding.unit == "yes":
        return ("-" if finding.value is None else "yes" if finding.value >= 1 else "no"), "yes"
    scale, unit = shown_scale(detector) if finding.unit == "ppm" else (1.0, finding.unit)
    unit = "" if unit == "count" else unit
    lower, upper = (None if limit is None else limit * scale for limit in finding.limits)
    value = None if finding.value is None else finding.value * scale
    u = None if finding.u is None else finding.u * scale
    return with_uncertainty(value, u, unit).strip(), limits_text(lower, upper, unit).strip()


def instant(wall: str) -> str:
    """An ISO instant as `2026-11-25 09:14:05 UTC`."""
    return datetime.fromisoformat(wall).strftime("%Y-%m-%d %H:%M:%S UTC")


def time_of_day(wall: str) -> str:
    """The time of day of an ISO instant."""
    return datetime.fromisoformat(wall).strftime("%H:%M:%S")


def probability(p: float | None) -> str:
    """A probability of conformity, never rounded to certainty.

    >>> probability(0.99996), probability(0.42), probability(None)
    ('> 0.999', '0.420', '-')
    """
    if p is None:
        return "-"
    if p > 0.999:
        return "> 0.999"
    if p < 0.001:
        return "< 0.001"
    return f"{p:.3f}"
