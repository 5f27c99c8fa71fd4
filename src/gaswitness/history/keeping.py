"""Putting a file into the store, within one transaction that nobody else writes in."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Literal

from sqlalchemy import Connection, insert, select

from gaswitness.certify import bundle
from gaswitness.errors import Fault, InputFaults
from gaswitness.history import schema
from gaswitness.history.parcel import Parcel, VisitRows


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


@dataclass(frozen=True, slots=True)
class _Replaced:
    first: str
    by: str
    why: str


def keep(to: Connection, parcel: Parcel, now: datetime) -> Kept:
    """Add a file and what follows from it; raises InputFaults where rows on paper contradict what is kept."""
    kept_at = now.astimezone(UTC).isoformat(timespec="seconds")
    if _has(to, schema.evidence.c.sha256, parcel.sha256):
        return Kept(parcel.sha256, "known", known_visits=len(parcel.visits))
    row = {"sha256": parcel.sha256, "kind": parcel.kind, "name": parcel.name, "data": parcel.data, "kept_at": kept_at}
    to.execute(insert(schema.evidence), row)
    new = corrected = 0
    faults: list[Fault] = []
    for one in parcel.visits:
        if parcel.kind == "paper" and one.copy_of and _has(to, schema.visit.c.visit, one.copy_of):
            continue  # it came out of this very store
        if not _has(to, schema.visit.c.visit, one.key):
            try:
                replaced = _on_paper(to, one) if parcel.kind == "paper" else _run(to, one, parcel)
            except _Contradiction as found:
                faults.append(Fault(one.where, str(found), found.hint))
                continue
            _add(to, one, kept_at)
            for pair in replaced:
                to.execute(insert(schema.correction), {"first": pair.first, "by": pair.by, "why": pair.why})
            new, corrected = new + 1, corrected + len(replaced)
        to.execute(insert(schema.shown_by), {"visit": one.key, "evidence_sha256": parcel.sha256})
    if faults:
        raise InputFaults(parcel.name, tuple(faults))
    if parcel.certificate is not None:
        to.execute(insert(schema.certificate), {"evidence_sha256": parcel.sha256, **parcel.certificate})
    return Kept(parcel.sha256, "kept", new, len(parcel.visits) - new, corrected)


class _Contradiction(Exception):
    def __init__(self, message: str, hint: str) -> None:
        super().__init__(message)
        self.hint = hint


def _has(to: Connection, column: Any, value: str) -> bool:
    return to.execute(select(column).where(column == value)).first() is not None


def _add(to: Connection, one: VisitRows, kept_at: str) -> None:
    if one.site is not None and not _has(to, schema.site_description.c.sha256, one.site["sha256"]):
        to.execute(insert(schema.site_description), dict(one.site))
    to.execute(insert(schema.visit), {**one.visit, "kept_at": kept_at})
    for table in schema.ADDED_PER_VISIT:
        if rows := [{"visit": one.key, **row} for row in one.rows.get(table.name, ())]:
            to.execute(insert(table), rows)


def _on_paper(to: Connection, one: VisitRows) -> list[_Replaced]:
    """Rows on paper of the same detector at the same time, which this one must say that it corrects."""
    visit, tests, correction = schema.visit.c, schema.test.c, schema.correction.c
    if copies := _copies(to, one):
        return copies
    tag, at = one.rows["test"][0]["tag"], one.visit["started"]
    same = (
        select(visit.visit)
        .join(schema.test, tests.visit == visit.visit)
        .where(visit.kind == "paper", visit.site == one.visit["site"], visit.started == at, tests.tag == tag)
        .where(visit.visit.not_in(select(correction.first)))
    )
    earlier = [str(key) for key in to.execute(same).scalars()]
    if earlier and not one.corrects:
        raise _Contradiction(
            f"another record of {tag} at {at} is kept, and says something else",
            "put 'yes' under corrects if this row puts the other right; if it is a second test, give date and time",
        )
    if one.corrects and not earlier:
        raise _Contradiction(
            f"says that it corrects a record of {tag} at {at}, and none is kept", "leave corrects empty"
        )
    return [_Replaced(key, one.key, "put right on paper") for key in earlier]


def _copies(to: Connection, one: VisitRows) -> list[_Replaced]:
    """Rows that another store wrote out of this very visit, and that came here before it."""
    visit = schema.visit.c
    copies = select(visit.visit).where(visit.kind == "paper", visit.run_id == one.key)
    return [_Replaced(str(key), one.key, "the original came in") for key in to.execute(copies).scalars()]


def _run(to: Connection, one: VisitRows, parcel: Parcel) -> list[_Replaced]:
    """Copies of this run on paper, and a ledger that went on: whichever goes further takes the place of the other."""
    visit = schema.visit.c
    replaced = _copies(to, one)
    same = select(visit.visit).where(
        visit.kind == "run",
        visit.site == one.visit["site"],
        visit.run_id == one.visit["run_id"],
        visit.started == one.visit["started"],
    )
    data = _ledger_in(parcel.kind, parcel.data, parcel.name)
    for key in to.execute(same).scalars().all():
        other = _ledger_of(to, key)
        if data.startswith(other):
            replaced.append(_Replaced(str(key), one.key, "the run went on"))
        elif other.startswith(data):
            replaced.append(_Replaced(one.key, str(key), "the run went on"))
    return replaced


def _ledger_of(to: Connection, visit: str) -> bytes:
    evidence, shown = schema.evidence.c, schema.shown_by.c
    found = select(evidence.kind, evidence.data, evidence.name).join(
        schema.shown_by, shown.evidence_sha256 == evidence.sha256
    )
    kind, data, name = to.execute(found.where(shown.visit == visit).limit(1)).one()
    return _ledger_in(kind, bytes(data), name)


def _ledger_in(kind: str, data: bytes, name: str) -> bytes:
    return bundle.unpack(data, name)[0][bundle.LEDGER] if kind == "bundle" else data
