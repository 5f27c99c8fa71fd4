"""The due list as a calendar file (iCalendar, RFC 5545): one day-long entry a thing, known again when it moves."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from datetime import UTC, date, datetime, time, timedelta

from icalendar import Alarm, Calendar, Event

from gaswitness.learn.due import Due

WORDS = {
    "test": "Gas test of {what}",
    "retest": "Retest of {what}",
    "cylinder": "Certificate of bottle {what} ends",
    "sensor": "Exchange the sensor of {what}",
    "inhibit": "Inhibit of {what} still stands",
}
REMIND = timedelta(days=14)


def uid_of(due: Due) -> str:
    """The same for the same thing, whenever it falls due, so that a calendar moves its entry and adds none.

    >>> from datetime import date
    >>> one = Due(site="S", kind="test", what="A", due=date(2026, 1, 1), state="later", days=1, why="")
    >>> uid_of(one) == uid_of(one.model_copy(update={"kind": "retest", "due": date(2027, 1, 1)}))
    True
    """
    kind = "test" if due.kind == "retest" else due.kind
    return hashlib.sha256(f"{due.site}\n{kind}\n{due.what}".encode()).hexdigest()[:32] + "@gaswitness.invalid"


def to_ics(dues: Iterable[Due], today: date) -> bytes:
    """The entries that have a day; what is overdue stands on today, and says since when."""
    calendar = Calendar()
    calendar.add("prodid", "-//gaswitness//due list//EN")
    calendar.add("version", "2.0")
    calendar.add("method", "PUBLISH")
    for due in dues:
        if due.due is None and due.state != "overdue":
            continue
        day = max(due.due or today, today)
        entry = Event()
        entry.add("uid", uid_of(due))
        entry.add("dtstamp", datetime.combine(today, time(), UTC))
        entry.add("sequence", max(0, (today - date(2020, 1, 1)).days))
        entry.add("dtstart", day)
        entry.add("dtend", day + timedelta(days=1))
        late = " (OVERDUE)" if due.state == "overdue" else ""
        entry.add("summary", f"{WORDS[due.kind].format(what=due.what)}, {due.site}{late}")
        was_due = f" It was due on {due.due.isoformat()}." if due.due is not None and due.due < today else ""
        entry.add("description", f"{due.why[:1].upper()}{due.why[1:]}.{was_due}")
        entry.add("location", due.site)
        entry.add("transp", "TRANSPARENT")
        alarm = Alarm()
        alarm.add("action", "DISPLAY")
        alarm.add("description", str(entry["summary"]))
        alarm.add("trigger", -REMIND)
        entry.add_component(alarm)
        calendar.add_component(entry)
    return bytes(calendar.to_ical())
