"""The folder a board works on: sites, plans, ledgers and certificates, found by what they are.

A name that came over the network is only ever looked up among the files that are there.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path

from gaswitness.errors import InputError
from gaswitness.evidence.late import late_path
from gaswitness.evidence.ledger import Ledger, read_ledger
from gaswitness.plan.records import PLAN_FORMAT, Plan
from gaswitness.sentence import said
from gaswitness.site.reading import read_site
from gaswitness.site.records import SITE_FORMAT, Site

LEDGER = ".ledger.jsonl"
_SITES = (".yaml", ".yml", ".xlsx")
_PAPERS = (".pdf", ".evidence.zip")
_HEAD = 4096


@dataclass(frozen=True, slots=True)
class RunFile:
    """A ledger as the list shows it."""

    name: str
    site: str
    started: str
    outcome: str
    """`complete`, `stopped`, `aborted`, `going on` (nothing says that it ended), or `not readable`."""
    detectors: tuple[str, ...] = ()
    late: bool = False
    """Something came in after it had ended, and reopened the judging."""


@dataclass(frozen=True, slots=True)
class PlanFile:
    """A plan as the list shows it."""

    name: str
    site: str
    made: str
    detectors: tuple[str, ...]
    steps: int
    minutes: float
    retest: bool


class Folder:
    """The files of one folder, without hidden ones and those of folders within it."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._runs: dict[tuple[str, int, int], RunFile] = {}
        self._plans: dict[tuple[str, int, int], PlanFile | None] = {}

    def _named(self, *endings: str) -> list[Path]:
        if not self.path.is_dir():
            return []
        seen = (one for one in self.path.iterdir() if one.name.endswith(endings) and not one.name.startswith("."))
        return sorted(one for one in seen if one.is_file())

    def sites(self) -> tuple[str, ...]:
        """Files that say of themselves that they describe a site, and spreadsheets, which may."""
        return tuple(
            one.name
            for one in self._named(*_SITES)
            if one.suffix == ".xlsx" or SITE_FORMAT.encode() in one.read_bytes()[:_HEAD]
        )

    def plans(self) -> tuple[PlanFile, ...]:
        """Every plan, the newest first."""
        found = []
        for path in self._named(".json"):
            key = _stamp(path)
            if key not in self._plans:
                self._plans[key] = _plan_line(path)
            if (line := self._plans[key]) is not None:
                found.append(line)
        return tuple(sorted(found, key=lambda line: line.made, reverse=True))

    def runs(self) -> tuple[RunFile, ...]:
        """Every ledger, the newest first."""
        found = []
        for path in self._named(LEDGER):
            key = _stamp(path)
            if key not in self._runs:
                self._runs[key] = _run_line(path)
            found.append(replace(self._runs[key], late=late_path(path).is_file()))
        return tuple(sorted(found, key=lambda line: line.started, reverse=True))

    def papers(self) -> tuple[str, ...]:
        """Certificates, job sheets and bundles."""
        return tuple(one.name for one in self._named(*_PAPERS))

    def file(self, name: str, *endings: str) -> Path:
        """The file of this name, which must be there and end in one of these; raises InputError."""
        for one in self._named(*endings):
            if one.name == name:
                return one
        raise InputError(said("no such file in the folder of this board"), found=name[:80])

    def download(self, name: str) -> Path:
        """A paper, a ledger or a plan; nothing else is handed out. Raises InputError."""
        if name.endswith(".json") and name not in {one.name for one in self.plans()}:
            raise InputError(said("no such plan in the folder of this board"), found=name[:80])
        return self.file(name, *_PAPERS, LEDGER, ".json")

    def plan(self, name: str) -> Plan:
        """A plan; raises InputError where there is none of this name."""
        if name not in {one.name for one in self.plans()}:
            raise InputError(said("no such plan in the folder of this board"), found=name[:80])
        return Plan.model_validate_json(self.file(name, ".json").read_bytes())

    def site(self, name: str) -> Site:
        """Read a site; raises InputFaults with every fault."""
        return read_site(self.file(name, *_SITES))

    def ledger(self, name: str) -> tuple[bytes, Ledger]:
        """A ledger's bytes, and what they say; raises EvidenceError where they cannot be trusted."""
        data = self.file(name, LEDGER).read_bytes()
        return data, read_ledger(data, name)


def _stamp(path: Path) -> tuple[str, int, int]:
    state = path.stat()
    return path.name, state.st_mtime_ns, state.st_size


def _plan_line(path: Path) -> PlanFile | None:
    data = path.read_bytes()
    if PLAN_FORMAT.encode() not in data[:_HEAD]:
        return None
    try:
        plan = Plan.model_validate_json(data)
    except ValueError:
        return None
    return PlanFile(
        path.name,
        plan.site.name,
        plan.made,
        tuple(one.tag for one in plan.detectors),
        len(plan.steps),
        sum(max(step.expected_s, step.at_least_s) for step in plan.steps if not step.optional) / 60,
        plan.retest_of is not None,
    )


def _run_line(path: Path) -> RunFile:
    """What the list needs of a ledger; whether all of it can be trusted is asked when it is opened."""
    try:
        with path.open("rb") as lines:
            first = json.loads(lines.readline())
        event = first.get("event", first)
        tags = tuple(one["tag"] for one in event["plan"]["detectors"])
        ended = _last_outcome(path)
        return RunFile(path.name, event["plan"]["site"]["name"], event["wall"], ended, tags)
    except (ValueError, KeyError, TypeError, OSError):
        return RunFile(path.name, "", "", "not readable")


def _last_outcome(path: Path) -> str:
    with path.open("rb") as lines:
        lines.seek(max(0, path.stat().st_size - 16_384))
        last = lines.read().rstrip().rsplit(b"\n", 1)[-1]
    try:
        line = json.loads(last)
    except ValueError:
        return "going on"
    event = line.get("event", line)
    return str(event["outcome"]) if event.get("kind") == "run-stopped" else "going on"
