"""One test written as a row of the table that `paper` reads."""

from __future__ import annotations

import math

from gaswitness.history.paper import COLUMNS, COVERAGE_K
from gaswitness.history.table import Cell
from gaswitness.learn.records import FIGURE_KINDS, DetectorTest, Figure, FigureKind


def record_of(test: DetectorTest, by: str = "") -> list[Cell]:
    """One test as a row of the same table, in the order of COLUMNS."""
    figures = {(kind, left): test.figure(kind, left=left) for kind in FIGURE_KINDS for left in (False, True)}

    def of(kind: FigureKind) -> Figure | None:
        return figures[kind, False] or figures[kind, True]

    span, zero, t90 = of("span"), of("zero"), of("t90")
    highest = max((abs(one.value) for one in (span, zero) if one is not None), default=0.0)
    unit, scale = ("%vol", 1e4) if highest >= 1e4 else ("ppm", 1.0)
    shared = math.sqrt(sum(term.u**2 for term in span.shared)) if span else 0.0

    def level(value: float | None, k: float = 1.0) -> float | None:
        return None if value is None else value * k / scale

    def value(kind: FigureKind, left: bool) -> float | None:
        one = figures[kind, left]
        return None if one is None else one.value if kind == "t90" else level(one.value)

    def part(one: Figure | None, name: str) -> float | None:
        return getattr(one, name) if one is not None else None

    clock = test.at[11:].removesuffix("Z").removesuffix("+00:00")
    adjusted = [name for name, was in (("zero", test.adjusted_zero), ("span", test.adjusted_span)) if was]
    cells: dict[str, Cell] = {
        "site": test.site,
        "date": test.day,
        "time": clock or None,
        "tag": test.tag,
        "gas": test.gas,
        "outcome": test.outcome,
        "as found": test.as_found,
        "alarmed": test.alarmed,
        "unit": unit if span or zero else None,
        "gas value": level(part(span, "target")),
        "zero value": level(part(zero, "target")),
        "U zero": level(part(zero, "u"), COVERAGE_K),
        "U span": level(part(span, "u"), COVERAGE_K),
        "U bottle": level(shared, COVERAGE_K) if shared else None,
        "U t90": None if part(t90, "u") is None else COVERAGE_K * (part(t90, "u") or 0.0),
        "zero low": level(part(zero, "lower")),
        "zero high": level(part(zero, "upper")),
        "span low": level(part(span, "lower")),
        "span high": level(part(span, "upper")),
        "t90 limit": part(t90, "upper"),
        "t90 expected": test.expected_t90_s,
        "adjusted": " and ".join(adjusted) or "no",
        "sensor exchanged": test.sensor_exchanged,
        "sensor": test.sensor or None,
        "bottle": test.cylinder,
        "bottle certificate": test.cylinder_certificate,
        "by": by or None,
        "simulated": test.simulated or None,
        "note": test.note or None,
        "source": test.visit,
    }
    kinds: tuple[FigureKind, ...] = ("zero", "span", "t90")
    cells |= {f"{kind} {word}": value(kind, word == "left") for kind in kinds for word in ("found", "left")}
    return [cells.get(column) for column in COLUMNS]
