"""Numbers in Modbus registers: types, word orders, units, and which registers to read together. Pure.

A 32-bit value has four bytes, `A B C D` with the most significant first. The Modbus specification fixes the order of
the two bytes within a register (high byte first) and says nothing of the order of the registers, so four orders are
met in the field. A 16-bit value has only `A B`; `BADC` and `DCBA` swap those.

Sources: MODBUS Application Protocol Specification V1.1b3, sections 4.2 (byte order) and 6.1 to 6.4 (at most 2000 bits
or 125 registers a request), from memory; NAMUR NE 43 for currents.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from gaswitness.links.scaled import detector_of, ppm_per_unit, reading, without_faulty
from gaswitness.run.ports import Polled, PolledReading
from gaswitness.sentence import said
from gaswitness.site.records import Detector, Site
from gaswitness.site.wires import BitEntry, LinkSpec, RegisterEntry, RegisterType, WordOrder

MAX_REGISTERS = 125
MAX_BITS = 2000
MAX_GAP = 8
"""Registers (or bits) between two wanted ones that are read along rather than asked for in two requests."""

WORD_ORDERS: tuple[WordOrder, ...] = ("ABCD", "CDAB", "BADC", "DCBA")
_FORMATS: dict[RegisterType, str] = {"uint16": ">H", "int16": ">h", "uint32": ">I", "int32": ">i", "float32": ">f"}


def width(kind: RegisterType) -> int:
    """How many registers a value of this type takes."""
    return struct.calcsize(_FORMATS[kind]) // 2


def _ordered(data: bytes, order: WordOrder) -> bytes:
    """Bytes from one order to the other; every order is its own inverse."""
    if len(data) == 2:
        return data if order in ("ABCD", "CDAB") else data[::-1]
    return bytes(data["ABCD".index(letter)] for letter in order)


def decode(words: Sequence[int], kind: RegisterType, order: WordOrder) -> float:
    """Registers to a number; not-a-number where the registers hold one.

    >>> round(decode([0x41A7, 0x3333], "float32", "ABCD"), 4)
    20.9
    >>> decode([0x3333, 0x41A7], "float32", "CDAB") == decode([0x41A7, 0x3333], "float32", "ABCD")
    True
    """
    data = b"".join(word.to_bytes(2, "big") for word in words)
    return float(struct.unpack(_FORMATS[kind], _ordered(data, order))[0])


def encode(value: float, kind: RegisterType, order: WordOrder) -> tuple[int, ...]:
    """A number to registers; whole-number types are rounded and held within what they can say.

    >>> [hex(word) for word in encode(20.9, "float32", "DCBA")]
    ['0x3333', '0xa741']
    """
    if kind == "float32":
        data = struct.pack(">f", value)
    else:
        bits = 16 * width(kind)
        low, high = (-(1 << bits - 1), (1 << bits - 1) - 1) if kind.startswith("int") else (0, (1 << bits) - 1)
        data = struct.pack(_FORMATS[kind], low if math.isnan(value) else min(max(round(value), low), high))
    data = _ordered(data, order)
    return tuple(int.from_bytes(data[at : at + 2], "big") for at in range(0, len(data), 2))


def plausible_orders(words: Sequence[int], low: float, high: float, step: float = 0.0) -> tuple[WordOrder, ...]:
    """Word orders in which a 32-bit float would lie between `low` and `high` and not be absurdly small.

    A float read in the wrong order shows a value that looks like zero, or a huge one: 20.9 (41A7 3333) read with
    its words swapped is 4.2e-8. A value nearer to zero than `step` (the detector's resolution) without being zero
    is no reading that a detector would send.

    >>> plausible_orders([0x3333, 0x41A7], 0.0, 25.0, step=0.1)
    ('CDAB',)
    """
    kept = []
    for order in WORD_ORDERS:
        value = decode(words, "float32", order)
        if low <= value <= high and (value == 0.0 or abs(value) >= max(step / 100.0, 1e-30)):
            kept.append(order)
    return tuple(kept)


def raw_of(value_ppm: float, entry: RegisterEntry, detector: Detector) -> float:
    """The number that stands in a register for a reading: `reading` the other way round.

    An open signal (not-a-number) is 0 mA in a current loop.
    """
    if entry.unit == "mA":
        share = (value_ppm - detector.range_low_ppm) / detector.range_ppm
        value = 0.0 if math.isnan(share) else 4.0 + 16.0 * share
    else:
        value = value_ppm / ppm_per_unit(entry.unit, detector)
    return (value - entry.offset) / entry.scale


@dataclass(frozen=True, slots=True)
class Block:
    """One request: `count` registers or bits from `start` with this function code."""

    function: int
    start: int
    count: int


def blocks(spans: Iterable[tuple[int, int, int]], *, max_gap: int = MAX_GAP) -> tuple[Block, ...]:
    """Fewest requests for spans of (function, address, width), crossing only small gaps.

    >>> blocks([(4, 0, 2), (4, 4, 2), (4, 200, 2)])
    (Block(function=4, start=0, count=6), Block(function=4, start=200, count=2))
    """
    made: list[Block] = []
    for function, address, count in sorted(set(spans)):
        limit = MAX_BITS if function in (1, 2) else MAX_REGISTERS
        if made and made[-1].function == function:
            last = made[-1]
            end = max(last.start + last.count, address + count)
            if address - (last.start + last.count) <= max_gap and end - last.start <= limit:
                made[-1] = Block(function, last.start, end - last.start)
                continue
        made.append(Block(function, address, count))
    return tuple(made)


def register_span(entry: RegisterEntry) -> tuple[int, int, int]:
    """What to read for a number."""
    return entry.function, entry.address, width(entry.type)


def bit_span(entry: BitEntry) -> tuple[int, int, int]:
    """What to read for a status bit."""
    return entry.function, entry.address, 1


def bit_on(raw: int | bool, entry: BitEntry) -> bool:
    """Whether a status bit is on; a whole register without a bit number is on when it is not zero."""
    shown = bool(raw >> entry.bit & 1) if entry.bit is not None else bool(raw)
    return shown != entry.inverted


def detectors(spec: LinkSpec, site: Site) -> dict[str, Detector]:
    """Detector of every number in a map, by signal; raises InputError where the map does not fit the site."""
    return {
        entry.signal: detector_of(
            entry.signal, entry.unit, site, said("link {url}, {entry}", url=spec.url, entry=f"registers[{at}]")
        )
        for at, entry in enumerate(spec.registers)
    }


def polled(spec: LinkSpec, by_signal: Mapping[str, Detector], words: Mapping[tuple[int, int], int]) -> Polled:
    """Words by (function, address) to readings and status. A detector whose fault shows has no good reading."""
    status = {entry.signal: bit_on(words[entry.function, entry.address], entry) for entry in spec.bits}
    readings: dict[str, PolledReading] = {}
    for entry in spec.registers:
        detector = by_signal[entry.signal]
        function, start, count = register_span(entry)
        raw = decode([words[function, start + at] for at in range(count)], entry.type, entry.words)
        readings[detector.tag] = reading(raw, entry, entry.unit, detector)
    return Polled(without_faulty(readings, status), status)
