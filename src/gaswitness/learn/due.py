"""What is due when: tests, bottles, sensors, and inhibits that still stand. Overdue first."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from typing import Literal

from gaswitness.certify.payload import months_later
from gaswitness.learn.records import DetectorTest, GroupTest, Standing, in_order
from gaswitness.records import Record
from gaswitness.site.records import Detector, Site

DueKind = Literal["test", "retest", "cylinder", "sensor", "inhibit"]
State = Literal["overdue", "soon", "later", "unknown"]
SOON_DAYS = 30
"""So many days ahead a thing is said to be due soon."""
_RANK: dict[State, int] = {"overdue": 0, "unknown": 1, "soon": 2, "later": 3}


class Due(Record):
    """One thing that must be done by a day."""

    site: str
    kind: DueKind
    what: str
    """Tag of the detector, vote group, bottle or effect."""
    due: date | None
    """By this day; none where it is not known, which is said in `why`."""
    state: State
    days: int | None
    """From today until then; below zero where it is overdue."""
    why: str
    last: date | None = None
    """Day of the test that it counts from."""
    certificate_id: str | None = None
    simulated: bool = False
    """It rests on visits to a simulated installation."""


def due_list(
    tests: Iterable[DetectorTest],
    sites: Mapping[str, Site],
    today: date,
    standing: Iterable[Standing] = (),
    groups: Iterable[GroupTest] = (),
) -> list[Due]:
    """Everything that is due, by state and day; a detector or group that the site no longer has is left out.

    A test counts as accepted where its verdict is a pass. After any other outcome a retest is due at once: nothing
    has been shown since. `sites` holds the latest description of each site; without one, only what was tested is known
    and the usual interval of 12 months is taken, and said to be. A vote group that was never tried is no entry: its
    trial may not be possible, and the certificate says that it was not shown.
    """
    histories: dict[str, dict[str, list[DetectorTest]]] = defaultdict(lambda: defaultdict(list))
    for test in in_order(list(tests)):
        histories[test.site][test.tag].append(test)
    votes: dict[tuple[str, str], list[GroupTest]] = defaultdict(list)
    for trial in sorted(groups, key=lambda one: one.at):
        votes[trial.site, trial.tag].append(trial)
    found: list[Due] = []
    for name in sorted({*histories, *sites}):
        site, by_tag = sites.get(name), histories.get(name, {})
        tags = [detector.tag for detector in site.detectors] if site is not None else sorted(by_tag)
        found += [_test(name, tag, by_tag.get(tag, []), site, today) for tag in tags]
        if site is not None:
            tried = [(group.tag, votes[name, group.tag]) for group in site.groups if (name, group.tag) in votes]
            found += [_test(name, tag, trials, site, today) for tag, trials in tried]
            found += _bottles(site, by_tag, today)
            found += [
                due for one in site.detectors if (due := _sensor(site, one, by_tag.get(one.tag, []), today)) is not None
            ]
    found += [_inhibit(one, today) for one in standing if one.site in histories or one.site in sites]
    return sorted(found, key=lambda one: (_RANK[one.state], one.due or date.min, one.site, one.kind, one.what))


def state_of(due: date | None, today: date) -> tuple[State, int | None]:
    """State of a day, and days until then; on the day itself it is not overdue yet.

    >>> state_of(date(2026, 11, 24), date(2026, 11, 25)), state_of(date(2026, 11, 25), date(2026, 11, 25))
    (('overdue', -1), ('soon', 0))
    """
    if due is None:
        return "unknown", None
    days = (due - today).days
    return ("overdue" if days < 0 else "soon" if days <= SOON_DAYS else "later"), days


def _due(
    site: str,
    kind: DueKind,
    what: str,
    day: date | None,
    today: date,
    why: str,
    test: DetectorTest | GroupTest | None = None,
) -> Due:
    state, days = state_of(day, today)
    return Due(
        site=site,
        kind=kind,
        what=what,
        due=day,
        state=state,
        days=days,
        why=why,
        last=test.day if test else None,
        certificate_id=test.certificate_id if test else None,
        simulated=test.simulated if test else False,
    )


def _test(name: str, tag: str, history: Sequence[DetectorTest | GroupTest], site: Site | None, today: date) -> Due:
    done = [test for test in history if test.day <= today]
    shown = [test for test in done if test.outcome != "not tested"]
    if not shown:
        return _due(name, "test", tag, None, today, "never tested, as far as is kept here").model_copy(
            update={"state": "overdue"}
        )
    last = shown[-1]
    if last.outcome != "pass":
        why = f"the last test, on {last.day.isoformat()}, ended as: {last.outcome}"
        return _due(name, "retest", tag, last.day, today, why, last).model_copy(update={"state": "overdue"})
    months = site.tests.interval_months if site is not None else 12
    usual = "" if site is not None else " (usual; no site file is kept)"
    why = f"passed on {last.day.isoformat()}, good for {months} months{usual}"
    return _due(name, "test", tag, months_later(last.day, months), today, why, last)


def _bottles(site: Site, by_tag: Mapping[str, list[DetectorTest]], today: date) -> list[Due]:
    simulated = bool(by_tag) and all(test.simulated for tests in by_tag.values() for test in tests)
    return [
        _due(
            site.name, "cylinder", one.tag, one.expires, today, f"certificate {one.certificate} holds until then"
        ).model_copy(update={"simulated": simulated})
        for one in site.cylinders
    ]


def _sensor(site: Site, detector: Detector, history: list[DetectorTest], today: date) -> Due | None:
    if detector.sensor_life_months is None:
        return None
    exchanged = [test.day for test in history if test.sensor_exchanged and test.day <= today]
    fitted = max([*exchanged, *([detector.sensor_fitted] if detector.sensor_fitted else [])], default=None)
    life = detector.sensor_life_months
    if fitted is None:
        return _due(
            site.name, "sensor", detector.tag, None, today, f"good for {life} months, but from when is not known"
        )
    why = f"fitted on {fitted.isoformat()}, good for {life} months"
    return _due(site.name, "sensor", detector.tag, months_later(fitted, life), today, why)


def _inhibit(one: Standing, today: date) -> Due:
    day = date.fromisoformat(one.since[:10])
    answers = f"; {one.to} answers for it" if one.to else ""
    words = {"placed": "was never lifted", "lifted": "was lifted, but not proven live", "handed-over": "still stands"}
    why = f"the inhibit of {day.isoformat()} {words.get(one.state, one.state)}{answers}"
    due = _due(one.site, "inhibit", one.effect, day, today, why)
    return due.model_copy(update={"state": "overdue", "simulated": one.simulated})
