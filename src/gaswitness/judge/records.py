"""What the judge says: findings per criterion, verdicts per detector, and how each effect followed its cause."""

from __future__ import annotations

from typing import Literal

from gaswitness.plan.records import CriterionKind
from gaswitness.records import Record, Told
from gaswitness.site.records import Rule

Outcome = Literal["pass", "fail", "inconclusive", "not tested", "error", "aborted"]


class Component(Record):
    """One named source of uncertainty, as a standard uncertainty in the unit of the finding."""

    name: str
    u: float
    shared: str | None = None
    """What several findings have in common: `cylinder:BTL-1`."""


class Finding(Record):
    """One criterion judged. The wording and limits are the plan's; the value is the evidence's."""

    criterion: str
    """Identity of the criterion in the plan."""
    kind: CriterionKind
    text: Told
    value: float | None
    u: float | None
    """Standard uncertainty, k = 1."""
    unit: str
    limits: tuple[float | None, float | None]
    rule: Rule
    outcome: Outcome
    margin: float | None
    p_conform: float | None
    why: Told
    causes: tuple[Told, ...] = ()
    """Likely causes in order, in words, where it fell short."""
    budget: tuple[Component, ...] = ()


class EffectFinding(Record):
    """One line of the matrix as it was shown."""

    cause: str
    effect: str
    delay_s: float | None
    u_s: float | None
    within_s: float
    seen_by: Literal["panel", "witness", "both", "nobody"]
    outcome: Outcome
    why: Told


class Stray(Record):
    """Something happened that no cause explains."""

    signal: str
    t_s: float
    during: str
    """Detector under test at that moment."""
    explanation: Told


class Verdict(Record):
    """All findings of one detector; the worst rules."""

    tag: str
    outcome: Outcome
    why: Told
    findings: tuple[Finding, ...]


class Judgement(Record):
    """All that was found in one ledger."""

    format: Literal["gaswitness/judgement/1"] = "gaswitness/judgement/1"
    run_id: str
    ledger_sha256: str
    outcome: Outcome
    """The worst of all verdicts and of what concerns the whole visit."""
    interrupted: bool
    complete: bool
    verdicts: tuple[Verdict, ...]
    visit: tuple[Finding, ...]
    """What concerns the whole visit: inhibits lifted, people told, nothing stray."""
    effects: tuple[EffectFinding, ...]
    """Lines of the matrix, those that a vote group brings too."""
    strays: tuple[Stray, ...]
    notes: tuple[Told, ...] = ()
    late: int = 0
    """Marks and typed readings that came in after the run had ended; those from before its end count with the rest."""
    groups: tuple[Verdict, ...] = ()
    """All findings on each vote group that had a trial of its own; `tag` is the group's."""

    @property
    def fell_short(self) -> tuple[str, ...]:
        """Criteria that did not pass, of the detectors and of the visit: what a retest has to show."""
        findings = [one for verdict in (*self.verdicts, *self.groups) for one in verdict.findings]
        findings += self.visit
        return tuple(one.criterion for one in findings if one.outcome != "pass")
