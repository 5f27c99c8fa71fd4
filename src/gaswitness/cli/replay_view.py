"""How `gaswitness replay` looks in a terminal: the strip of each detector, its alarms, and what was breathed."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from rich.console import Console
from rich.table import Table
from rich.text import Text

from gaswitness.alarms import AlarmPoint
from gaswitness.cli.replaying import DetectorReplay, SiteReplay
from gaswitness.cli.terminal.looks import GREY, ORANGE, STYLES, VERMILLION, Shapes, shapes_for
from gaswitness.cli.terminal.strip import Canvas
from gaswitness.exposure import Exposure, Window
from gaswitness.site.records import Detector
from gaswitness.wording import level, number, scale_ppm

_STRIP_ROWS = 12
_LABEL = 9
_EDGES_SHOWN = 40


def show(site: str, done: SiteReplay, console: Console | None = None) -> None:
    """Print everything to stdout."""
    console = console or Console(highlight=False, markup=False)
    shapes = shapes_for(console.encoding)
    console.print(Text(f"{site}: {done.log.source}", style="bold"))
    span_s = max(float(told.trace.t_s[-1]) for told in done.detectors if len(told.trace))
    console.print(
        f"{_when(done, 0.0)} to {_when(done, span_s)}, {_length(span_s)}; readings taken as they are, not corrected",
        style=GREY,
    )
    for note in done.notes:
        console.print(f"note: {note}")
    for told in done.detectors:
        console.print()
        _heading(console, told)
        for line in _strip(told, max(console.width, 40), shapes):
            console.print(line)
        console.print(_axis(done, told, max(console.width, 40)), style=GREY)
        console.print()
        console.print(_points(told, shapes))
    console.print()
    console.print(_edges(done, shapes))
    console.print()
    console.print(_breathed(done))
    console.print(
        "Time that was not measured is left out of mean and 15-minute average; the eight-hour average divides by eight "
        "hours, whatever was measured. What the figures mean for people is for local codes and a competent person.",
        style=GREY,
    )


def _heading(console: Console, told: DetectorReplay) -> None:
    channel = told.trace.channel
    words = f"{told.detector.tag}  {told.detector.gas}"
    source = f"  channel {channel!r} in {told.unit}, {len(told.measured):,} readings"
    console.print(Text.assemble((words, "bold"), (source, GREY)))


def _strip(told: DetectorReplay, width: int, shapes: Shapes) -> Iterator[Text]:
    """Readings over time as they lay between lowest and highest in each column, the set points through them."""
    inner = width - _LABEL
    air = told.measured
    if not len(air):
        yield Text("no readings")
        return
    levels = np.array([point.set_level for point in told.points])
    low, high = float(min(air.values.min(), *levels)), float(max(air.values.max(), *levels))
    margin = 0.06 * ((high - low) or told.detector.range_ppm)
    low, high = low - margin, high + margin
    canvas = Canvas(inner, _STRIP_ROWS, shapes)

    def row(value: float) -> float:
        return (high - value) / (high - low) * _STRIP_ROWS

    labels = {}
    for order, point in enumerate(_in_order(told.points)):
        at = int(row(point.set_level))
        style = STYLES["normal"] or GREY
        arrow = shapes.rising if point.direction == "rising" else shapes.falling
        for column in range(inner):
            canvas.put(column, at, shapes.line, style)
        for place, char in enumerate(f" {arrow} {point.name} "):
            canvas.put(inner - len(point.name) - 5 + place, at, char, ORANGE if order == 0 else VERMILLION)
        labels[at] = number(point.set_level / scale_ppm(told.detector)[0])
    labels.setdefault(_STRIP_ROWS - 1, number(low / scale_ppm(told.detector)[0]) if low > 0 else "0")
    begin, span = float(told.trace.t_s[0]), float(told.trace.t_s[-1] - told.trace.t_s[0]) or 1.0
    half_columns = np.clip(((air.t_s - begin) / span * (2 * inner - 1)).astype(np.int64), 0, 2 * inner - 1)
    firsts = np.flatnonzero(np.diff(half_columns, prepend=-1))
    lowest, highest = np.minimum.reduceat(air.values, firsts), np.maximum.reduceat(air.values, firsts)
    for half, bottom, top in zip(half_columns[firsts], lowest, highest, strict=True):
        for y in np.arange(row(float(top)), row(float(bottom)) + 0.124, 0.25):
            canvas.dot(half / 2 + 0.25, min(float(y), row(float(bottom))))
    for at, line in enumerate(canvas.rows("")):
        yield Text.assemble((f"{labels.get(at, ''):>{_LABEL - 1}} ", ""), line, no_wrap=True)


def _axis(done: SiteReplay, told: DetectorReplay, width: int) -> str:
    begin, end = _when(done, float(told.trace.t_s[0])), _when(done, float(told.trace.t_s[-1]))
    return " " * _LABEL + begin + end.rjust(width - _LABEL - len(begin))


def _points(told: DetectorReplay, shapes: Shapes) -> Table:
    scale, unit = scale_ppm(told.detector)
    table = _table(
        "alarm point", f"sets, {unit}", f"clears, {unit}", "times", "in alarm", "beyond level", right=(3, 4, 5)
    )
    changes = told.edges.of("set")
    for index, point in enumerate(told.points):
        rising = point.direction == "rising"
        beyond = "below" if rising else "above"
        table.add_row(
            f"{shapes.rising if rising else shapes.falling} {point.name}",
            f"at {_exact(point.set_level / scale)}{_for(point.on_delay_s)}",
            f"{beyond} {_exact(point.clear_level / scale)}{_for(point.off_delay_s)}"
            + (", reset" if point.latching else ""),
            str(int((changes.point == index).sum())),
            _length(told.alarm_s(index)),
            _length(told.beyond_s(point)),
        )
    return table


def _for(delay_s: float) -> str:
    return f" for {delay_s:g} s" if delay_s else ""


def _exact(value: float) -> str:
    return f"{value:,.9g}"


def _edges(done: SiteReplay, shapes: Shapes) -> Table:
    table = _table("time", "alarm", "", "reading", right=(3,))
    rows: list[tuple[float, tuple[str | Text, ...]]] = []
    for told in done.detectors:
        second = {point.name for point in list(_in_order(told.points))[1:]}
        for edge in told.edges:
            reading = "-" if np.isnan(edge.value) else level(told.detector, edge.value)
            style = ""
            if edge.kind in ("set", "recurred"):
                style = STYLES["second" if edge.point in second else "first"]
            word = Text(f" {shapes.on if edge.kind in ('set', 'recurred') else shapes.off} {edge.kind} ", style)
            rows.append((edge.t_s, (_when(done, edge.t_s), f"{told.detector.tag}.{edge.point}", word, reading)))
    for t_s, tag, on in done.groups:
        rows.append(
            (t_s, (_when(done, t_s), tag, Text(f" {shapes.on if on else shapes.off} {'set' if on else 'clear'} "), ""))
        )
    rows.sort(key=lambda entry: entry[0])
    for _, cells in rows[:_EDGES_SHOWN]:
        table.add_row(*cells)
    if not rows:
        table.add_row("no alarm set", "", "", "")
    if len(rows) > _EDGES_SHOWN:
        table.add_row(f"and {len(rows) - _EDGES_SHOWN:,} more", "with --json", "", "")
    return table


def _breathed(done: SiteReplay) -> Table:
    table = _table("exposure", "peak", "15 min", "8 h", "mean", "measured", "unmeasured", right=(1, 2, 3, 4, 5, 6))
    for told in done.detectors:
        found, detector = told.exposure, told.detector
        name = f"{detector.tag}, {scale_ppm(detector)[1]}"
        table.add_row(name, *_figures(detector, found), _length(found.unmeasured_s))
        for shift in told.shifts:
            name = f"  {shift.begin:%Y-%m-%d %H:%M}"
            table.add_row(name, *_figures(detector, shift.exposure), _length(shift.unmeasured_s))
    return table


def _figures(detector: Detector, found: Exposure) -> tuple[str, ...]:
    def figure(value: float | None) -> str:
        return "unknown" if value is None or np.isnan(value) else number(value / scale_ppm(detector)[0])

    def average(window: Window | None) -> float | None:
        return None if window is None else window.average

    figures = (found.peak, average(found.stel), average(found.twa), found.mean)
    return (*map(figure, figures), _length(found.measured_s))


def _in_order(points: tuple[AlarmPoint, ...]) -> list[AlarmPoint]:
    """Least severe first."""
    return sorted(points, key=lambda point: point.set_level * point.sign)


def _when(done: SiteReplay, t_s: float) -> str:
    instant = done.log.instant(t_s)
    return f"{instant:.6g} s" if isinstance(instant, float) else instant.replace("T", " ")[:19]


def _length(length_s: float) -> str:
    """A time for people.

    >>> _length(42.0), _length(3725.0), _length(200000.0)
    ('42 s', '1 h 02 min', '2 d 7 h')
    """
    if length_s < 120:
        return f"{length_s:.0f} s"
    minutes = round(length_s / 60)
    if minutes < 60:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes:02d} min" if hours < 48 else f"{hours // 24} d {hours % 24} h"


def _table(*columns: str, right: tuple[int, ...] = ()) -> Table:
    table = Table(box=None, pad_edge=False, header_style=GREY, padding=(0, 1, 0, 0))
    for index, name in enumerate(columns):
        table.add_column(name, justify="right" if index in right else "left", no_wrap=True)
    return table
