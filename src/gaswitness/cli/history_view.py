"""Tables of the history on a terminal: word and shape at once, no colour."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date

from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from gaswitness.learn.drift import Drift, Period
from gaswitness.learn.due import Due
from gaswitness.learn.intervals import staircase
from gaswitness.learn.reliability import Estimate, Reliability
from gaswitness.wording import number, with_uncertainty

SHAPES = {"overdue": "■", "soon": "◆", "later": "○", "unknown": "◇"}
KINDS = {"test": "test", "retest": "retest", "cylinder": "bottle", "sensor": "new sensor", "inhibit": "lift inhibit"}


def _table(*columns: str, right: Sequence[str] = ()) -> Table:
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False, header_style="dim")
    for column in columns:
        table.add_column(column, justify="right" if column in right else "left")
    return table


def _console() -> Console:
    return Console(highlight=False, markup=False)


def show_due(dues: Sequence[Due], today: date) -> None:
    """The due list."""
    console = _console()
    if not dues:
        console.print("Nothing is kept that could fall due.")
        return
    places = sorted({one.site for one in dues})
    if len(places) == 1:
        console.print(Text(places[0], style="bold"))
    sites = ("site",) if len(places) > 1 else ()
    table = _table("", "due", "days", "what", "of", *sites, "why", right=("days",))
    for one in dues:
        style = "bold" if one.state == "overdue" else ""
        table.add_row(
            Text(f"{SHAPES[one.state]} {one.state}", style, no_wrap=True),
            Text(one.due.isoformat() if one.due else "no date", no_wrap=True),
            "" if one.days is None else str(one.days),
            Text(KINDS[one.kind], no_wrap=True),
            Text(one.what, style, no_wrap=True),
            *((one.site,) if sites else ()),
            one.why + (" (simulated)" if one.simulated else ""),
        )
    console.print(table)
    late = sum(one.state == "overdue" for one in dues)
    console.print(f"{len(dues)} entries on {today.isoformat()}, {late} overdue. Local codes and site rules decide.")


def show_drift(found: Sequence[Drift], today: date) -> None:
    """One line a quantity: its last period."""
    console = _console()
    if not found:
        console.print("No values are kept that could drift.")
        return
    for site in dict.fromkeys(one.site for one in found):
        here = [one for one in found if one.site == site]
        console.print(Text(site, style="bold"))
        table = _table("detector", "of", "since", "n", "last", "drift a year", "may pass its limit", right=("n",))
        for one in here:
            now = one.now
            table.add_row(
                Text(one.tag, no_wrap=True),
                one.kind,
                Text(f"{now.points[0].day:%Y-%m}", no_wrap=True),
                str(len(now.points)),
                Text(_value(one, now.points[-1].value, now.points[-1].u, 2.0), no_wrap=True),
                _a_year(one),
                Text(_when(now, today)),
            )
        console.print(table)
        _advise(console, here)
    if any(one.simulated for one in found):
        console.print("Simulated installation: nothing here was measured on a real one.")
    console.print("± is expanded (95 %). Law, codes and site rules come before any of this.")


def _advise(console: Console, here: Sequence[Drift]) -> None:
    """What the staircase rule says of the time between tests; a longer one only where nothing speaks against it."""
    tags = list(dict.fromkeys(one.tag for one in here))
    advice = {tag: staircase([one for one in here if one.tag == tag]) for tag in tags}
    rule = "by the staircase rule (ILAC-G24 / OIML D 10, 6.2)"
    if shorter := [tag for tag in tags if advice[tag] == "should be shorter"]:
        console.print(f"Found outside its tolerance: {', '.join(shorter)}; {rule} test sooner.")
    failed = {one.tag for one in here if any(p.failed for period in one.periods for p in period.points)}
    if longer := [tag for tag in tags if advice[tag] == "may be longer" and tag not in failed]:
        words = "the interval may be longer, where all rules allow it"
        console.print(f"Found well within its tolerance: {', '.join(longer)}; {rule} {words}.")


def _a_year(one: Drift) -> Text:
    """The drift of the last period, or of the one before where that cannot be told yet."""
    now = one.now
    if now.fit is not None:
        flags = "" if not now.flags else f" ({', '.join(now.flags)})"
        none = "" if now.says == "drifts" else ", none shown"
        return Text(f"{_value(one, now.per_year, now.u_per_year, now.fit.k)}{none}{flags}")
    earlier = next((period for period in reversed(one.periods) if period.fit is not None), None)
    if earlier is None or earlier.fit is None:
        return Text("cannot say")
    return Text(f"cannot say; before {_value(one, earlier.per_year, earlier.u_per_year, earlier.fit.k)}")


def _value(one: Drift, value: float | None, u: float | None, k: float) -> str:
    if value is None:
        return "cannot say"
    scale, unit = (100.0, "%") if one.unit == "relative" else (1.0, one.unit)
    expanded = None if u is None else k * u * scale
    return f"{with_uncertainty(value * scale, expanded)} {unit}"


def _when(now: Period, today: date) -> str:
    if now.points[-1].outside:
        return "■ outside now"
    if now.reaches is None:
        return "cannot say"
    reaches = now.reaches
    if reaches.guarded is None:
        return f"not before {reaches.until.isoformat()}"
    likely = f", likely {reaches.likely.isoformat()}" if reaches.likely else ""
    mark = "■ " if reaches.guarded <= today else "◆ "
    return f"{mark}from {reaches.guarded.isoformat()}{likely}"


def show_reliability(found: Sequence[Reliability], statement: str) -> None:
    """What was found, and what another time between tests would do."""
    console = _console()
    if not found:
        console.print("No tests are kept.")
    for one in found:
        words = "an alarm that did not set" if one.counting == "no-alarm" else "anything that fell short as found"
        head = f"{one.group}: {one.failures} of {one.tests} tests found {words} ({one.detectors} detectors)"
        console.print(Text(head + (", simulated" if one.simulated else ""), style="bold"))
        if one.unclear:
            console.print(f"  {one.unclear} more tests did not show whether it would have alarmed; they do not count")
        table = _table("", "best estimate", "from (95 %)", "to", right=("best estimate", "from (95 %)", "to"))
        table.add_row("found failed at a test", *_three(one.on_demand))
        table.add_row("rate per hour, found at the next test", *_three(one.per_hour))
        if one.per_hour_bounds:
            low, high = one.per_hour_bounds
            table.add_row(f"  exact bounds, {number(one.hours)} h at risk", "", _plain(low), _plain(high))
        if one.mean_interval_h:
            months = one.mean_interval_h / 730.5
            table.add_row(f"failed when needed, tested every {months:.1f} months", *_three(one.pfd_avg))
        for every, pfd in one.by_months:
            table.add_row(f"  if tested every {every} months", *_three(pfd))
        console.print(table)
    console.print(statement)


def _three(one: Estimate | None) -> tuple[str, str, str]:
    return ("cannot say", "", "") if one is None else (_plain(one.value), _plain(one.low), _plain(one.high))


def _plain(value: float) -> str:
    if math.isinf(value):
        return "no bound"
    return "0" if value == 0 else f"{value:.2g}"
