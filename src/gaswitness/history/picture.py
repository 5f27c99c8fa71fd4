"""The strip of years: one row a detector, one column a quantity, limits, periods and fitted lines."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from gaswitness.errors import InputError
from gaswitness.judge.decide import COVERAGE_K
from gaswitness.learn.drift import DAYS_PER_YEAR, DRIFT_KINDS, Drift, Period
from gaswitness.paper import ENGLISH
from gaswitness.sentence import listed, said
from gaswitness.telling import Teller, figure_in

# Okabe and Ito, Color Universal Design (2008)
BLUE, VERMILION = "#0072B2", "#D55E00"
PAGE, INK, QUIET, RULE = "#F4F4F2", "#222222", "#8A8A86", "#DDDDDA"
TITLES = {"zero": said("zero, ppm off"), "span": said("span, % off"), "t90": said("t90, s")}
DAYS = {
    "formats": ["%Y", "%Y-%m", "%m-%d", "%H:%M", "%H:%M", "%S"],
    "zero_formats": ["", "%Y", "%Y-%m", "%m-%d", "%H:%M", "%H:%M"],
    "offset_formats": ["", "%Y", "%Y-%m", "%Y-%m-%d", "%Y-%m-%d", "%Y-%m-%d"],
}
"""Years, months and days in figures, for languages other than English, whose months the library names."""
KEY = said(
    "filled: as found   open square: as left after an adjustment   triangle: outside its limits   bars: expanded, "
    "k = 2   dashes: limits   line and band: drift and its 95 % band   dotted: adjusted, or a new sensor"
)


def draw_years(path: Path, drifts: Sequence[Drift], today: date, tell: Teller = ENGLISH) -> None:
    """Draw to `path`, whose ending says the format, in the language of `tell`.

    Raises InputError without such a format, or anything to draw.
    """
    from matplotlib.dates import ConciseDateFormatter
    from matplotlib.figure import Figure

    if path.suffix not in (".png", ".svg", ".pdf"):
        raise InputError("not a picture", where=str(path), found=path.suffix, expected=".png, .svg or .pdf")
    rows = list(dict.fromkeys((one.site, one.tag) for one in drifts))
    kinds = [kind for kind in DRIFT_KINDS if any(one.kind == kind for one in drifts)]
    if not rows:
        raise InputError("there is nothing to draw", hint="keep tests with readings first: gaswitness import FILE")
    figure = Figure(figsize=(3.9 * len(kinds) + 0.8, 1.55 * len(rows) + 1.3), facecolor=PAGE, layout="constrained")
    grid = figure.subplots(len(rows), len(kinds), squeeze=False, sharex=True)
    cells = {(one.site, one.tag, one.kind): one for one in drifts}
    several = len({site for site, _ in rows}) > 1
    for across, (site, tag) in zip(grid, rows, strict=True):
        for axes, kind in zip(across, kinds, strict=True):
            _dress(axes, tell)
            if (drift := cells.get((site, tag, kind))) is not None:
                _strip(axes, drift, today, tell)
            else:
                axes.text(
                    0.5, 0.5, tell(said("nothing kept")), transform=axes.transAxes, ha="center", fontsize=8, color=QUIET
                )
        name = f"{site}\n{tag}" if several else tag
        across[0].set_ylabel(name, fontsize=9, color=INK, fontweight="bold")
        days: dict[str, list[str]] = {} if tell.language == "en" else DAYS
        axes.xaxis.set_major_formatter(ConciseDateFormatter(axes.xaxis.get_major_locator(), **days))  # type: ignore[no-untyped-call]
    for axes, kind in zip(grid[0], kinds, strict=True):
        axes.set_title(tell(TITLES[kind]), loc="left", fontsize=9, color=INK)
    places = sorted({site for site, _ in rows})
    head = tell(said("As found over the years: {places}", places=listed(places[:3])))
    if any(one.simulated for one in drifts):
        head = f"{head}   {tell(said('simulated installation'))}"
    figure.suptitle(head, x=0.01, ha="left", fontsize=11,
                    fontweight="bold", color=INK)  # fmt: skip
    figure.supxlabel(
        tell(KEY),
        x=0.01, ha="left", fontsize=7, color=QUIET,
    )  # fmt: skip
    figure.savefig(path, dpi=110, facecolor=PAGE, metadata={"Date": None} if path.suffix == ".svg" else None)


def _dress(axes: Any, tell: Teller) -> None:
    from matplotlib.ticker import ScalarFormatter

    class Written(ScalarFormatter):
        """Numbers as the language writes them."""

        def __call__(self, x: float, pos: int | None = None) -> str:
            return figure_in(tell.language, super().__call__(x, pos))

    axes.yaxis.set_major_formatter(Written())
    axes.set_facecolor(PAGE)
    axes.spines[["top", "right"]].set_visible(False)
    axes.spines[["left", "bottom"]].set_color(QUIET)
    axes.tick_params(colors=INK, labelsize=7)
    axes.grid(color=RULE, linewidth=0.5)


def _strip(axes: Any, drift: Drift, today: date, tell: Teller) -> None:
    scale = 100.0 if drift.unit == "relative" else 1.0
    for period in drift.periods:
        _points(axes, period, scale)
        if period.fit is not None:
            _line(axes, period, scale, today)
        if period.ended != "open":
            axes.axvline(period.points[-1].day, color=QUIET, linewidth=1.0, linestyle=":")
    last = drift.now
    low, high = _span_of(drift, scale)
    axes.set_ylim(0.0 if drift.kind == "t90" else low, high)
    for point in (point for period in drift.periods for point in period.points if point.failed):
        # far off by nature: told at the edge, so that the rest can be read
        edge = low if point.value * scale < low else min(point.value * scale, high)
        axes.annotate(
            tell(said("did not alarm")),
            (point.day, edge),
            (0, 6),
            textcoords="offset points",
            fontsize=7,
            color=INK,
            ha="center",
        )
        axes.plot([point.day], [edge], "v" if edge == low else "^", markersize=6, color=VERMILION, clip_on=False)
    for limit in (last.lower, last.upper):
        if limit is not None:
            axes.axhline(limit * scale, color=INK, linewidth=0.9, linestyle=(0, (5, 3)))


def _span_of(drift: Drift, scale: float) -> tuple[float, float]:
    """Lowest and highest value that is drawn, with some room; what failed is told at the edge."""
    told = [point.value for period in drift.periods for point in period.points if not point.failed]
    told += [limit for limit in (drift.now.lower, drift.now.upper) if limit is not None]
    low, high = (min(told) * scale, max(told) * scale) if told else (0.0, 1.0)
    room = 0.12 * (high - low) or max(abs(high), 1.0) * 0.1
    return low - room, high + room


def _points(axes: Any, period: Period, scale: float) -> None:
    for point in (one for one in period.points if not one.failed):
        bar = None if point.u is None else COVERAGE_K * point.u * scale
        shape = "s" if point.as_left else "^" if point.outside else "o"
        axes.errorbar(
            [point.day], [point.value * scale], yerr=bar, fmt=shape, markersize=6 if point.outside else 4,
            color=VERMILION if point.outside else INK, markerfacecolor=PAGE if point.as_left else None,
            elinewidth=0.8, capsize=1.5, zorder=3,
        )  # fmt: skip


def _line(axes: Any, period: Period, scale: float, today: date) -> None:
    fit = period.fit
    if fit is None:
        return
    first = next(point.day for point in period.points if not point.failed)
    end = max(today, period.points[-1].day) if period.ended == "open" else period.points[-1].day
    years = np.linspace(0.0, max((end - first).days, 1) / DAYS_PER_YEAR, 60)
    told = [fit.at((1.0, one)) for one in years]
    days = [first + timedelta(days=float(one) * DAYS_PER_YEAR) for one in years]
    line, u = (np.array(one) * scale for one in zip(*told, strict=True))
    axes.fill_between(days, line - fit.k * u, line + fit.k * u, color=BLUE, alpha=0.15, linewidth=0)
    axes.plot(days, line, color=BLUE, linewidth=1.2)
