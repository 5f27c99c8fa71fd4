"""Whatever text comes, the answer is a site or its faults; never another error."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import hypothesis.strategies as st
import pytest
from hypothesis import HealthCheck, given, settings

from gaswitness.errors import InputError
from gaswitness.site import Site, sense_check, site_from_bytes
from gaswitness.site.load import site_of
from gaswitness.site.sheet import write_sheets
from gaswitness.site.tree import Tree, read_tree

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"
TEXTS = [
    (EXAMPLES / f"{name}.yaml").read_text(encoding="utf-8") for name in ("cellar", "cellar", "cellar", "ravensmoor")
]
BITS = [
    *"&*!|>%@`{}[]:-#'\"?,\n\t ~",
    "<<: *levels",
    "!!float 1",
    "---\n",
    "...\n",
    "0 ppm",
    "-5 s",
    "1e999 ppm",
    ".nan",
]
BITS += [
    "null",
    "true",
    "0x1F",
    "9" * 400,
    "é",
    "\x00",
    "\ud7ff",
    "*levels",
    "&levels",
    "%LFL",
    "20 %LFL",
    "10 % of level",
]
COMMON = {"deadline": None, "suppress_health_check": [HealthCheck.too_slow, HealthCheck.data_too_large]}


def answer(reading: Callable[[], Site]) -> Site | None:
    """The site, or None where the answer was a complaint."""
    try:
        return reading()
    except InputError as error:
        complaint = str(error)
    assert "site.yaml" in complaint
    return None


def read(data: bytes) -> None:
    """A site, checked, or a complaint that names it."""
    site = answer(lambda: site_from_bytes(data, "site.yaml"))
    if site is None:
        return
    report = sense_check(site, date(2026, 11, 25))
    assert all(fault.path.startswith("$") and fault.message for fault in (*report.faults, *report.doubts))
    assert Site.model_validate_json(site.model_dump_json()) == site


@st.composite
def spoilt(draw: st.DrawFn) -> str:
    """An example with some characters, words or lines changed."""
    text = draw(st.sampled_from(TEXTS))
    for _ in range(draw(st.integers(1, 5))):
        at = draw(st.integers(0, len(text)))
        match draw(st.integers(0, 3)):
            case 0:
                text = text[:at] + draw(st.sampled_from(BITS)) + text[at:]
            case 1:
                text = text[:at] + text[at + draw(st.integers(1, 40)) :]
            case 2:
                lines = text.split("\n")
                line = at % len(lines)
                lines[line] = lines[line].partition(":")[0] + ": " + draw(st.sampled_from(BITS))
                text = "\n".join(lines)
            case _:
                lines = text.split("\n")
                lines.insert(at % len(lines), lines.pop(draw(st.integers(0, len(lines) - 1))))
                text = "\n".join(lines)
    return text


@settings(max_examples=400, **COMMON)
@given(spoilt())
def test_a_spoilt_example(text: str) -> None:
    read(text.encode("utf-8"))


@settings(max_examples=250, **COMMON)
@given(st.binary(max_size=300))
def test_any_bytes(data: bytes) -> None:
    read(data)


KEYS = st.sampled_from(
    [
        "gaswitness",
        "name",
        "areas",
        "detectors",
        "alarms",
        "tag",
        "gas",
        "lfl",
        "level",
        "unit",
        "set",
        "deadband",
        "matrix",
        "causes",
        "effect",
        "groups",
        "members",
        "need",
        "links",
        "registers",
        "bits",
        "signal",
        "cylinders",
        "tests",
        "zero",
    ]
)
VALUES = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.floats(),
    st.text(max_size=8),
    st.sampled_from(["5 ppm", "20 %LFL", "NH3"]),
)
ANYTHING = st.recursive(
    VALUES, lambda inner: st.lists(inner, max_size=4) | st.dictionaries(KEYS, inner, max_size=5), max_leaves=20
)


@settings(max_examples=250, **COMMON)
@given(st.dictionaries(KEYS, ANYTHING, max_size=6), st.integers(0, 40), ANYTHING)
def test_any_values_in_any_place(data: dict[str, Any], place: int, value: Any) -> None:
    """Random trees by themselves, and one random value at a random place of an example."""
    example = read_tree(TEXTS[0], "cellar").data
    holders: list[tuple[Any, Any]] = []
    stack = [example]
    while stack:
        here = stack.pop()
        entries = here.items() if isinstance(here, dict) else enumerate(here) if isinstance(here, list) else ()
        for key, inner in list(entries):
            holders.append((here, key))
            stack.append(inner)
    holder, key = holders[place * 7 % len(holders)]
    holder[key] = value
    for tree in (data, example):
        site = answer(lambda tree=tree: site_of(Tree(tree), "site.yaml"))
        if site is not None:
            sense_check(site, date(2026, 11, 25))


@settings(max_examples=100, **COMMON)
@given(st.integers(0, 20_000), st.binary(min_size=1, max_size=8))
def test_a_spoilt_spreadsheet(at: int, data: bytes) -> None:
    book = _cellar_book()
    at %= len(book)
    read(book[:at] + data + book[at + len(data) :])


def _cellar_book() -> bytes:
    if not _BOOK:
        _BOOK.append(write_sheets(site_from_bytes(TEXTS[0].encode(), "cellar")))
    return _BOOK[0]


_BOOK: list[bytes] = []


LEVEL = st.floats(0.0, 1e6)
TIME = st.floats(0.0, 1e7)
WORDS = st.text(st.characters(codec="utf-8", exclude_categories=["C", "Z"]), min_size=1).filter(lambda t: t[0] != "=")


@settings(max_examples=100, **COMMON)
@given(LEVEL, LEVEL, TIME, TIME.filter(bool), WORDS, st.booleans())
def test_any_values_come_back_equal(
    low_ppm: float, high_ppm: float, delay_s: float, t90_s: float, words: str, yes: bool
) -> None:
    """Through the text of JSON, which is YAML too, and through a spreadsheet."""
    cellar = site_from_bytes(TEXTS[0].encode(), "cellar")
    detector = cellar.detectors[0]
    point = detector.alarms[0].model_copy(update={"set_ppm": low_ppm, "on_delay_s": delay_s, "latching": yes})
    changed = detector.model_copy(
        update={"range_high_ppm": high_ppm, "t90_s": t90_s, "name": words, "alarms": (point, detector.alarms[1])}
    )
    site = cellar.model_copy(update={"name": words, "detectors": (changed, cellar.detectors[1])})
    assert site_from_bytes(write_sheets(site), "site.xlsx") == site
    assert Site.model_validate_json(site.model_dump_json()) == site


@pytest.mark.parametrize("name", ["ravensmoor", "cellar"])
def test_unspoilt_examples_are_read(name: str) -> None:
    site_from_bytes((EXAMPLES / f"{name}.yaml").read_bytes(), name)
