"""The strip of one detector's test, as points and bars ready to be drawn."""

from __future__ import annotations

import bisect
import itertools
import math
from collections.abc import Sequence
from typing import Any

from gaswitness.plan.records import Plan
from gaswitness.run.events import Event, GasTurned, MarkMade, ReadingTaken, StatusSeen, StepMoved
from gaswitness.sentence import figure, listed, said
from gaswitness.site.records import AlarmPointSpec, Detector, MatrixLine, Site
from gaswitness.wording import scale_ppm

MOST_POINTS = 600
"""More than paper resolves over the width of a page."""
LEAD_S = 40.0
BEYOND_RANGE = 0.1
"""Share of the range that a reading may lie beyond its ends and still be drawn."""
USABLE = ("good", "over", "under", "by-hand")

Point = tuple[float, float]


def strip_of(events: Sequence[Event], plan: Plan, tag: str) -> dict[str, Any] | None:
    """What the template needs to draw the test of this detector; none where no gas flowed on it."""
    site, detector = plan.site, plan.site.detector(tag)
    groups_s = _first_group_trial_s(events, plan)
    turns = [(e.t_s, e.on) for e in events if isinstance(e, GasTurned) and e.tag == tag and e.t_s < groups_s]
    gas = _spans(turns, events[-1].t_s)
    if not gas:
        return None
    zero_s = gas[0][0]
    begin_s = zero_s - LEAD_S
    end_s = _end_of_test(events, tag, gas)
    unit_ppm, unit = scale_ppm(detector)
    scale = 1.0 / unit_ppm

    def minutes(t_s: float) -> float:
        return (min(max(t_s, begin_s), end_s) - zero_s) / 60.0

    readings = [
        (e.t_s, _on_paper(e, detector))
        for e in events
        if isinstance(e, ReadingTaken) and e.tag == tag and begin_s <= e.t_s <= end_s
    ]
    parts = _unbroken(readings)
    levels = _levels(detector.alarms, detector, scale)
    band = _band(plan, tag, gas[0], scale)
    values = [v * scale for part in parts for _, v in part] + [level["at"] for level in levels]
    values += [edge for row in band for edge in row[1:]]
    low, high = (min(values, default=0.0), max(values, default=1.0))
    pad = 0.06 * (high - low) or 1.0
    y0, y1 = low - pad, high + pad
    return {
        "unit": unit,
        "x0": minutes(begin_s),
        "x1": minutes(end_s),
        "y0": y0,
        "y1": y1,
        "xticks": _ticks(minutes(begin_s), minutes(end_s), 9),
        "yticks": _ticks(y0, y1, 6),
        "gas": [(minutes(a), minutes(b)) for a, b in gas],
        "band": band,
        "levels": levels,
        "trace": [[(minutes(t), v * scale) for t, v in _thinned(part)] for part in parts],
        "edges": _edges(events, tag, detector, readings, begin_s, end_s, minutes, scale),
        "lanes": _lanes(events, site, detector, begin_s, end_s, minutes),
    }


def _on_paper(event: ReadingTaken, detector: Detector) -> float | None:
    """The reading, where it is one: an open signal drawn to scale would flatten everything else."""
    margin_ppm = BEYOND_RANGE * detector.range_ppm
    value = event.value_ppm if event.quality in USABLE else None
    if value is None or not detector.range_low_ppm - margin_ppm <= value <= detector.range_high_ppm + margin_ppm:
        return None
    return value


def _first_group_trial_s(events: Sequence[Event], plan: Plan) -> float:
    """From here on gas belongs to trials of vote groups, which come after all tests of detectors."""
    of_groups = {step.id for step in plan.steps if step.group is not None}
    return min((e.t_s for e in events if isinstance(e, StepMoved) and e.step in of_groups), default=math.inf)


def _end_of_test(events: Sequence[Event], tag: str, gas: list[Point]) -> float:
    own = [e.t_s for e in events if isinstance(e, StepMoved) and e.step.startswith(f"{tag}/") and e.state != "started"]
    return max([gas[-1][1] + LEAD_S, *own])


def _spans(turns: list[tuple[float, bool]], end_s: float) -> list[Point]:
    spans: list[Point] = []
    since: float | None = None
    for t_s, on in turns:
        if on and since is None:
            since = t_s
        elif not on and since is not None:
            spans.append((since, t_s))
            since = None
    return [*spans, (since, end_s)] if since is not None else spans


def _unbroken(readings: list[tuple[float, float | None]]) -> list[list[Point]]:
    """Runs of readings with no missing value and no long gap between."""
    gaps = sorted(b[0] - a[0] for a, b in itertools.pairwise(readings))
    longest_s = 5.0 * gaps[len(gaps) // 2] if gaps else math.inf
    parts: list[list[Point]] = [[]]
    last_s = -math.inf
    for t_s, value in readings:
        if value is None or t_s - last_s > longest_s:
            parts.append([])
        if value is not None:
            parts[-1].append((t_s, value))
        last_s = t_s
    return [part for part in parts if part]


def _thinned(part: list[Point]) -> list[Point]:
    """Lowest and highest reading of every short stretch, so that no peak is lost on paper."""
    if len(part) <= MOST_POINTS:
        return part
    size = math.ceil(2 * len(part) / MOST_POINTS)
    out: list[Point] = []
    for start in range(0, len(part), size):
        stretch = part[start : start + size]
        out += sorted({min(stretch, key=lambda p: p[1]), max(stretch, key=lambda p: p[1])})
    return out


def _levels(alarms: tuple[AlarmPointSpec, ...], detector: Detector, scale: float) -> list[dict[str, Any]]:
    ordered = sorted(alarms, key=lambda a: a.set_ppm, reverse=alarms[0].direction == "falling")
    levels: list[dict[str, Any]] = []
    for rank, point in enumerate(ordered):
        kind = "high" if rank == len(ordered) - 1 and rank else "low"
        at = point.set_ppm * scale
        levels.append({"at": at, "kind": kind, "label": listed((point.name, figure(at, ".5g")), " ")})
        if not point.latching:
            levels.append({"at": point.clear_ppm(detector.range_ppm) * scale, "kind": "clear", "label": ""})
    return levels


def _band(plan: Plan, tag: str, gas: Point, scale: float) -> list[tuple[float, float, float]]:
    """The forecast while the gas flowed; after it was shut off the plan knew no longer when that would be."""
    curve = plan.detector(tag).curve
    until_s = min(curve.gas_off_s, gas[1] - gas[0])
    rows = zip(curve.t_s, curve.low_ppm, curve.high_ppm, strict=True)
    return [(t / 60.0, low * scale, high * scale) for t, low, high in rows if 0.0 <= t <= until_s]


def _edges(
    events: Sequence[Event],
    tag: str,
    detector: Detector,
    readings: list[tuple[float, float | None]],
    begin_s: float,
    end_s: float,
    minutes: Any,
    scale: float,
) -> list[dict[str, Any]]:
    signals = {f"{tag}.{point.name}" for point in detector.alarms}
    times = [t for t, _ in readings]
    edges = []
    for event in events:
        if not (isinstance(event, StatusSeen) and event.signal in signals and event.after_t_s is not None):
            continue
        at = min(bisect.bisect_left(times, event.t_s), len(readings) - 1)
        if begin_s <= event.t_s <= end_s and readings and (value := readings[at][1]) is not None:
            edges.append({"x": minutes(event.t_s), "y": value * scale, "set": event.on})
    return edges


def causes_of(line: MatrixLine, site: Site) -> set[str]:
    """All alarm points that this line of the matrix looks at, those of vote groups too."""
    members = {group.tag: group.members for group in site.groups}
    return {point for cause in line.causes for point in members.get(cause, (cause,))}


def _lanes(
    events: Sequence[Event], site: Site, detector: Detector, begin_s: float, end_s: float, minutes: Any
) -> list[dict[str, Any]]:
    own = {f"{detector.tag}.{point.name}" for point in detector.alarms}
    effects = [
        effect
        for effect in site.effects
        if any(line.effect == effect.tag and causes_of(line, site) & own for line in site.matrix)
    ]
    lanes = [
        _lane(events, f"{detector.tag}.{point.name}", point.name, "alarm", said("panel"), begin_s, end_s, minutes)
        for point in detector.alarms
    ]
    posts = {post.tag: post.name for post in site.posts}
    lanes += [
        _lane(events, f"{e.tag}.on", e.tag, "effect", posts.get(e.post, e.post), begin_s, end_s, minutes)
        for e in effects
    ]
    return lanes


def _lane(
    events: Sequence[Event], signal: str, label: str, kind: str, note: str, begin_s: float, end_s: float, minutes: Any
) -> dict[str, Any]:
    turns = [(e.t_s, e.on) for e in events if isinstance(e, StatusSeen) and e.signal == signal]
    bars = [(minutes(a), minutes(b)) for a, b in _spans(turns, events[-1].t_s) if b >= begin_s and a <= end_s]
    marks = [
        (minutes(e.t_s), e.on)
        for e in events
        if isinstance(e, MarkMade) and e.signal == signal and begin_s <= e.t_s <= end_s
    ]
    return {"label": label, "kind": kind, "note": note, "bars": bars, "marks": marks}


def _ticks(low: float, high: float, most: int) -> list[tuple[float, str]]:
    """Round numbers within [low, high], at most so many."""
    step = 10.0 ** math.floor(math.log10((high - low) / most))
    step *= next((m for m in (1, 2, 5, 10, 20) if (high - low) / (m * step) <= most), 20)
    first = math.ceil(low / step)
    return [(i * step, figure(i * step, ".6g")) for i in range(first, math.floor(high / step) + 1)]
