"""The job sheet: a plan on paper, to be carried along and written on where there is no screen.

It words and draws what the plan holds; it decides nothing. The same plan gives the same bytes.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from gaswitness.paper import typeset
from gaswitness.plan.dryrun import Watch, dry_run
from gaswitness.plan.labels import LABELS
from gaswitness.plan.lines import FAULT
from gaswitness.plan.records import BottleLoad, Bout, Criterion, DetectorPlan, GasNeed, Plan, Step
from gaswitness.sentence import figure, listed, said, together
from gaswitness.site.records import Detector, Effect
from gaswitness.telling import Teller
from gaswitness.wording import amount, between, level, mixture, number, scale_ppm, word

SHEET = Path(__file__).with_name("sheet.typ")
WORTH_LEAVING_S = 600.0
_TICKS = (1.0, 2.0, 2.5, 5.0, 10.0)


def sheet_pdf(plan: Plan, language: str = "en") -> bytes:
    """Typeset the job sheet in a language."""
    made = datetime.fromisoformat(plan.made)
    return typeset(SHEET, sheet_view(plan), made, words=LABELS, tell=Teller(language, plan.wording))


def sheet_view(plan: Plan) -> dict[str, Any]:
    """Everything the template prints, worded and rounded, as sentences that can be told in any language."""
    walked = dry_run(plan)
    starts = {m.step.tag: m.at_s for m in reversed(walked.moments) if m.step.tag and not m.step.optional}
    site = plan.site
    shared, own = _cautions(plan)
    posts = {post.tag: post.name for post in site.posts}
    return {
        "site": site.name,
        "note": site.note.strip().split("\n")[0],
        "made": plan.made.replace("T", " ").removesuffix("Z")[:16] + " UTC",
        "retest": plan.retest_of[:16] if plan.retest_of else "",
        "head": [
            [said("detectors"), str(len(plan.detectors))],
            [said("time, about"), amount(figure(walked.total_s / 60), "min")],
            [said("people at posts"), str(len({w.post for w in walked.watches}))],
            [said("criteria"), str(len(plan.criteria))],
        ],
        "bottles": [_bottle(plan, need) for need in plan.gas],
        "cautions": _two_columns([*own, {"title": said("Always"), "lines": shared}]),
        "roles": [{"role": role.role, "reach": role.reach} for role in site.warn],
        "inhibits": [_named(site.effect(s.effect or "")) for s in plan.steps if s.kind == "inhibit"],
        "posts": [
            {
                "post": posts.get(post, post),
                "effects": listed(effects),
                "minutes": _stays(w for w in walked.watches if w.post == post),
            }
            for post, effects in _by_post(walked.watches).items()
        ],
        "detectors": [
            _detector(plan, planned, place, starts.get(planned.tag, 0.0), posts)
            for place, planned in enumerate(plan.detectors, 1)
        ],
        "bouts": [_bout(plan, bout, posts) for bout in plan.bouts],
        "not_shown": [{"cause": n.cause, "effect": n.effect or "", "why": n.why} for n in plan.not_shown],
        "assumptions": list(plan.assumptions),
    }


def _bout(plan: Plan, bout: Bout, posts: dict[str, str]) -> dict[str, str]:
    """Detectors under gas at once: caps, and what must or must not act, with room for the times."""
    steps = [step for step in plan.steps if step.bout == bout.bout and step.kind in ("quiet", "follow") and step.group]
    order = [*(said("{tag}, signal open", tag=tag) for tag in bout.faulty), *bout.tags]
    return {
        "bout": bout.bout,
        "order": listed(order, ", then "),
        "loads": listed((_load(one) for one in bout.loads), "; "),
        "looks": together(*(step.text for step in steps)),
        "posts": listed(posts.get(post, post) for post in bout.posts),
        "minutes": f"{bout.duration_s / 60:.0f}",
    }


def _load(load: BottleLoad) -> str:
    flow = amount(figure(load.flow_m3_s * 60e3, ".1f"), "L/min")
    return said("{caps} on {bottle}, {flow}", caps=load.caps, bottle=load.cylinder, flow=flow)


def _named(effect: Effect) -> dict[str, str]:
    return {"tag": effect.tag, "name": effect.name}


def _by_post(watches: Iterable[Watch]) -> dict[str, list[str]]:
    seen: dict[str, list[str]] = defaultdict(list)
    for watch in watches:
        seen[watch.post] += [tag for tag in watch.effects if tag not in seen[watch.post]]
    return seen


def _stays(watches: Iterable[Watch]) -> str:
    """Minutes at a post; going away for less than ten is not worth it."""
    stays: list[list[float]] = []
    for watch in watches:
        if stays and watch.from_s - stays[-1][1] < WORTH_LEAVING_S:
            stays[-1][1] = max(stays[-1][1], watch.to_s)
        else:
            stays.append([watch.from_s, watch.to_s])
    return ", ".join(f"{a / 60:.0f}–{b / 60:.0f}" for a, b in stays)


def _cautions(plan: Plan) -> tuple[list[str], list[dict[str, Any]]]:
    """Cautions that all bottles share or that belong to none, said once; the others under their bottle."""
    own: dict[str, list[str]] = {need.cylinder: [] for need in plan.gas}
    shared: list[str] = []
    for line in plan.cautions:
        tag, _, text = line.partition(": ")
        if tag in own:
            own[tag].append(text)
        else:
            shared.append(line)
    common: list[str] = []
    if len(own) > 1:
        common = [t for t in next(iter(own.values())) if all(t in lines for lines in own.values())]
    blocks: list[dict[str, Any]] = []
    for tag, lines in own.items():
        bottle = plan.site.cylinder(tag)
        level = mixture(bottle.level_ppm)
        title = said(
            "{tag}: {level} {gas} in {balance}", tag=tag, level=level, gas=bottle.gas, balance=word(bottle.balance)
        )
        blocks.append({"title": title, "lines": [line for line in lines if line not in common]})
    return [*common, *shared], blocks


def _two_columns(blocks: list[dict[str, Any]]) -> list[list[dict[str, Any]]]:
    """Split where both columns come out about alike; a line holds some 60 letters."""
    heights = [1.5 + sum(1 + len(line) // 60 for line in block["lines"]) for block in blocks]
    cut = min(range(len(blocks)), key=lambda i: abs(sum(heights[:i]) - sum(heights[i:])))
    return [blocks[:cut], blocks[cut:]]


def _bottle(plan: Plan, need: GasNeed) -> dict[str, Any]:
    bottle = plan.site.cylinder(need.cylinder)
    return {
        "tag": need.cylinder,
        "level": mixture(bottle.level_ppm),
        "u": mixture(bottle.u_ppm * 2),
        "certificate": bottle.certificate,
        "expires": bottle.expires.isoformat(),
        "pressure": said("of {pressure}", pressure=figure(bottle.pressure_pa / 1e5)),
        "minimum": said("min {pressure}", pressure=figure(bottle.min_pressure_pa / 1e5)),
        "needed": amount(figure(need.needed_m3 * 1e3, ".1f"), "L"),
        "held": amount(figure(need.available_m3 * 1e3), "L"),
    }


def _detector(plan: Plan, planned: DetectorPlan, place: int, start_s: float, posts: dict[str, str]) -> dict[str, Any]:
    detector = plan.site.detector(planned.tag)
    bottle = plan.site.cylinder(planned.cylinder)
    steps = {s.id.partition("/")[2]: s for s in plan.steps if s.tag == planned.tag}
    criteria = {c.id.partition("/")[2]: c for c in plan.criteria if c.tag == planned.tag}
    return {
        "place": place,
        "tag": planned.tag,
        "name": detector.name,
        "area": plan.site.area(detector.area).name,
        "start": f"{start_s / 60:.0f}",
        "minutes": f"{planned.duration_s / 60:.0f}",
        "bottle": listed((planned.cylinder, mixture(bottle.level_ppm))),
        "flow": amount(number(bottle.flow_m3_s * 60e3), "L/min"),
        "gas": listed((_clock(planned.gas_s), amount(figure(planned.gas_m3 * 1e3, ".1f"), "L")))
        if planned.gas_s
        else said("none"),
        "strip": _strip(detector, planned) if planned.gas_s else None,
        "readings": _readings(detector, criteria),
        "points": [_point(detector, planned, i) for i in range(len(planned.points))] if planned.gas_s else [],
        "effects": _effects(plan, criteria, posts),
        "todo": _todo(steps),
    }


def _clock(value_s: float) -> str:
    """Minutes and seconds, as on a watch."""
    return amount(f"{int(value_s) // 60}:{int(value_s) % 60:02d}", "min")


def _readings(detector: Detector, criteria: dict[str, Criterion]) -> list[list[str]]:
    rows: list[list[str]] = []
    for name, words in (("zero", said("before gas")), ("span", said("settled on gas"))):
        limits = criteria.get(name)
        if limits is not None and limits.lower is not None and limits.upper is not None:
            rows.append([words, between(detector, limits.lower, limits.upper)])
    return rows


def _point(detector: Detector, planned: DetectorPlan, index: int) -> dict[str, str]:
    times = planned.points[index]
    spec = detector.alarm(times.point)
    sign, back = ("≥", "<") if spec.direction == "rising" else ("≤", ">")
    clears = said("until reset") if times.clear_s is None else _from_to(times.clear_s)
    level_back = level(detector, spec.clear_ppm(detector.range_ppm))
    return {
        "name": times.point,
        "set": listed((sign, level(detector, spec.set_ppm)), " "),
        "set_s": _from_to(times.set_s),
        "clear": said("latched") if spec.latching else listed((back, level_back), " "),
        "clear_s": clears,
    }


def _from_to(times_s: tuple[float, float]) -> str:
    return amount(listed(map(figure, times_s), " – "), "s")


def _effects(plan: Plan, criteria: dict[str, Criterion], posts: dict[str, str]) -> list[dict[str, str]]:
    rows: list[dict[str, str]] = []
    for criterion in criteria.values():
        if criterion.kind != "effect" or criterion.effect is None:
            continue
        effect = plan.site.effect(criterion.effect)
        pattern = criteria.get(f"effect-pattern/{criterion.point}/{effect.tag}")
        rows.append(
            {
                "post": posts.get(effect.post, effect.post),
                "effect": effect.tag,
                "name": effect.name,
                "on": word(FAULT) if criterion.point == FAULT else criterion.point or "",
                "within": amount(number(criterion.upper or 0.0), "s"),
                "pattern": word(pattern.text.split(" is ")[1].split(" on ")[0]) if pattern else "",
            }
        )
    return sorted(rows, key=lambda row: row["post"])


def _todo(steps: dict[str, Step]) -> list[str]:
    """Presses that a sheet has a box for, in their order."""
    words = {
        "acknowledge": said("acknowledged"),
        "silence": said("silenced"),
        "reset": said("reset"),
        FAULT: said("signal opened"),
        "mend": said("closed"),
    }
    return [done for name, done in words.items() if name in steps]


def _strip(detector: Detector, planned: DetectorPlan) -> dict[str, Any]:
    """The predicted curve with its band, the set points, and a lane an alarm for when it should set and clear."""
    scale, unit = scale_ppm(detector)
    curve = planned.curve
    times = [t / 60 for t in curve.t_s]
    low, high = [v / scale for v in curve.low_ppm], [v / scale for v in curve.high_ppm]
    levels: list[dict[str, Any]] = []
    lanes: list[dict[str, Any]] = []
    for i, point in enumerate(planned.points):
        spec = detector.alarm(point.point)
        kind = "high" if i == len(planned.points) - 1 and i else "low"
        at = spec.set_ppm / scale
        levels.append({"at": at, "kind": kind, "label": listed((point.point, number(at)), " ")})
        if not spec.latching:
            levels.append({"at": spec.clear_ppm(detector.range_ppm) / scale, "kind": "clear", "label": ""})
        bars = [[_within(t / 60, times[-1]) for t in point.set_s]]
        if point.clear_s is not None:
            bars.append([_within((curve.gas_off_s + t) / 60, times[-1]) for t in point.clear_s])
        lanes.append({"label": point.point, "kind": "alarm", "bars": bars, "marks": [], "note": said("sets, clears")})
    edges = [level["at"] for level in levels] + low + high
    pad = 0.06 * (max(edges) - min(edges)) or 1.0
    y0, y1 = min(edges) - pad, max(edges) + pad
    x0 = -0.04 * times[-1]
    trace = list(zip(times, (v / scale for v in curve.reading_ppm), strict=True))
    return {
        "unit": unit,
        "x0": x0,
        "x1": times[-1],
        "y0": y0,
        "y1": y1,
        "xticks": _ticks(0.0, times[-1], 8),
        "yticks": _ticks(y0, y1, 5),
        "gas": [[0.0, curve.gas_off_s / 60]],
        "band": [list(row) for row in zip(times, low, high, strict=True)],
        "levels": levels,
        "trace": [[[x0, trace[0][1]], *[list(p) for p in trace]]],
        "edges": [],
        "lanes": lanes,
    }


def _within(value: float, end: float) -> float:
    return min(value, end)


def _ticks(low: float, high: float, most: int) -> list[list[Any]]:
    """Round numbers between the ends, at most so many."""
    span = high - low
    decade = 10.0 ** math.floor(math.log10(span / most))
    step = next(decade * t for t in _TICKS if span / (decade * t) <= most)
    first = math.ceil(low / step - 1e-9)
    marks: Sequence[float] = [step * i for i in range(first, math.floor(high / step + 1e-9) + 1)]
    return [[mark, number(mark)] for mark in marks]
