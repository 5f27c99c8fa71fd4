"""Releases on paper: the share of leaks alarmed over time, or the course of one leak. The template only places."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from gaswitness.cli.release_lines import DASHES, TIMES_S, Line, drawn_of, left_out, lines_of, spread_out
from gaswitness.cli.release_view import HEADS, assumptions, heading, lead, percent, remarks, when, zone_word
from gaswitness.gases.hazards import DEFERRAL
from gaswitness.paper import ENGLISH, Words, picture, typeset
from gaswitness.release.montecarlo import AreaResult, Spread
from gaswitness.release.rooms import NEAR_THE_LEAK
from gaswitness.sentence import opened, said
from gaswitness.telling import Teller
from gaswitness.wording import amount, number

if TYPE_CHECKING:
    from gaswitness.cli.release_one import Asked, Told

LABELS: Words = {"heads": HEADS, "made": said("made {made}", made="{made}")}
TEMPLATE = Path(__file__).with_name("release.typ")
LABEL = 0.085
"""Least distance between two labels, in heights of a picture."""
MOST_POINTS = 400

View = dict[str, Any]
Floats = NDArray[np.float64]


def sheet_of_study(
    site: str,
    results: Sequence[AreaResult],
    spread: Spread,
    seed: int,
    made: datetime,
    suffix: str,
    tell: Teller = ENGLISH,
) -> bytes:
    """One picture an area with its figures below; `suffix` is .pdf, .png or .svg."""
    view = {
        "title": said("Would the leak be seen?"),
        "site": site,
        "lead": lead(results, spread, seed),
        "areas": [_study(result, spread) for result in results],
        "notes": [assumptions(spread), NEAR_THE_LEAK, DEFERRAL],
    }
    return _typeset(view, made, suffix, tell)


def sheet_of_leaks(
    site: str, told: Sequence[Told], asked: Asked, made: datetime, suffix: str, tell: Teller = ENGLISH
) -> bytes:
    """The strip of each leak: levels, readings, set points, and what happened when."""
    from gaswitness.cli.release_one import works

    view = {
        "title": said("One leak, followed"),
        "site": site,
        "lead": said("{text}.", text=opened(works(asked))),
        "areas": [_leak(one, asked) for one in told],
        "notes": [NEAR_THE_LEAK, DEFERRAL],
    }
    return _typeset(view, made, suffix, tell)


def _typeset(view: View, made: datetime, suffix: str, tell: Teller) -> bytes:
    view |= {"paged": suffix == ".pdf", "made": f"{made:%Y-%m-%d %H:%M} UTC"}
    if suffix == ".pdf":
        return typeset(TEMPLATE, view, made, words=LABELS, tell=tell)
    return picture(TEMPLATE, view, "png" if suffix == ".png" else "svg", words=LABELS, tell=tell)


def _study(result: AreaResult, spread: Spread) -> View:
    scene = result.scene
    lines = lines_of(result, spread)
    drawn = drawn_of(lines)
    last_s = spread.duration_s

    def x(t_s: float) -> float:
        return _log_share(t_s, spread.step_s, last_s)

    ends = spread_out([line.percent[-1] / 100.0 for line in drawn], LABEL, 0.0, 1.0)
    return {
        "heading": heading(scene),
        "plot": {
            "unit": said("% of leaks alarmed"),
            "xticks": [[x(t_s), word] for t_s, word in TIMES_S if t_s <= last_s],
            "yticks": [[share / 100.0, f"{share}"] for share in (0, 25, 50, 75, 100)],
            "levels": [],
            "marks": [],
            "curves": [
                {
                    "points": _stepped([x(t) for t in line.t_s], [share / 100.0 for share in line.percent]),
                    "stage": line.stage,
                    "dash": line.dash,
                    "label": line.name,
                    "label_y": label_y,
                }
                for line, label_y in zip(drawn, ends, strict=True)
            ],
        },
        "table": {
            "rows": [[line.stage if line in drawn else "", line.dash, *_cells(line, lines)] for line in lines],
        },
        "remarks": remarks(result, left_out(lines, drawn)),
    }


def _cells(line: Line, lines: Sequence[Line]) -> list[str]:
    tag = line.name.rpartition(".")[0]
    first = next(one for one in lines if one.name.rpartition(".")[0] == tag) is line
    loss = percent(line.lost_without) if line.lost_without is not None and first else ""
    return [line.name, percent(line.figures.p), when(line.figures.p50_s), when(line.figures.p95_s), loss]


def _log_share(value: float, low: float, high: float) -> float:
    """Where a value lies on a logarithmic axis."""
    return float(math.log(max(value, low) / low) / math.log(high / low))


def _stepped(x: Sequence[float], y: Sequence[float]) -> list[list[float]]:
    """A line that holds each value until the next; points on a level stretch are left out."""
    points = [[x[0], y[0]]]
    for there, level in zip(x[1:], y[1:], strict=True):
        if level != points[-1][1]:
            points += [[there, points[-1][1]], [there, level]]
    return [*points, [x[-1], y[-1]]]


def _leak(told: Told, asked: Asked) -> View:
    from gaswitness.cli.release_one import events_of, leak_in_words, remarks_of

    scene, outcome = told.scene, told.outcome
    own = [(column, watch) for column, watch in enumerate(scene.watches) if watch.sight.slope > 0.0]
    levels = sorted({(point.set_level, point.name) for _, watch in own for point in watch.points})
    highest = 2.0 * max([float(outcome.ppm.max()), 1.0, *(ppm for ppm, _ in levels)])
    lowest = min([ppm for ppm, _ in levels], default=highest / 1000.0) / 5.0
    last_s = float(outcome.t_s[-1])
    shown = np.unique(np.geomspace(1, len(outcome.t_s) - 1, MOST_POINTS).astype(np.int64))
    times_s = outcome.t_s[shown]

    def x(t_s: float) -> float:
        return _log_share(t_s, outcome.t_s[1], last_s)

    def y(ppm: float) -> float:
        return _log_share(ppm, lowest, highest)

    def curve(ppm: Floats, stage: str, dash: str, label: str) -> View:
        points = [[round(x(t), 5), round(y(level), 5)] for t, level in zip(times_s, ppm[shown], strict=True)]
        return {"points": points, "stage": stage, "dash": dash, "label": label, "label_y": points[-1][1]}

    curves = [
        curve(outcome.ppm[:, k], "any", DASHES[k % len(DASHES)], zone_word(zone.name))
        for k, zone in enumerate(scene.network.zones)
    ]
    curves += [
        curve(outcome.readings[:, c], "reading", "solid", said("{tag} shows", tag=watch.tag)) for c, watch in own
    ]
    for one, label_y in zip(curves, spread_out([c["label_y"] for c in curves], LABEL, 0.0, 1.0), strict=True):
        one["label_y"] = label_y
    names = [name for watch in {w.tag: w for _, w in own}.values() for name in [p.name for p in watch.points]]
    order = list(dict.fromkeys(names))
    marks = []
    for watch in scene.watches:
        for point in watch.points:
            set_s = outcome.set_s[f"{watch.tag}.{point.name}"]
            if set_s is not None:  # of a detector of oxygen, at what its zone holds of the gas
                there = float(np.interp(set_s, outcome.t_s, outcome.ppm[:, scene.network.index(watch.zone)]))
                marks.append([x(set_s), y(point.set_level if watch.sight.slope > 0.0 else there)])
    decades = range(math.ceil(math.log10(lowest)), math.floor(math.log10(highest)) + 1)
    return {
        "heading": leak_in_words(asked, scene),
        "plot": {
            "unit": f"ppm {scene.gas.key}",
            "xticks": [[x(t_s), word] for t_s, word in TIMES_S if t_s <= last_s],
            "yticks": [[y(10.0**k), number(10.0**k)] for k in decades],
            "levels": [{"y": y(ppm), "name": name, "first": order.index(name) == 0} for ppm, name in levels],
            "marks": marks,
            "curves": curves,
        },
        "table": {"rows": []},
        "events": [[amount(number(round(t_s)), "s"), what] for t_s, what in events_of(told)],
        "remarks": [said("{text}.", text=opened(line)) for line in remarks_of(told, last_s)],
    }
