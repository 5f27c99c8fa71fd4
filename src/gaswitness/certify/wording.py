"""Findings and instants as they stand on a certificate."""

from __future__ import annotations

from datetime import datetime

from gaswitness.judge.decide import COVERAGE_K
from gaswitness.judge.records import Finding
from gaswitness.site.records import Detector
from gaswitness.wording import amount, limits, scale_ppm, with_uncertainty, word


def found_and_limits(finding: Finding, detector: Detector | None) -> tuple[str, str]:
    """Value with its expanded uncertainty, and limits, in the unit of the detector."""
    if finding.unit == "yes":
        return ("-" if finding.value is None else word("yes" if finding.value >= 1 else "no")), word("yes")
    scale, unit = scale_ppm(detector) if detector and finding.unit == "ppm" else (1.0, finding.unit)
    lower, upper = (None if limit is None else limit / scale for limit in finding.limits)
    expanded = None if finding.u is None else COVERAGE_K * finding.u / scale
    found = "-" if finding.value is None else _in_unit(with_uncertainty(finding.value / scale, expanded), unit)
    worded = limits(lower, upper)
    return found, _in_unit(worded, unit) if worded else "-"


def _in_unit(figures: str, unit: str) -> str:
    return figures if unit == "count" else amount(figures, unit)


def instant(wall: str) -> str:
    """An ISO instant as `2026-11-25 09:14:05 UTC`."""
    return datetime.fromisoformat(wall).strftime("%Y-%m-%d %H:%M:%S UTC")


def time_of_day(wall: str) -> str:
    """The time of day of an ISO instant."""
    return datetime.fromisoformat(wall).strftime("%H:%M:%S")
