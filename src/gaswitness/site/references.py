"""Names in a description that must stand for something in the same description.

Works on plain data as read from a file, complete or not, so that these faults can be told together with those of the
values. Whatever has the wrong type is left to the records.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from gaswitness.errors import Fault
from gaswitness.sentence import listed, said
from gaswitness.site.tree import child

RESERVED = ("reading", "fault", "on", "inhibited")
"""Endings of signals; no alarm point may be called so."""
OUTSIDE = "outside"
STATES = said("`TAG.point`, `TAG.fault`, `EFFECT.on` or `EFFECT.inhibited`")

Mapping = dict[str, Any]


def rows(data: Any, key: str, path: str = "$") -> Iterator[tuple[str, Mapping]]:
    """Path and content of every mapping in a list of mappings."""
    found = data.get(key) if isinstance(data, dict) else None
    at = child(path, key)
    for index, row in enumerate(found if isinstance(found, list) else ()):
        if isinstance(row, dict):
            yield child(at, index), row


def names(holder: Mapping, key: str, path: str) -> Iterator[tuple[str, str]]:
    """Path and text of every name in a list of names."""
    found = holder.get(key)
    at = child(path, key)
    for index, name in enumerate(found if isinstance(found, list) else ()):
        if isinstance(name, str):
            yield child(at, index), name


def near(name: str, known: Iterable[str]) -> str:
    """A hint that names the nearest known name, or all there are when they are few."""
    candidates = sorted(set(known))
    close = difflib.get_close_matches(name[:80], candidates, n=1, cutoff=0.6)
    if close:
        return said("did you mean {close}?", close=repr(close[0]))
    if not candidates:
        return said("none are listed")
    more = ["..."] if len(candidates) > 12 else []
    return said("known: {names}", names=listed([listed(candidates[:12]), *more], " "))


@dataclass(frozen=True, slots=True)
class Names:
    """Every name that others may refer to."""

    areas: frozenset[str]
    channels: frozenset[str]
    posts: frozenset[str]
    detectors: frozenset[str]
    effects: frozenset[str]
    points: frozenset[str]
    """`TAG.point` of every alarm point."""
    causes: frozenset[str]
    """Everything that may stand as a cause in the matrix."""
    bits: frozenset[str]
    """Every status signal."""


def names_of(data: Mapping) -> Names:
    """Gather the names of a description."""

    def tags(key: str) -> frozenset[str]:
        return frozenset(row["tag"] for _, row in rows(data, key) if isinstance(row.get("tag"), str))

    detectors, effects = tags("detectors"), tags("effects")
    points = frozenset(
        f"{row['tag']}.{alarm['name']}"
        for path, row in rows(data, "detectors")
        if isinstance(row.get("tag"), str)
        for _, alarm in rows(row, "alarms", path)
        if isinstance(alarm.get("name"), str)
    )
    of_detectors = points | {f"{tag}.fault" for tag in detectors}
    return Names(
        areas=tags("areas"),
        channels=frozenset(name for _, name in names(data, "channels", "$")),
        posts=tags("posts"),
        detectors=detectors,
        effects=effects,
        points=points,
        causes=of_detectors | tags("groups"),
        bits=of_detectors | {f"{tag}.{end}" for tag in effects for end in ("on", "inhibited")},
    )


def reference_faults(data: Mapping) -> list[Fault]:
    """Every name that stands for nothing, or for two things."""
    known = names_of(data)
    return [
        *_twice(data),
        *_places(data, known),
        *_groups(data, known),
        *_matrix(data, known),
        *_signals(data, known),
    ]


def _unknown(path: str, what: str, name: str, known: Iterable[str]) -> Fault:
    return Fault(
        path, said("found {found}, expected {expected}", found=repr(name[:80]), expected=what), near(name, known)
    )


def _twice(data: Mapping) -> Iterator[Fault]:
    """A tag stands for one thing; detectors, effects and groups share one space, since signals are named by them."""
    for kinds in (("areas",), ("posts",), ("cylinders",), ("detectors", "effects", "groups")):
        first: dict[str, str] = {}
        for kind in kinds:
            for path, row in rows(data, kind):
                yield from _seen(first, row.get("tag"), child(path, "tag"))
    for path, row in rows(data, "detectors"):
        first = {}
        for at, alarm in rows(row, "alarms", path):
            yield from _seen(first, name := alarm.get("name"), child(at, "name"))
            if name in RESERVED:
                yield Fault(
                    child(at, "name"),
                    said("found {found}, which signals are named by", found=repr(name)),
                    said("call the alarm point low or high"),
                )
    first = {}
    for at, name in names(data, "channels", "$"):
        yield from _seen(first, name, at)


def _seen(first: dict[str, str], name: object, path: str) -> Iterator[Fault]:
    if not isinstance(name, str):
        return
    if name in first:
        yield Fault(
            path,
            said("found {found} a second time, expected each name once", found=repr(name[:80])),
            said("first seen at {first}", first=first[name]),
        )
    first.setdefault(name, path)


def _places(data: Mapping, known: Names) -> Iterator[Fault]:
    panel = data.get("panel")
    holders = [("$.panel", panel)] if isinstance(panel, dict) else []
    for path, row in [*rows(data, "detectors"), *rows(data, "posts"), *holders]:
        if isinstance(area := row.get("area"), str) and area not in known.areas:
            yield _unknown(child(path, "area"), said("the tag of an area"), area, known.areas)
    for path, row in [*rows(data, "detectors"), *rows(data, "effects")]:
        if isinstance(channel := row.get("channel"), str) and channel not in known.channels:
            yield _unknown(child(path, "channel"), said("one of the panel's `channels`"), channel, known.channels)
    for path, row in rows(data, "effects"):
        if isinstance(post := row.get("post"), str) and post not in known.posts:
            yield _unknown(child(path, "post"), said("the tag of a post"), post, known.posts)
    for path, row in rows(data, "openings"):
        for end in ("a", "b"):
            if isinstance(area := row.get(end), str) and area not in known.areas | {OUTSIDE}:
                yield _unknown(
                    child(path, end), said("the tag of an area, or `{outside}`", outside=OUTSIDE), area, known.areas
                )


def _groups(data: Mapping, known: Names) -> Iterator[Fault]:
    for path, row in rows(data, "groups"):
        first: dict[str, str] = {}
        members = list(names(row, "members", path))
        for at, name in members:
            if name not in known.points:
                yield _unknown(at, said("an alarm point as `TAG.point`"), name, known.points)
            yield from _seen(first, name, at)
        need = row.get("need")
        if isinstance(need, int) and need > len(members):
            yield Fault(
                child(path, "need"),
                said("found {need} of {members} members, expected at most {members}", need=need, members=len(members)),
                said("such a group could never vote an alarm"),
            )


def _matrix(data: Mapping, known: Names) -> Iterator[Fault]:
    for path, row in rows(data, "matrix"):
        causes = list(names(row, "causes", path))
        if row.get("causes") == []:
            yield Fault(
                child(path, "causes"), said("found no cause, expected at least one"), said("write causes: [TAG.low]")
            )
        first: dict[str, str] = {}
        for at, name in causes:
            if name not in known.causes:
                yield _unknown(at, said("`TAG.point`, `TAG.fault` or the tag of a group"), name, known.causes)
            yield from _seen(first, name, at)
        if isinstance(effect := row.get("effect"), str) and effect not in known.effects:
            yield _unknown(child(path, "effect"), said("the tag of an effect"), effect, known.effects)


def _signals(data: Mapping, known: Names) -> Iterator[Fault]:
    with_lfl = {row.get("tag") for _, row in rows(data, "detectors") if isinstance(row.get("lfl"), dict)}
    readings = {f"{tag}.reading" for tag in known.detectors}
    for link_path, link in rows(data, "links"):
        for path, row in rows(link, "registers", link_path):
            if isinstance(signal := row.get("signal"), str):
                yield from _reading(path, row, signal, readings, with_lfl)
        for path, row in [*rows(link, "objects", link_path), *rows(link, "topics", link_path)]:
            if not isinstance(signal := row.get("signal"), str):
                continue
            if signal.endswith(".reading"):
                yield from _reading(path, row, signal, readings, with_lfl)
            elif signal not in known.bits:
                yield _unknown(
                    child(path, "signal"), said("`TAG.reading`, {states}", states=STATES), signal, known.bits | readings
                )
        for path, row in rows(link, "bits", link_path):
            if isinstance(signal := row.get("signal"), str) and signal not in known.bits:
                yield _unknown(child(path, "signal"), STATES, signal, known.bits)
            in_register, bit = row.get("function", 2) in (3, 4), row.get("bit")
            if in_register and bit is None:
                yield Fault(
                    path,
                    said("found no `bit`, expected which bit of the register, 0 to 15"),
                    said("least significant is 0"),
                )
            if not in_register and bit is not None:
                yield Fault(
                    child(path, "bit"),
                    said("found a bit of a coil or discrete input, which has none"),
                    said("use function 3 or 4 for a bit of a register, or leave `bit` out"),
                )


def _reading(path: str, row: Mapping, signal: str, readings: set[str], with_lfl: set[object]) -> Iterator[Fault]:
    """A number must be the reading of a detector; `%LFL` needs that detector's limit."""
    if signal not in readings:
        yield _unknown(child(path, "signal"), said("the reading of a detector, `TAG.reading`"), signal, readings)
    elif row.get("unit") == "%LFL" and signal.rpartition(".")[0] not in with_lfl:
        yield Fault(
            child(path, "unit"),
            said("found %LFL, expected the detector to state its lower flammable limit"),
            said("add {example} to the detector", example="lfl: {level: ..., source: ...}"),
        )
