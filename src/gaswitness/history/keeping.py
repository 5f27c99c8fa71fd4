"""Putting a file into the store, within one transaction that nobody else writes in."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Literal

from sqlalchemy import ColumnElement, Connection, Table, insert, select

from gaswitness.certify import bundle
from gaswitness.errors import Fault, InputFaults
from gaswitness.history import schema
from gaswitness.history.parcel import Parcel, Row, VisitRows


@dataclass(frozen=True, slots=True)
class Kept:
    """What became of one file."""

    sha256: str
    state: Literal["kept", "known"]
    """`known`: these very bytes were here already, and nothing was added."""
    visits: int = 0
    """Visits that were not here before."""
    known_visits: int = 0
    corrected: int = 0
    """Visits that another now takes the place of; they stay."""


Replaced = tuple[str, str, str]
"""A visit, the one that takes its place, and why."""
WENT_ON = "more was recorded of this run"
_AT_ONCE = 500


def keep(to: Connection, parcel: Parcel, now: datetime) -> Kept:
    """Add a file and what follows from it; raises InputFaults where rows on paper contradict what is kept."""
    kept_at = now.astimezone(UTC).isoformat(timespec="seconds")
    evidence, keys = schema.evidence.c, [one.key for one in parcel.visits]
    if _known(to, evidence.sha256, [parcel.sha256]):
        return Kept(parcel.sha256, "known", known_visits=len(parcel.visits))
    row = {"sha256": parcel.sha256, "kind": parcel.kind, "name": parcel.name, "data": parcel.data, "kept_at": kept_at}
    to.execute(insert(schema.evidence), row)
    known = _known(to, schema.visit.c.visit, [*keys, *(one.copy_of for one in parcel.visits if one.copy_of)])
    fresh = [one for one in parcel.visits if one.key not in known and one.copy_of not in known]
    replaced = _on_paper(to, parcel.name, fresh) if parcel.kind == "paper" else _run(to, fresh, parcel)
    _add(to, fresh, kept_at)
    _insert(to, schema.correction, [{"first": first, "by": by, "why": why} for first, by, why in replaced])
    shown = [one.key for one in parcel.visits if one.copy_of not in known]
    _insert(to, schema.shown_by, [{"visit": key, "evidence_sha256": parcel.sha256} for key in shown])
    if parcel.certificate is not None:
        _insert(to, schema.certificate, [{"evidence_sha256": parcel.sha256, **parcel.certificate}])
    return Kept(parcel.sha256, "kept", len(fresh), len(parcel.visits) - len(fresh), len(replaced))


def _known(to: Connection, column: ColumnElement[str], values: Sequence[str]) -> set[str]:
    """Those of the values that are there already."""
    found: set[str] = set()
    for at in range(0, len(values), _AT_ONCE):
        found |= set(to.execute(select(column).where(column.in_(values[at : at + _AT_ONCE]))).scalars())
    return found


def _insert(to: Connection, table: Table, rows: Sequence[Row]) -> None:
    if rows:
        to.execute(insert(table), [dict(row) for row in rows])


def _add(to: Connection, fresh: Sequence[VisitRows], kept_at: str) -> None:
    sites = {one.site["sha256"]: one.site for one in fresh if one.site is not None}
    there = _known(to, schema.site_description.c.sha256, list(sites))
    _insert(to, schema.site_description, [row for key, row in sites.items() if key not in there])
    _insert(to, schema.visit, [{**one.visit, "kept_at": kept_at} for one in fresh])
    for table in schema.ADDED_PER_VISIT:
        _insert(to, table, [{"visit": one.key, **row} for one in fresh for row in one.rows.get(table.name, ())])


def _on_paper(to: Connection, name: str, fresh: Sequence[VisitRows]) -> list[Replaced]:
    """What these rows take the place of; one that contradicts another must say that it corrects it."""
    visit, tests, correction = schema.visit.c, schema.test.c, schema.correction.c
    standing: dict[tuple[str, str, str], str] = {}
    copies: dict[str, list[str]] = defaultdict(list)
    for site in sorted({one.visit["site"] for one in fresh}):
        found = (
            select(visit.visit, visit.run_id, visit.started, tests.tag)
            .join(schema.test, tests.visit == visit.visit)
            .where(visit.kind == "paper", visit.site == site, visit.visit.not_in(select(correction.first)))
        )
        for key, copy_of, started, tag in to.execute(found):
            standing[site, started, tag] = key
            copies[copy_of].append(key)
    replaced: list[Replaced] = []
    faults: list[Fault] = []
    for one in fresh:
        tag, at = one.rows["test"][0]["tag"], one.visit["started"]
        place = (one.visit["site"], at, tag)
        before = standing.get(place)
        standing[place] = one.key
        if copied := copies.get(one.key):
            replaced += [(key, one.key, "the original came in") for key in copied]
        elif before is not None and one.corrects:
            replaced.append((before, one.key, "put right on paper"))
        elif before is not None:
            message = f"another record of {tag} at {at} is kept, or stands further up, and says something else"
            hint = "put 'yes' under corrects if this row puts the other right; if it is a second test, give its time"
            faults.append(Fault(one.where, message, hint))
        elif one.corrects:
            message = f"says that it corrects a record of {tag} at {at}, and none is kept"
            faults.append(Fault(one.where, message, "leave corrects empty"))
    if faults:
        raise InputFaults(name, tuple(faults))
    return replaced


def _run(to: Connection, fresh: Sequence[VisitRows], parcel: Parcel) -> list[Replaced]:
    """Copies of a run on paper, and less of its record: whichever goes further takes the place of the other."""
    visit = schema.visit.c
    replaced: list[Replaced] = []
    for one in fresh:
        copies = select(visit.visit).where(visit.kind == "paper", visit.run_id == one.key)
        replaced += [(key, one.key, "the original came in") for key in to.execute(copies).scalars()]
        same = select(visit.visit).where(
            visit.kind == "run",
            visit.site == one.visit["site"],
            visit.run_id == one.visit["run_id"],
            visit.started == one.visit["started"],
        )
        data = _recorded(parcel.kind, parcel.data, parcel.name)
        for key in to.execute(same).scalars().all():
            other = _recorded_of(to, key)
            if data.startswith(other):
                replaced.append((key, one.key, WENT_ON))
            elif other.startswith(data):
                replaced.append((one.key, key, WENT_ON))
    return replaced


def _recorded_of(to: Connection, visit: str) -> bytes:
    evidence, shown = schema.evidence.c, schema.shown_by.c
    found = select(evidence.kind, evidence.data, evidence.name).join(
        schema.shown_by, shown.evidence_sha256 == evidence.sha256
    )
    kind, data, name = to.execute(found.where(shown.visit == visit).limit(1)).one()
    return _recorded(kind, bytes(data), name)


def _recorded(kind: str, data: bytes, name: str) -> bytes:
    """All that was recorded of a run, in the order in which it came: the ledger, then what came in late."""
    if kind != "bundle":
        return data
    members, _ = bundle.unpack(data, name)
    return members[bundle.LEDGER] + members.get(bundle.LATE, b"")
