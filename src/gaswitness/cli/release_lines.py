"""The share of leaks that have alarmed, over time: the lines that paper and page draw, and how each is told apart."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from gaswitness.release.montecarlo import AreaResult, Figures, Spread
from gaswitness.sentence import said

MOST_POINTS = 300
"""Points drawn of a line; alarms are read off the table, not off the picture."""
MOST_LINES = 12
"""Lines that can be told apart, labels and all."""
TIMES_S = ((1.0, "1 s"), (10.0, "10 s"), (60.0, "1 min"), (600.0, "10 min"), (3600.0, "1 h"), (36000.0, "10 h"))
"""Ticks of a logarithmic axis of time that people read without reckoning."""

Stage = Literal["any", "first", "later"]
Dash = Literal["solid", "dashed", "dotted", "dash-dotted"]
DASHES: tuple[Dash, ...] = ("solid", "dashed", "dotted", "dash-dotted")


@dataclass(frozen=True, slots=True)
class Line:
    """One alarm: what it is called, how it is drawn, and its figures."""

    name: str
    stage: Stage
    """Told by colour and weight: any alarm, a detector's first one, one that comes after it."""
    dash: Dash
    """One for each detector, in turn."""
    t_s: tuple[float, ...]
    percent: tuple[float, ...]
    figures: Figures
    lost_without: float | None
    """Loss in the probability of detection without its detector; None for any alarm."""


def lines_of(result: AreaResult, spread: Spread) -> list[Line]:
    """Any alarm first, then every alarm point, detector by detector.

    An area whose gas nobody sees has one line, at nothing.
    """
    bins = len(result.histograms["any"])
    steps = np.unique(np.geomspace(1, bins - 2, MOST_POINTS).astype(np.int64))
    found = []
    tags: list[str] = []
    for name, histogram in result.histograms.items():
        percent = 100.0 * np.cumsum(histogram)[steps] / result.scenarios
        tag = name.rpartition(".")[0]
        first = tag not in tags
        if name != "any" and first:
            tags.append(tag)
        found.append(
            Line(
                said("any alarm") if name == "any" else name,
                "any" if name == "any" else "first" if first else "later",
                "solid" if name == "any" else DASHES[tags.index(tag) % len(DASHES)],
                tuple((steps * spread.step_s).tolist()),
                tuple(percent.tolist()),
                result.detect if name == "any" else result.points[name],
                None if name == "any" else result.importance[tag],
            )
        )
    return found


def drawn_of(lines: Sequence[Line]) -> list[Line]:
    """Lines that a picture can hold: any alarm, and the detectors that would be missed most; tables tell all."""
    points = sorted(lines[1:], key=lambda line: (-(line.lost_without or 0.0), -line.percent[-1]))
    chosen = {line.name for line in points[: MOST_LINES - 1]}
    return [lines[0], *(line for line in lines[1:] if line.name in chosen)]


def left_out(lines: Sequence[Line], drawn: Sequence[Line]) -> str:
    """Said below a picture that does not hold all; empty where it does."""
    if len(drawn) == len(lines):
        return ""
    return said(
        "Drawn are {drawn} of {lines} alarms, those whose detectors would be missed most; the table has all.",
        drawn=len(drawn),
        lines=len(lines),
    )


def spread_out(wanted: Sequence[float], least: float, low: float, high: float) -> list[float]:
    """Heights for labels: near what is wanted, in the same order, at least so far apart, between two limits.

    >>> [round(y, 2) for y in spread_out([0.98, 0.96, 0.3], 0.1, 0.0, 1.0)]
    [0.98, 0.88, 0.3]
    """
    order = sorted(range(len(wanted)), key=lambda i: -wanted[i])
    placed = list(wanted)
    above = high + least
    for i in order:
        placed[i] = above = min(placed[i], above - least)
    below = low - least
    for i in reversed(order):
        placed[i] = below = max(placed[i], below + least)
    return placed
