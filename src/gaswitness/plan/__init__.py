"""The plan: what will be done, in which order, with how much gas, and against which criteria."""

from typing import TYPE_CHECKING

from gaswitness.lazy import exporter

if TYPE_CHECKING:
    from gaswitness.plan.build import build_plan
    from gaswitness.plan.dryrun import DryRun, dry_run
    from gaswitness.plan.forecast import Forecast, Spread, sensor_path
    from gaswitness.plan.records import (
        Criterion,
        Curve,
        DetectorPlan,
        GasNeed,
        NotShown,
        Plan,
        PointForecast,
        Step,
    )

__all__ = [
    "Criterion",
    "Curve",
    "DetectorPlan",
    "DryRun",
    "Forecast",
    "GasNeed",
    "NotShown",
    "Plan",
    "PointForecast",
    "Spread",
    "Step",
    "build_plan",
    "dry_run",
    "sensor_path",
]

__getattr__ = exporter(
    __name__,
    {
        "build": ("build_plan",),
        "dryrun": ("DryRun", "dry_run"),
        "forecast": ("Forecast", "Spread", "sensor_path"),
        "records": ("Criterion", "Curve", "DetectorPlan", "GasNeed", "NotShown", "Plan", "PointForecast", "Step"),
    },
)
