"""What the commands and the desk ask of a store: tests that count, and the due list."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from gaswitness.history.store import Store
from gaswitness.learn.due import Due, due_list
from gaswitness.learn.records import DetectorTest, only_real
from gaswitness.site.records import Site


@dataclass(frozen=True, slots=True)
class Counted:
    """Tests that count, and how many simulated ones were left out beside real ones."""

    tests: list[DetectorTest]
    left_out: int


def counted(store: Store, site: str | None = None) -> Counted:
    """Tests of one site or of all; of a site with real visits, the simulated ones do not count."""
    return Counted(*only_real(store.tested(site=site)))


def dues_of(
    store: Store | None, today: date, *, site: str | None = None, described: Iterable[Site] = ()
) -> tuple[list[Due], int]:
    """The due list, and how many simulated tests were left out; `described` are site files newer than what is kept."""
    tests = Counted(*only_real(store.last_tested(today, site=site))) if store is not None else Counted([], 0)
    sites = store.sites() if store is not None else {}
    sites |= {one.name: one for one in described}
    if site is not None:
        sites = {name: one for name, one in sites.items() if name == site}
    real = {test.site for test in tests.tests if not test.simulated}
    standing = [
        one
        for one in (store.standing_inhibits() if store is not None else [])
        if site in (None, one.site) and not (one.simulated and one.site in real)
    ]
    voting = {name: {group.tag for group in one.groups} for name, one in sites.items() if one.groups}
    groups = [
        one
        for one in (store.groups_tested(today, voting) if store is not None and voting else [])
        if not (one.simulated and one.site in real)
    ]
    return due_list(tests.tests, sites, today, standing, groups), tests.left_out
