"""Do the objects of a BACnet link and the topics of an MQTT link make sense, each and beside each other?"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

from gaswitness.sentence import listed, said
from gaswitness.site.records import Site
from gaswitness.site.rules.remark import Remark, Remarks, doubt, fault
from gaswitness.site.wires import LinkSpec, ObjectEntry, TopicEntry

LISTS = {
    "modbus-tcp": ("registers", "bits"),
    "modbus-rtu": ("registers", "bits"),
    "bacnet": ("objects",),
    "mqtt": ("topics",),
    "mqtts": ("topics",),
}
"""What each kind of link is read by."""


def networks(site: Site) -> Remarks:
    """Every link: the lists of its kind, and no entry that says what it cannot mean."""
    for index, link in enumerate(site.links):
        path = f"$.links[{index}]"
        yield from _kinds(link, path)
        yield from _alike(link.objects, f"{path}.objects", _place_of_object)
        for number, entry in enumerate(link.objects):
            yield from _object(entry, f"{path}.objects[{number}]")
        yield from _alike(link.topics, f"{path}.topics", _place_of_topic)
        for number, topic in enumerate(link.topics):
            yield from _topic(topic, f"{path}.topics[{number}]")
        yield from _instants(link, path)


def is_reading(entry: ObjectEntry | TopicEntry) -> bool:
    """Whether an entry carries a number, and not a state."""
    return entry.signal.endswith(".reading")


def _kinds(link: LinkSpec, path: str) -> Remarks:
    """Lists of another kind of link would never be read; a link without a list of its own brings nothing."""
    scheme = link.url.partition(":")[0].lower()
    if scheme not in LISTS:
        return
    for part in ("registers", "bits", "objects", "topics"):
        if getattr(link, part) and part not in LISTS[scheme]:
            expected = listed([f"`{own}`" for own in LISTS[scheme]], " and ")
            yield fault(
                f"{path}.{part}",
                said(
                    "found `{part}` on a link {scheme}:, expected {expected}",
                    part=part,
                    scheme=scheme,
                    expected=expected,
                ),
            )
    if scheme in ("bacnet", "mqtt", "mqtts") and not getattr(link, LISTS[scheme][0]):
        yield doubt(path, said("found no `{part}`: nothing would be read from this link", part=LISTS[scheme][0]))


def _place_of_object(entry: ObjectEntry) -> tuple[Any, ...]:
    return entry.object, entry.flag, is_reading(entry), frozenset(entry.on_values), entry.inverted


def _place_of_topic(entry: TopicEntry) -> tuple[Any, ...]:
    return entry.topic, entry.pointer, is_reading(entry), frozenset(entry.on_values), entry.inverted


def _alike(entries: tuple[Any, ...], path: str, place: Callable[[Any], tuple[Any, ...]]) -> Iterator[Remark]:
    """Two signals that come from one place in one way could never differ."""
    first: dict[tuple[Any, ...], str] = {}
    for number, entry in enumerate(entries):
        other = first.setdefault(place(entry), entry.signal)
        if other != entry.signal:
            yield fault(
                f"{path}[{number}]",
                said(
                    "found {signal} read from where {other} is read, expected a place of its own",
                    signal=entry.signal,
                    other=other,
                ),
                said("two signals from one place could never differ"),
            )


def _object(entry: ObjectEntry, path: str) -> Remarks:
    kind = entry.object.partition(":")[0]
    analog = kind.startswith("analog")
    if is_reading(entry):
        if not analog or entry.flag is not None:
            found = (
                entry.object
                if entry.flag is None
                else said("the flag {flag} of {object}", flag=entry.flag, object=entry.object)
            )
            yield fault(
                f"{path}.object",
                said("found {found}, expected a reading to be the value of an analog object", found=found),
            )
    elif analog and entry.flag is None:
        yield fault(
            f"{path}.object",
            said(
                "found the value of {object} as a state, expected a binary or multi-state object, or a `flag`",
                object=entry.object,
            ),
            said("for example flag: in-alarm"),
        )
    if kind.startswith("multi-state") and entry.flag is None and not is_reading(entry) and not entry.on_values:
        yield fault(
            f"{path}.on_values", said("found none, expected the states in which the signal is on"), "on_values: [2]"
        )
    if entry.on_values and (not kind.startswith("multi-state") or entry.flag is not None):
        yield fault(
            f"{path}.on_values",
            said("found states of {object}, which has none here, expected none", object=entry.object),
        )
    yield from _numbers(entry, path, entry.unit is not None)


def _topic(entry: TopicEntry, path: str) -> Remarks:
    if is_reading(entry) and entry.on_values:
        yield fault(f"{path}.on_values", said("found values of a state on a reading, expected none"))
    yield from _numbers(entry, path, entry.unit != "ppm")


def _numbers(entry: ObjectEntry | TopicEntry, path: str, unit_given: bool) -> Remarks:
    """What belongs to numbers stands on numbers, and what belongs to states on states."""
    if is_reading(entry):
        if entry.scale == 0:
            yield fault(
                f"{path}.scale",
                said("found 0, expected another number"),
                said("value x scale + offset would never move"),
            )
        if entry.inverted:
            yield fault(f"{path}.inverted", said("found a reading inverted, expected that of states only"))
    elif unit_given or entry.scale != 1.0 or entry.offset != 0.0:
        yield fault(
            path, said("found a unit, scale or offset on the state {signal}, expected none", signal=entry.signal)
        )


def _instants(link: LinkSpec, path: str) -> Remarks:
    """Without instants of their own, messages that were held up look fresh."""
    bare = [entry.signal for entry in link.topics if is_reading(entry) and entry.time_pointer is None]
    if bare:
        more = ["..."] if len(bare) > 4 else []
        yield doubt(
            f"{path}.topics",
            said("found no `time_pointer` for {signals}", signals=listed([listed(bare[:4]), *more], " ")),
            said("a message that was held up on its way, or came out of order, would be taken for the present reading"),
        )
