"""Registers to numbers and readings.

Sources: the four orders of 20.9 and 123.456 follow from IEEE 754 (computed, and checked against `struct`); current
signals after NAMUR NE 43 (from memory): measurement from 3.8 to 20.5 mA, failure at 3.6 mA and below, 21 mA and above.
"""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gaswitness.errors import InputError
from gaswitness.links import registers
from gaswitness.links.registers import Block, blocks, decode, encode, plausible_orders, raw_of
from gaswitness.links.scaled import reading
from gaswitness.site.records import Detector
from gaswitness.site.wires import BitEntry, RegisterEntry
from support.rigs import ravensmoor

ORDERS = ("ABCD", "CDAB", "BADC", "DCBA")


def detector(**changes: object) -> Detector:
    fields = {
        "tag": "CO2-1",
        "gas": "CO2",
        "area": "PUMP",
        "range_high": "5000 ppm",
        "resolution": "1 ppm",
        "t90": "60 s",
        "alarms": [],
    }
    return Detector.model_validate({**fields, **changes})


@pytest.mark.parametrize(
    ("order", "words"),
    [
        ("ABCD", (0x41A7, 0x3333)),
        ("CDAB", (0x3333, 0x41A7)),
        ("BADC", (0xA741, 0x3333)),
        ("DCBA", (0x3333, 0xA741)),
    ],
)
def test_the_four_orders_of_20_9(order: str, words: tuple[int, int]) -> None:
    assert encode(20.9, "float32", order) == words
    assert decode(words, "float32", order) == pytest.approx(20.9, rel=1e-7)


def test_123_456() -> None:
    assert encode(123.456, "float32", "ABCD") == (0x42F6, 0xE979)


def test_swapped_words_look_like_zero() -> None:
    assert decode((0x3333, 0x41A7), "float32", "ABCD") == pytest.approx(4.17e-8, rel=1e-2)


def test_plausible_orders_name_the_right_one() -> None:
    assert plausible_orders((0x3333, 0x41A7), 0.0, 25.0, step=0.1) == ("CDAB",)
    assert plausible_orders((0x0000, 0x0000), 0.0, 25.0, step=0.1) == ORDERS


@given(st.integers(-(2**31), 2**31 - 1), st.sampled_from(ORDERS))
def test_whole_numbers_come_back(value: int, order: str) -> None:
    assert decode(encode(value, "int32", order), "int32", order) == value
    assert decode(encode(value % 2**32, "uint32", order), "uint32", order) == value % 2**32
    assert decode(encode(value % 2**16, "uint16", order), "uint16", order) == value % 2**16


@given(st.floats(allow_nan=False, width=32), st.sampled_from(ORDERS))
def test_floats_come_back(value: float, order: str) -> None:
    assert decode(encode(value, "float32", order), "float32", order) == value


def test_whole_numbers_are_held_within_their_type() -> None:
    assert encode(70000.0, "uint16", "ABCD") == (0xFFFF,)
    assert encode(-70000.0, "int16", "ABCD") == (0x8000,)
    assert encode(-3.0, "uint32", "ABCD") == (0, 0)


def test_byte_order_of_one_register() -> None:
    assert encode(0x1234, "uint16", "ABCD") == encode(0x1234, "uint16", "CDAB") == (0x1234,)
    assert encode(0x1234, "uint16", "BADC") == encode(0x1234, "uint16", "DCBA") == (0x3412,)


@pytest.mark.parametrize(
    ("milliamps", "value_ppm", "quality"),
    [
        (4.0, 0.0, "good"),
        (12.0, 2500.0, "good"),
        (20.0, 5000.0, "over"),
        (20.5, 5156.25, "over"),
        (3.9, -31.25, "good"),
        (3.7, -93.75, "under"),
        (3.6, None, "bad"),
        (0.0, None, "bad"),
        (21.0, None, "bad"),
    ],
)
def test_current_signals(milliamps: float, value_ppm: float | None, quality: str) -> None:
    entry = RegisterEntry(signal="CO2-1.reading", address=0, type="uint16", scale=0.001, unit="mA")
    seen = reading(round(milliamps * 1000), entry, entry.unit, detector())
    assert seen.quality == quality
    assert seen.value_ppm == (None if value_ppm is None else pytest.approx(value_ppm))


@pytest.mark.parametrize(
    ("unit", "raw", "value_ppm"), [("ppm", 450.0, 450.0), ("ppb", 450.0, 0.45), ("%vol", 0.2, 2000.0)]
)
def test_units(unit: str, raw: float, value_ppm: float) -> None:
    entry = RegisterEntry(signal="CO2-1.reading", address=0, unit=unit)
    assert reading(raw, entry, entry.unit, detector()).value_ppm == pytest.approx(value_ppm)
    assert raw_of(value_ppm, entry, detector()) == pytest.approx(raw)


def test_share_of_the_lower_flammable_limit() -> None:
    methane = detector(
        gas="CH4", range_high="44000 ppm", lfl={"level": "44000 ppm", "source": "EN 60079-20-1, from memory"}
    )
    entry = RegisterEntry(signal="CO2-1.reading", address=0, unit="%LFL")
    assert reading(20.0, entry, entry.unit, methane).value_ppm == pytest.approx(8800.0)
    with pytest.raises(KeyError, match="lower flammable limit"):
        reading(20.0, entry, entry.unit, detector())


def test_not_a_number_is_no_reading() -> None:
    entry = RegisterEntry(signal="CO2-1.reading", address=0)
    assert reading(math.nan, entry, entry.unit, detector()).value_ppm is None
    assert reading(math.inf, entry, entry.unit, detector()).quality == "bad"


def test_open_loop_is_no_current() -> None:
    entry = RegisterEntry(signal="CO2-1.reading", address=0, unit="mA")
    assert raw_of(math.nan, entry, detector()) == 0.0


@given(
    st.lists(st.tuples(st.sampled_from([1, 2, 3, 4]), st.integers(0, 4000), st.integers(1, 2)), min_size=1, max_size=60)
)
def test_blocks_cover_everything_and_no_more_than_allowed(spans: list[tuple[int, int, int]]) -> None:
    made = blocks(spans)
    for function, address, count in spans:
        assert any(b.function == function and b.start <= address and address + count <= b.start + b.count for b in made)
    for block in made:
        assert block.count <= (2000 if block.function in (1, 2) else 125)
        wanted = {a + i for f, a, n in spans if f == block.function for i in range(n)}
        asked = range(block.start, block.start + block.count)
        assert asked[0] in wanted
        assert asked[-1] in wanted
        gap = longest = 0
        for address in asked:
            gap = 0 if address in wanted else gap + 1
            longest = max(longest, gap)
        assert longest <= registers.MAX_GAP


def test_a_long_map_is_split_at_125_registers() -> None:
    made = blocks((3, at, 2) for at in range(0, 400, 2))
    assert made == (Block(3, 0, 124), Block(3, 124, 124), Block(3, 248, 124), Block(3, 372, 28))


def test_bits() -> None:
    assert registers.bit_on(0b0100, BitEntry(signal="CO2-1.low", function=3, address=0, bit=2))
    assert not registers.bit_on(0b0100, BitEntry(signal="CO2-1.low", function=3, address=0, bit=2, inverted=True))
    assert registers.bit_on(7, BitEntry(signal="CO2-1.low", function=3, address=0))


def test_a_map_must_fit_the_site() -> None:
    spec = (
        ravensmoor()
        .links[0]
        .model_copy(update={"registers": (RegisterEntry(signal="CO2-9.reading", address=0),), "bits": ()})
    )
    with pytest.raises(InputError, match=r"registers\[0\].*CO2-9"):
        registers.detectors(spec, ravensmoor())


def test_a_fault_makes_a_reading_bad() -> None:
    spec = ravensmoor().links[0]
    by_signal = registers.detectors(spec, ravensmoor())
    words = {(f, a + i): 0 for f, a, n in map(registers.register_span, spec.registers) for i in range(n)}
    words |= {(f, a): 1 for f, a, _ in map(registers.bit_span, spec.bits)}
    assert registers.polled(spec, by_signal, words).readings["CO-1"].quality == "good"
    words[2, 21] = 0  # inverted contact of CO-1.fault opens
    assert registers.polled(spec, by_signal, words).readings["CO-1"].quality == "bad"
