"""`gaswitness reliability`: how often detectors were found failed, and what another time between tests would do."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import TYPE_CHECKING, Annotated, Any

import typer

from gaswitness.cli.options import AsJson
from gaswitness.cli.storing import SiteName, StoreUrl

if TYPE_CHECKING:
    from gaswitness.learn.reliability import Counting, Estimate, Grouping, Reliability


def reliability(
    store: StoreUrl = None,
    site: SiteName = None,
    by: Annotated[
        str, typer.Option("--by", metavar="all|site|gas|sensor|tag", help="What is counted together.")
    ] = "all",
    failure: Annotated[
        str, typer.Option("--failure", metavar="no-alarm|any", help="No alarm as found, or anything that fell short.")
    ] = "no-alarm",
    as_json: AsJson = False,
) -> None:
    """Failures found at tests: chance on demand, rate per hour, mean chance to be failed when needed. No SIL claim."""
    from typing import cast

    from gaswitness.cli.output import print_json
    from gaswitness.cli.storing import known_site, tell_left_out
    from gaswitness.errors import InputError
    from gaswitness.history.overview import counted
    from gaswitness.history.store import open_store
    from gaswitness.learn.reliability import STATEMENT
    from gaswitness.learn.reliability import reliability as learn

    for option, word, choices in (
        ("--by", by, ("all", "site", "gas", "sensor", "tag")),
        ("--failure", failure, ("no-alarm", "any")),
    ):
        if word not in choices:
            raise InputError("not a choice", where=option, found=word, expected=", ".join(choices))
    with open_store(store) as kept:
        tests = counted(kept, known_site(kept, site))
    found = learn(tests.tests, cast("Counting", failure), cast("Grouping", by))
    if as_json:
        rows = [_row(one) for one in found]
        print_json({"groups": rows, "statement": STATEMENT, "left_out_simulated": tests.left_out})
        return
    from gaswitness.cli.history_view import show_reliability

    show_reliability(found, STATEMENT)
    tell_left_out(tests.left_out)


def _row(one: Reliability) -> dict[str, Any]:
    row = asdict(one)
    for key in ("on_demand", "per_hour", "pfd_avg"):
        row[key] = _estimate(getattr(one, key))
    row["per_hour_bounds"] = list(one.per_hour_bounds) if one.per_hour_bounds else None
    row["by_months"] = [{"months": months, "pfd_avg": _estimate(pfd)} for months, pfd in one.by_months]
    return row


def _estimate(one: Estimate | None) -> dict[str, float | None] | None:
    """JSON has no infinity: a bound that there is not is null."""
    return None if one is None else {k: v if math.isfinite(v) else None for k, v in asdict(one).items()}
