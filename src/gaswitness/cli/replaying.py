"""What the alarm logic of a site makes of a recorded log; computes, and shows nothing."""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from datetime import time as clock_time
from typing import get_args

import numpy as np
from numpy.typing import NDArray

from gaswitness.alarms import AlarmPoint, Edges, replay
from gaswitness.alarms.voting import Change, vote_edges
from gaswitness.cli.replay_events import Pressed
from gaswitness.errors import InputError
from gaswitness.exposure import Exposure, Measured, exposure
from gaswitness.links.columns import Column
from gaswitness.links.logfile import Log, Trace
from gaswitness.site import alarm_points
from gaswitness.site.records import Detector, Site, VoteGroup
from gaswitness.units import convert

UNITS: tuple[str, ...] = get_args(Detector.model_fields["unit"].annotation)
_UNITS_IN_NAMES = tuple(
    (re.compile(rf"(?<![a-z])(?:{pattern})(?![a-z])"), unit)
    for pattern, unit in (
        (r"[mnuµμ]?g ?/? ?m\^?[3³]", "mass"),
        (r"%? ?(?:lfl|lel)", "%LFL"),
        (r"% ?vol|vol\.?[ -]*%|% ?\(?v/v\)?|pct", "%vol"),
        (r"ppmv?|[uµμ]mol/mol", "ppm"),
        (r"ppbv?|nmol/mol", "ppb"),
    )
)
"""What a column's name may state as unit, in lower case with spaces for underscores."""
_LITTLE = 1e-3
"""Readings that stay below this part of the range are told: they may be in another unit."""
_ALL_PPM = 1e6
_CLOCK = re.compile(r"(\d{1,2}):(\d{2})-(\d{1,2}):(\d{2})", re.ASCII)


@dataclass(frozen=True, slots=True)
class Shift:
    """A shift of one day."""

    begin: datetime
    end: datetime
    readings: int
    exposure: Exposure

    @property
    def unmeasured_s(self) -> float:
        """Time of the shift that nobody measured."""
        return (self.end - self.begin).total_seconds() - self.exposure.measured_s


@dataclass(frozen=True, slots=True)
class DetectorReplay:
    """One detector over its channel of the log; levels in ppm."""

    detector: Detector
    trace: Trace
    unit: str
    """Unit in which the log was read."""
    values_ppm: NDArray[np.float64]
    points: tuple[AlarmPoint, ...]
    edges: Edges
    exposure: Exposure
    measured: Measured
    shifts: tuple[Shift, ...]

    def alarm_s(self, point: int) -> float:
        """How long a point annunciated, up to the last reading."""
        changes = self.edges.of("set", "clear")
        times = changes.t_s[changes.point == point]
        if len(times) % 2:
            times = np.append(times, self.trace.t_s[-1])
        return float(np.sum(times[1::2] - times[::2]))

    def beyond_s(self, point: AlarmPoint) -> float:
        """Measured time with the reading on the alarm side of the set level."""
        above_s = self.measured.time_above_s(point.set_level)
        return above_s if point.direction == "rising" else self.measured.measured_s - above_s


@dataclass(frozen=True, slots=True)
class SiteReplay:
    """All that was made of a log."""

    log: Log
    detectors: tuple[DetectorReplay, ...]
    groups: tuple[tuple[float, str, bool], ...]
    """Edges of vote groups: time, group, on."""
    notes: tuple[str, ...]


def replay_site(
    site: Site,
    log: Log,
    *,
    mapped: Sequence[str] = (),
    unit: str | None = None,
    resets_s: Sequence[float] = (),
    pressed: Mapping[str, Pressed] | None = None,
    stale_s: float | None = None,
    gap_s: float | None = None,
    shift: str | None = None,
) -> SiteReplay:
    """Every detector that has a channel in the log, through its alarm points and its exposure figures.

    `mapped` are texts `COLUMN=TAG`; channels named like a tag need none. `resets_s` are pressed for all detectors,
    `pressed` holds what was done at each.
    """
    if unit is not None and unit not in UNITS:
        raise InputError("unit", where="--unit", found=unit, expected="one of " + ", ".join(UNITS))
    notes: list[str] = []
    pairs = _pairs(site, log, mapped, notes)
    hours = None if shift is None else _hours(shift, log)
    detectors = []
    for detector, trace in pairs:
        stated = unit or _unit_in_name(trace.column, detector, log.source)
        read_in = stated or detector.unit
        values = _in_ppm(trace.values, read_in, detector)
        if unit is None and read_in != "ppm" and _impossible(values):
            notes.append(
                f"{trace.channel}: readings up to {np.nanmax(trace.values):g} cannot be {read_in}; taken as ppm "
                "(say which with --unit)"
            )
            read_in, values = "ppm", trace.values
        highest_ppm = float(np.max(np.abs(values), initial=0.0, where=np.isfinite(values)))
        if stated is None and 0.0 < highest_ppm < _LITTLE * detector.range_high_ppm:
            notes.append(
                f"{trace.channel}: readings up to {np.nanmax(trace.values):g} were taken as {read_in}, less than a "
                f"thousandth of the range of {detector.tag}; if they are in another unit, say which with --unit"
            )
        points = alarm_points(detector)
        if stale_s is not None:
            points = tuple(replace(point, stale_s=stale_s) for point in points)
        own = (pressed or {}).get(detector.tag, Pressed())
        edges = replay(
            trace.t_s, values, points, resets_s=[*resets_s, *own.resets_s], acknowledges_s=own.acknowledges_s,
            inhibits_s=own.inhibits_s,
        )  # fmt: skip
        if own.inhibits_s and own.inhibits_s[-1][1] == math.inf:
            notes.append(
                f"{detector.tag}: inhibited from {log.instant(own.inhibits_s[-1][0])} to the end; no lift follows"
            )
        air = Measured(trace.t_s, values, gap_s=gap_s)
        detectors.append(
            DetectorReplay(
                detector,
                trace,
                read_in,
                values,
                points,
                edges,
                air.exposure(),
                air,
                () if hours is None else _shifts(hours, trace, values, gap_s),
            )
        )
    groups, left_out = _groups(site.groups, detectors)
    return SiteReplay(log, tuple(detectors), groups, (*log.notes, *notes, *left_out))


def _pairs(site: Site, log: Log, mapped: Sequence[str], notes: list[str]) -> list[tuple[Detector, Trace]]:
    """Detectors with their channels: as mapped, by name, else by gas, else one with the other if there is one each."""
    tags = {detector.tag: detector for detector in site.detectors}
    chosen: dict[str, Trace] = {}
    for text in mapped:
        column, sign, tag = text.rpartition("=")
        if not sign or not column:
            raise InputError("a mapping", where="--map", found=text, expected="COLUMN=TAG")
        if tag not in tags:
            close = difflib.get_close_matches(tag, tags, n=1)
            raise InputError(
                "no detector of this tag",
                where=f"--map {text}",
                found=tag,
                expected="one of " + ", ".join(tags),
                hint=f"did you mean {close[0]!r}?" if close else "",
            )
        if tag in chosen:
            raise InputError("a detector mapped twice", where=f"--map {text}", found=tag, expected="one column each")
        chosen[tag] = log.trace(column)
    by_name = {name.casefold(): trace for name, trace in log.channels.items()}
    taken = {trace.channel for trace in chosen.values()}
    for tag in tags:
        named = by_name.get(tag.casefold())
        if tag not in chosen and named is not None and named.channel not in taken:
            chosen[tag] = named
    if not chosen:
        for tag, trace in _by_gas(site, log):
            chosen[tag] = trace
            notes.append(f"channel {trace.channel!r} taken for {tag}, the only detector of {tags[tag].gas}")
    if not chosen and len(tags) == 1 and len(log.channels) == 1:
        chosen[next(iter(tags))] = log.trace()
    if not chosen:
        raise InputError(
            "no channel of the log is named like a detector of the site",
            where=log.source,
            found=", ".join(log.channels),
            expected=", ".join(tags),
            hint=f"say which is which, such as --map {next(iter(log.channels))}={next(iter(tags))}",
        )
    return [(detector, chosen[tag]) for tag, detector in tags.items() if tag in chosen]


def _by_gas(site: Site, log: Log) -> list[tuple[str, Trace]]:
    """Detectors that are the only one of their gas, with the only channel that names that gas."""
    pairs = []
    for detector in site.detectors:
        named = [t for t in log.channels.values() if detector.gas.lower() in Column(t.channel, "number", ()).words]
        if len(named) == 1 and sum(other.gas == detector.gas for other in site.detectors) == 1:
            pairs.append((detector.tag, named[0]))
    return pairs


def _unit_in_name(column: str, detector: Detector, source: str) -> str | None:
    """The unit that a column's name states: `co2_ppm`, `O2 (%vol)`; raises where that is none a log is read in."""
    name = column.lower().replace("_", " ")
    unit = next((unit for pattern, unit in _UNITS_IN_NAMES if pattern.search(name)), None)
    if unit == "mass":
        raise InputError(
            "readings in mass per volume of air",
            where=f"{source}, column {column!r}",
            found=column,
            expected="one of " + ", ".join(UNITS),
            hint="convert them for the air at the site, or name the unit with --unit if the name is wrong",
        )
    if unit is not None or "%" not in name:
        return unit
    # a bare per cent sign: of the volume, unless it may as well be of the lower flammable limit
    if detector.unit.startswith("%"):
        return detector.unit
    if detector.lfl is None:
        return "%vol"
    raise InputError(
        "per cent of what?",
        where=f"{source}, column {column!r}",
        found=column,
        expected="%vol or %LFL",
        hint="say which with --unit",
    )


def _impossible(values_ppm: NDArray[np.float64]) -> bool:
    """More gas than there is room for."""
    return bool((values_ppm > 1.1 * _ALL_PPM).any())


def _in_ppm(values: NDArray[np.float64], unit: str, detector: Detector) -> NDArray[np.float64]:
    if unit == "ppm":
        return values
    lfl_ppm = None if detector.lfl is None else detector.lfl.ppm
    if unit == "%LFL" and lfl_ppm is None:
        raise InputError(
            "readings in %LFL, but the site states no lower flammable limit",
            where=f"detector {detector.tag}",
            hint="add lfl: {level: ..., source: ...} to the detector, or name the unit with --unit",
        )
    return convert(values, unit, "ppm", lfl_ppm=lfl_ppm)


Hours = tuple[clock_time, clock_time]


def _hours(text: str, log: Log) -> Hours:
    if log.start is None:
        raise InputError(
            "a shift needs a log with instants", where="--shift", found=text, expected="a log in ISO 8601 time"
        )
    match = _CLOCK.fullmatch(text.strip())
    try:
        if match is None:
            raise ValueError
        begin, end = clock_time(int(match[1]), int(match[2])), clock_time(int(match[3]), int(match[4]))
    except ValueError:
        raise InputError(
            "a shift", where="--shift", found=text, expected="begin and end, such as 08:00-16:00"
        ) from None
    return begin, end


def _shifts(hours: Hours, trace: Trace, values: NDArray[np.float64], gap_s: float | None) -> tuple[Shift, ...]:
    """The shifts of all days that have a reading within them, the log's own local time."""
    start = trace.start
    if start is None or not len(trace):
        return ()
    begin, end = hours
    length = timedelta(hours=end.hour - begin.hour, minutes=end.minute - begin.minute)
    if length <= timedelta(0):
        length += timedelta(days=1)
    first = datetime.combine((start + timedelta(seconds=float(trace.t_s[0]))).date(), begin, start.tzinfo)
    day = first - timedelta(days=1)
    last = start + timedelta(seconds=float(trace.t_s[-1]))
    shifts = []
    while day <= last:
        bounds = (day - start).total_seconds(), (day + length - start).total_seconds()
        from_, to = np.searchsorted(trace.t_s, bounds[0], "left"), np.searchsorted(trace.t_s, bounds[1], "right")
        readings = int(np.count_nonzero(~np.isnan(values[from_:to])))
        if readings:
            shifts.append(
                Shift(day, day + length, readings, exposure(trace.t_s[from_:to], values[from_:to], gap_s=gap_s))
            )
        day += timedelta(days=1)
    return tuple(shifts)


def _groups(
    groups: Sequence[VoteGroup], detectors: Sequence[DetectorReplay]
) -> tuple[tuple[tuple[float, str, bool], ...], tuple[str, ...]]:
    """Edges of the groups whose members are all in the log; a note for each of the others."""
    changes: Mapping[str, list[Change]] = {
        f"{done.detector.tag}.{point.name}": [
            Change(edge.t_s, f"{done.detector.tag}.{point.name}", edge.kind == "set")
            for edge in done.edges.of("set", "clear")
            if edge.point == point.name
        ]
        for done in detectors
        for point in done.points
    }
    told: list[tuple[float, str, bool]] = []
    notes = []
    for group in groups:
        missing = [member for member in group.members if member not in changes]
        if missing:
            notes.append(f"vote group {group.tag} was left out: no readings for {', '.join(missing)}")
            continue
        in_order = sorted((c for member in group.members for c in changes[member]), key=lambda change: change.t_s)
        told += [(t_s, group.tag, on) for t_s, on in vote_edges(in_order, group.members, group.need, group.faulty)]
    return tuple(sorted(told)), tuple(notes)
