"""What `gaswitness check` prints for people: words first, one thing a paragraph, readable without colour."""

from __future__ import annotations

import shutil
import textwrap
from collections.abc import Iterator

from gaswitness.errors import Fault
from gaswitness.site.records import Site
from gaswitness.site.sense import Caution, SenseReport
from gaswitness.units import write_quantity

_WIDEST = 110


def listing(source: str, site: Site | None, report: SenseReport, cautions: tuple[Caution, ...]) -> str:
    """The whole text: what was read, faults, doubts, cautions, and the sum of it."""
    width = min(_WIDEST, shutil.get_terminal_size((_WIDEST, 24)).columns)
    lines = list(_head(source, site, width))
    for word, found in (("FAULT", report.faults), ("DOUBT", report.doubts)):
        for number, fault in enumerate(found, 1):
            lines += _remark(word, number, fault, width)
    if site is not None:
        lines += _cautions(site, cautions, width)
    lines.append(_sum(report))
    return "\n".join(lines)


def _head(source: str, site: Site | None, width: int) -> Iterator[str]:
    if site is None:
        yield from (source, "")
        return
    yield f"{site.name}  ({source})"
    counts = {
        "area": len(site.areas),
        "detector": len(site.detectors),
        "alarm point": sum(len(detector.alarms) for detector in site.detectors),
        "effect": len(site.effects),
        "matrix line": len(site.matrix),
        "post": len(site.posts),
        "cylinder": len(site.cylinders),
        "link": len(site.links),
    }
    yield from textwrap.wrap(", ".join(_count(number, noun) for noun, number in counts.items()), width)
    yield ""


def _remark(word: str, number: int, fault: Fault, width: int) -> list[str]:
    where = f"line {fault.line}, {fault.path}" if fault.line else fault.path
    lines = [f"{word} {number}  {where}", *_wrap(fault.message, "  ", width)]
    if fault.hint:
        lines += _wrap(f"hint: {fault.hint}", "  ", width)
    return [*lines, ""]


def _cautions(site: Site, cautions: tuple[Caution, ...], width: int) -> list[str]:
    """What all bottles share is said once."""
    if not cautions:
        return []
    shared = [line for line in cautions[0].lines if all(line in caution.lines for caution in cautions)]
    if len(cautions) == 1:
        shared = []
    lines = ["TEST GAS: usual cautions"]
    for caution in cautions:
        cylinder = site.cylinder(caution.cylinder)
        level = write_quantity(cylinder.level_ppm, "fraction")
        if cylinder.level_ppm >= 1e4:
            level = f"{cylinder.level_ppm / 1e4:g} %vol"
        lines.append(f"  {caution.cylinder}: {level} {cylinder.gas} in {cylinder.balance}")
        for line in caution.lines:
            if line not in shared:
                lines += _wrap(line, "    - ", width)
    if shared:
        lines.append("  Every bottle:")
        for line in shared:
            lines += _wrap(line, "    - ", width)
    return [*lines, ""]


def _sum(report: SenseReport) -> str:
    if not report.faults and not report.doubts:
        return "No fault, no doubt."
    faults, doubts = _count(len(report.faults), "fault"), _count(len(report.doubts), "doubt")
    return f"{faults}, {doubts}." + ("" if report.faults else " A doubt does not stop a plan; look at each.")


def _count(number: int, noun: str) -> str:
    return f"{number or 'no'} {noun}{'' if number == 1 else 's'}"


def _wrap(text: str, lead: str, width: int) -> list[str]:
    return textwrap.wrap(
        text,
        width,
        initial_indent=lead,
        subsequent_indent=" " * len(lead),
        break_long_words=False,
        break_on_hyphens=False,
    )
