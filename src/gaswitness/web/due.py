"""The due list of the desk: from the store where there is one, else from the certificates in the folder."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Literal

from pydantic import ValidationError

from gaswitness.certify import bundle
from gaswitness.certify.envelope import opened
from gaswitness.certify.payload import PAYLOAD_TYPE, read_payload
from gaswitness.errors import GaswitnessError
from gaswitness.learn.due import Due, due_list
from gaswitness.learn.records import DetectorTest, GroupTest, only_real
from gaswitness.site.records import Site

MOST = 40
"""Lines on the page; the command shows all."""


@dataclass(frozen=True, slots=True)
class DuePage:
    """What the desk shows."""

    lines: tuple[Due, ...]
    source: Literal["store", "folder"]
    overdue: int = 0
    more: int = 0
    problem: str = ""


@dataclass(frozen=True, slots=True)
class _Certified:
    """What one certificate says, once its signature is known to be good; the evidence is not judged again here."""

    issued: str
    site: Site
    tests: tuple[DetectorTest, ...]
    groups: tuple[GroupTest, ...]


class DueList:
    """Reads each certificate once, as long as its file does not change."""

    def __init__(self) -> None:
        self._read: dict[tuple[str, int, int], _Certified | None] = {}

    def page(self, folder: Path, store: str | None, today: date) -> DuePage:
        """The list of today; what keeps it from being made is told on the page, and the page is shown all the same."""
        source: Literal["store", "folder"] = "folder" if store is None else "store"
        try:
            dues = self._from_folder(folder, today) if store is None else _from_store(store, today)
        except GaswitnessError as error:
            return DuePage((), source, problem=error.message)
        overdue = sum(one.state == "overdue" for one in dues)
        return DuePage(tuple(dues[:MOST]), source, overdue, max(0, len(dues) - MOST))

    def _from_folder(self, folder: Path, today: date) -> list[Due]:
        paths = sorted(one for one in folder.glob("*.evidence.zip") if one.is_file()) if folder.is_dir() else []
        found = sorted(
            (one for path in paths if (one := self._certified(path)) is not None), key=lambda one: one.issued
        )
        tests, _ = only_real([test for one in found for test in one.tests])
        real = {test.site for test in tests if not test.simulated}
        groups = [group for one in found for group in one.groups if not (group.simulated and group.site in real)]
        return due_list(tests, {one.site.name: one.site for one in found}, today, groups=groups)

    def _certified(self, path: Path) -> _Certified | None:
        state = path.stat()
        key = (path.name, state.st_mtime_ns, state.st_size)
        if key not in self._read:
            self._read[key] = _certified(path)
        return self._read[key]


def _from_store(store: str, today: date) -> list[Due]:
    from gaswitness.history.overview import dues_of
    from gaswitness.history.store import open_store

    with open_store(store) as kept:
        return dues_of(kept, today)[0]


def _certified(path: Path) -> _Certified | None:
    """A certificate, or none where this is no sound bundle: opening it says why."""
    try:
        members, key = bundle.unpack(path.read_bytes(), path.name)
        payload = read_payload(opened(members[bundle.CERTIFICATE], PAYLOAD_TYPE, key, path.name))
        site = Site.model_validate_json(members[bundle.SITE])
    except (GaswitnessError, ValidationError, OSError):
        return None
    gases = {detector.tag: detector.gas for detector in site.detectors}
    tests = tuple(
        DetectorTest(
            visit=f"{payload.issued} {payload.certificate_id}",
            source="certificate",
            site=payload.site_name,
            tag=verdict.tag,
            gas=gases[verdict.tag],
            at=payload.ended,
            certificate_id=payload.certificate_id,
            simulated=payload.simulated,
            outcome=verdict.outcome,
            as_found=verdict.outcome,
        )
        for verdict in payload.judgement.verdicts
        if verdict.tag in gases
    )
    groups = tuple(
        GroupTest(
            site=payload.site_name,
            tag=verdict.tag,
            at=payload.ended,
            outcome=verdict.outcome,
            certificate_id=payload.certificate_id,
            simulated=payload.simulated,
        )
        for verdict in payload.judgement.groups
    )
    return _Certified(payload.issued, site, tests, groups)
