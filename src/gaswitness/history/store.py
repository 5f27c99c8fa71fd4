"""The store: what was kept, and reading it back. Rows are added, never changed; a file goes in whole or not at all."""

from __future__ import annotations

import hashlib
import json
from collections import defaultdict
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from sqlalchemy import Engine, Select, case, func, or_, select
from sqlalchemy.engine import RowMapping

from gaswitness.errors import EvidenceError, InputError
from gaswitness.history import keeping, opening, schema
from gaswitness.history.keeping import Kept
from gaswitness.history.parcel import Parcel
from gaswitness.judge.finding import worst
from gaswitness.learn.records import FIGURE_KINDS, DetectorTest, Figure, GroupTest, SharedTerm, Standing
from gaswitness.site.records import Site

SHARED_BY_BOTTLE = ("cylinder:", "surrogate:")
"""Sources of uncertainty that go from visit to visit with the bottle; the day's air, for one, does not."""


@dataclass(frozen=True, slots=True)
class Original:
    """A file as it came in."""

    sha256: str
    kind: str
    name: str
    kept_at: str


def open_store(url: str | None = None, *, make: bool = False) -> Store:
    """The store at this address, or in the user's data folder; with `make` it need not be there yet.

    Raises InputError for what is no store or one of a newer version, LinkError where it does not answer.
    """
    return Store(opening.open_engine(url, make=make))


class Store:
    """One open store; close it, or use it in a `with`."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine

    def __enter__(self) -> Store:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the database."""
        self._engine.dispose()

    def keep(self, parcel: Parcel, *, now: datetime) -> Kept:
        """Add a file and what follows from it; a second time, or by two programs at once, it is there once.

        Raises InputFaults where a row on paper contradicts one that is kept and does not say that it corrects it.
        """
        with opening.told(self._engine), opening.writing(self._engine) as to:
            return keeping.keep(to, parcel, now)

    def tested(self, *, site: str | None = None) -> list[DetectorTest]:
        """Every test that stands, or those of one site, by time; what a later record took the place of is left out."""
        visit, finding = schema.visit, schema.finding
        tests = _standing_tests(site).order_by(visit.c.ended, visit.c.visit, schema.test.c.tag)
        figures = (
            select(finding)
            .join(visit, visit.c.visit == finding.c.visit)
            .where(finding.c.kind.in_(FIGURE_KINDS), finding.c.value.is_not(None), finding.c.tag.is_not(None))
        )
        if site is not None:
            figures = figures.where(visit.c.site == site)
        papers = self._papers()
        measured: dict[tuple[str, str], list[RowMapping]] = defaultdict(list)
        for row in self._rows(figures):
            measured[row["visit"], row["tag"]].append(row)
        return [_tested(row, measured[row["visit"], row["tag"]], papers) for row in self._rows(tests)]

    def last_tested(self, until: date, *, site: str | None = None) -> list[DetectorTest]:
        """What a due list needs, whatever the years have gathered: without figures, the last test of each detector that
        showed something, up to a day, and those on which a sensor was exchanged."""
        visit, test = schema.visit.c, schema.test.c
        showed_nothing = case((test.outcome == "not tested", 1), else_=0)
        newest = func.row_number().over(
            partition_by=(visit.site, test.tag, visit.simulated),
            order_by=(showed_nothing, visit.ended.desc(), visit.visit.desc()),
        )
        shown = _standing_tests(site).where(visit.ended < (until + timedelta(days=1)).isoformat())
        ranked = shown.add_columns(newest.label("newest")).subquery()
        found = select(ranked).where(or_(ranked.c.newest == 1, ranked.c.sensor_exchanged)).order_by(ranked.c.ended)
        papers = self._papers()
        return [_tested(row, [], papers) for row in self._rows(found)]

    def groups_tested(self, until: date, groups: Mapping[str, Collection[str]]) -> list[GroupTest]:
        """Every trial up to a day of these vote groups, named by site, its worst finding ruling."""
        visit, finding = schema.visit, schema.finding
        found = (
            select(visit.c.site, visit.c.ended, visit.c.simulated, finding.c.visit, finding.c.tag, finding.c.outcome)
            .join(finding, finding.c.visit == visit.c.visit)
            .where(visit.c.site.in_(groups), finding.c.tag.in_({tag for tags in groups.values() for tag in tags}))
            .where(visit.c.visit.not_in(select(schema.correction.c.first)))
            .where(visit.c.ended < (until + timedelta(days=1)).isoformat())
        )
        trials: dict[tuple[str, str], list[RowMapping]] = defaultdict(list)
        for row in self._rows(found):
            if row["tag"] in groups[row["site"]]:
                trials[row["visit"], row["tag"]].append(row)
        papers = self._papers() if trials else {}
        return [
            GroupTest(
                site=rows[0]["site"],
                tag=tag,
                at=rows[0]["ended"],
                outcome=worst(row["outcome"] for row in rows),
                certificate_id=papers.get(key),
                simulated=rows[0]["simulated"],
            )
            for (key, tag), rows in trials.items()
        ]

    def _papers(self) -> dict[str, str]:
        """The latest certificate of each visit that has one."""
        certificate = schema.certificate.c
        issued = select(certificate.visit, certificate.certificate_id).order_by(certificate.issued)
        return {row["visit"]: row["certificate_id"] for row in self._rows(issued)}

    def sites(self) -> dict[str, Site]:
        """The latest description of every site, by name; of a real visit, if there is one."""
        visit, site = schema.visit, schema.site_description
        found = (
            select(visit.c.site, site.c.document)
            .join(site, site.c.sha256 == visit.c.site_sha256)
            .order_by(visit.c.simulated.desc(), visit.c.started, visit.c.visit)
        )
        documents = {row["site"]: row["document"] for row in self._rows(found)}
        return {name: Site.model_validate_json(document) for name, document in sorted(documents.items())}

    def standing_inhibits(self) -> list[Standing]:
        """Inhibits whose last kept word is not that they were proven lifted."""
        visit, inhibit = schema.visit, schema.inhibit
        found = (
            select(visit.c.site, visit.c.simulated, inhibit)
            .join(inhibit, inhibit.c.visit == visit.c.visit)
            .where(visit.c.visit.not_in(select(schema.correction.c.first)))
            .order_by(visit.c.started, visit.c.visit, inhibit.c.number)
        )
        last: dict[tuple[str, str], Standing] = {}
        for row in self._rows(found):
            key = (row["site"], row["effect"])
            before = last.get(key)
            stays = before is not None and row["state"] in ("lifted", "handed-over")
            last[key] = Standing(
                site=row["site"],
                effect=row["effect"],
                state=row["state"],
                since=before.since if before is not None and stays else row["at"],
                by=row["by"],
                to=row["to"],
                simulated=row["simulated"],
            )
        return [one for one in last.values() if one.state != "proven"]

    def rows(self, table: str) -> list[dict[str, Any]]:
        """All rows of one table, for whoever wants everything; raises KeyError."""
        return [dict(row) for row in self._rows(select(schema.metadata.tables[table]))]

    def originals(self, *, site: str | None = None) -> list[Original]:
        """Every file that was kept, or those that show a visit to one site, in the order in which they came."""
        evidence, shown, visit = schema.evidence.c, schema.shown_by.c, schema.visit.c
        found = select(evidence.sha256, evidence.kind, evidence.name, evidence.kept_at)
        if site is not None:
            of_site = select(shown.evidence_sha256).join(schema.visit, visit.visit == shown.visit)
            found = found.where(evidence.sha256.in_(of_site.where(visit.site == site)))
        return [Original(**row) for row in self._rows(found.order_by(evidence.kept_at, evidence.sha256))]

    def original(self, sha256: str) -> bytes:
        """A file bit for bit as it came; raises EvidenceError where the store no longer holds those bytes."""
        evidence = schema.evidence.c
        [*found] = self._rows(select(evidence.data, evidence.name).where(evidence.sha256 == sha256))
        if not found:
            raise InputError("no such file in the store", found=sha256[:80])
        data = bytes(found[0]["data"])
        if hashlib.sha256(data).hexdigest() != sha256:
            raise EvidenceError(
                f"{found[0]['name']}: the store no longer holds the bytes that came in",
                hint="somebody changed the database; bring it back from a copy",
            )
        return data

    def _rows(self, query: Select[Any]) -> list[RowMapping]:
        with opening.told(self._engine), self._engine.connect() as connection:
            return list(connection.execute(query).mappings())


def _standing_tests(site: str | None) -> Select[Any]:
    """Tests whose visit no other one took the place of."""
    visit, test = schema.visit, schema.test
    found = (
        select(visit.c.site, visit.c.kind, visit.c.ended, visit.c.simulated, test)
        .join(test, test.c.visit == visit.c.visit)
        .where(visit.c.visit.not_in(select(schema.correction.c.first)))
    )
    return found if site is None else found.where(visit.c.site == site)


def _tested(row: RowMapping, figures: list[RowMapping], papers: dict[str, str]) -> DetectorTest:
    certificate_id = papers.get(row["visit"])
    own = {key: row[key] for key in DetectorTest.model_fields if key in row and key not in ("found", "left")}
    made = [(one["as_left"], _figure(one, row["cylinder_certificate"])) for one in figures]
    return DetectorTest(
        **own,
        source="paper" if row["kind"] == "paper" else "certificate" if certificate_id else "ledger",
        at=row["ended"],
        certificate_id=certificate_id,
        found=tuple(figure for left, figure in made if not left),
        left=tuple(figure for left, figure in made if left),
    )


def _figure(row: RowMapping, certificate: str | None) -> Figure:
    """A figure, with what it shares with other visits named by the bottle's certificate and not by its tag."""
    shared = []
    for part in json.loads(row["budget"]):
        name = part.get("shared") or ""
        if certificate and name.startswith(SHARED_BY_BOTTLE):
            shared.append(SharedTerm(name=f"{name.partition(':')[0]}:{certificate}", u=part["u"]))
    return Figure(
        kind=row["kind"],
        value=row["value"],
        u=row["u"],
        shared=tuple(shared),
        target=row["target"],
        lower=row["lower"],
        upper=row["upper"],
    )
