"""What the store hands to whoever learns from it: one detector on one visit, as found and as left."""

from __future__ import annotations

import math
from datetime import date
from typing import Literal

from gaswitness.judge.records import Outcome
from gaswitness.records import Record

FigureKind = Literal["zero", "span", "t90", "t10"]
FIGURE_KINDS: tuple[FigureKind, ...] = ("zero", "span", "t90", "t10")
SourceKind = Literal["certificate", "ledger", "paper"]


class SharedTerm(Record):
    """A source of uncertainty that several visits have in common, such as one bottle's certificate."""

    name: str
    """`cylinder:` and the certificate's number: the next bottle of the same tag is another one."""
    u: float


class Figure(Record):
    """One measured value of one visit, with its limits of that day; ppm or s."""

    kind: FigureKind
    value: float
    u: float | None = None
    """Standard uncertainty, k = 1; none where nobody stated one."""
    shared: tuple[SharedTerm, ...] = ()
    """The parts of `u` that other visits have too."""
    target: float | None = None
    lower: float | None = None
    upper: float | None = None

    @property
    def own_u(self) -> float | None:
        """The part of `u` that belongs to this visit alone, in the unit of the value.

        >>> Figure(kind="span", value=100.0, u=5.0, shared=(SharedTerm(name="cylinder:X", u=3.0),)).own_u
        4.0
        """
        if self.u is None:
            return None
        return math.sqrt(max(0.0, self.u**2 - sum(term.u**2 for term in self.shared)))


class DetectorTest(Record):
    """One detector on one visit."""

    format: Literal["gaswitness/tested/1"] = "gaswitness/tested/1"
    visit: str
    """Digest by which the store knows the visit."""
    source: SourceKind
    site: str
    tag: str
    gas: str
    sensor: str = ""
    """What kind of sensor, as the site words it; empty where it says none."""
    at: str
    """Instant in UTC, or the day alone where no more is known, ISO 8601."""
    certificate_id: str | None = None
    simulated: bool = False
    outcome: Outcome
    """Of the detector as it was left."""
    as_found: Outcome
    """As it was before anything was adjusted."""
    alarmed: bool | None = None
    """As found, every alarm point that was under test set; none where that was not shown."""
    found: tuple[Figure, ...] = ()
    left: tuple[Figure, ...] = ()
    """Only after an adjustment."""
    expected_t90_s: float | None = None
    """What the plan predicted for t90 under its cap, for a detector as the site states it."""
    adjusted_zero: bool = False
    adjusted_span: bool = False
    sensor_exchanged: bool = False
    """A new sensor was fitted on this visit, after the test as found."""
    cylinder: str | None = None
    cylinder_certificate: str | None = None
    note: str = ""

    @property
    def day(self) -> date:
        """The day of the visit."""
        return date.fromisoformat(self.at[:10])

    def figure(self, kind: FigureKind, *, left: bool = False) -> Figure | None:
        """The figure of this kind, as found or as left."""
        return next((one for one in (self.left if left else self.found) if one.kind == kind), None)


class GroupTest(Record):
    """One vote group on one visit that tried it."""

    site: str
    tag: str
    at: str
    """Instant in UTC, ISO 8601."""
    outcome: Outcome
    certificate_id: str | None = None
    simulated: bool = False

    @property
    def day(self) -> date:
        """The day of the visit."""
        return date.fromisoformat(self.at[:10])


class Standing(Record):
    """An inhibit that no kept visit shows to be lifted and proven."""

    site: str
    effect: str
    state: str
    """`placed`, `lifted` (but not proven), or `handed-over`."""
    since: str
    by: str
    to: str = ""
    """Who answers for it, where it was handed over."""
    simulated: bool = False


def in_order(tests: tuple[DetectorTest, ...] | list[DetectorTest]) -> list[DetectorTest]:
    """By time, then by visit, so that the same tests always come in the same order."""
    return sorted(tests, key=lambda test: (test.at, test.visit))


def only_real(tests: list[DetectorTest]) -> tuple[list[DetectorTest], int]:
    """Tests without the simulated ones of a site that has real ones too, and how many were left out.

    A site of which there are only simulated visits keeps them: then all of it is a rehearsal, and says so.
    """
    real = {test.site for test in tests if not test.simulated}
    kept = [test for test in tests if not (test.simulated and test.site in real)]
    return kept, len(tests) - len(kept)
