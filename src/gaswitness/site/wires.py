"""Links as a site file says them: which register, object or topic carries which signal."""

from __future__ import annotations

import re
from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from gaswitness.records import Record, Seconds
from gaswitness.sentence import said
from gaswitness.site.bounds import ABOVE_ZERO

WordOrder = Literal["ABCD", "CDAB", "BADC", "DCBA"]
RegisterType = Literal["uint16", "int16", "uint32", "int32", "float32"]
ReadingUnit = Literal["ppm", "ppb", "%vol", "%LFL", "mA", "mg/m3", "ug/m3"]
"""Units of a reading on a link; a mass in a volume of air is taken at 25 degC and 101.325 kPa."""
StatusFlag = Literal["in-alarm", "fault", "overridden", "out-of-service"]
LAST_INSTANCE = 4_194_302
"""Highest instance number of a BACnet object: 22 bits, the last one being kept for `no object`."""


def _object_name(text: str) -> str:
    match = re.fullmatch(r"(analog|binary|multi-state)-(input|output|value):([0-9]{1,7})", text, re.ASCII)
    if match is None:
        raise ValueError(
            said(
                "found {found}, expected an analog, binary or multi-state input, output or value with its instance",
                found=repr(text[:60]),
            )
        )
    if int(match[3]) > LAST_INSTANCE:
        raise ValueError(
            said("found {found}, expected an instance of {last} or less", found=text, last=str(LAST_INSTANCE))
        )
    return text


def _topic(text: str) -> str:
    if not text or any(sign in text for sign in "+#\0") or len(text.encode("utf-8", "replace")) > 65_535:
        raise ValueError(
            said("found {found}, expected the name of one topic, without the wildcards + and #", found=repr(text[:60]))
        )
    return text


def _json_pointer(text: str) -> str:
    if (text and not text.startswith("/")) or re.search("~(?![01])", text):
        raise ValueError(
            said("found {found}, expected a JSON pointer such as /gas/ppm (RFC 6901)", found=repr(text[:60]))
        )
    return text


def without_secrets(url: str) -> str:
    """Raises ValueError for an address that holds a name or a password: addresses are kept in plans and ledgers.

    >>> without_secrets("mqtts://192.0.2.10")
    'mqtts://192.0.2.10'
    """
    scheme, slashes, rest = url.partition("://")
    if slashes and "@" in re.split("[/?#]", rest)[0]:
        raise ValueError(
            said(
                "found a user or a password in the {scheme} address, expected none: "
                "it would be kept in plans and ledgers",
                scheme=scheme,
            )
        )
    return url


class RegisterEntry(Record):
    """A number on a Modbus link."""

    signal: str
    """`TAG.reading`."""
    function: Literal[3, 4] = 4
    """3 reads holding registers, 4 input registers."""
    address: int = Field(ge=0, le=65535)
    """Zero-based, as on the wire."""
    type: RegisterType = "float32"
    words: WordOrder = "ABCD"
    """Order of the four bytes of a 32-bit value; most significant is A."""
    scale: float = 1.0
    offset: float = 0.0
    unit: Literal["ppm", "ppb", "%vol", "%LFL", "mA"] = "ppm"
    """Unit of `raw * scale + offset`."""


class BitEntry(Record):
    """A status bit on a Modbus link: a coil or discrete input, or one bit of a register."""

    signal: str
    """`TAG.point`, `TAG.fault`, `EFFECT.on`, `EFFECT.inhibited`."""
    function: Literal[1, 2, 3, 4] = 2
    """1 coils, 2 discrete inputs, 3 and 4 one bit of a register."""
    address: int = Field(ge=0, le=65535)
    bit: int | None = Field(None, ge=0, le=15)
    """Bit of the register, least significant is 0; only with function 3 or 4."""
    inverted: bool = False
    """The bit is 0 where the signal is on."""


class ObjectEntry(Record):
    """A reading or a state on a BACnet link: the present value of an object, or one of its status flags."""

    signal: str
    """`TAG.reading` of an analog object; `TAG.point`, `TAG.fault`, `EFFECT.on` or `EFFECT.inhibited` of any other."""
    object: Annotated[
        str,
        Field(examples=["analog-input:3"]),
        AfterValidator(_object_name),
    ]
    """Type and instance."""
    flag: StatusFlag | None = None
    """The status flag that is the signal, in place of the present value."""
    on_values: tuple[int, ...] = ()
    """States of a multi-state object in which the signal is on."""
    inverted: bool = False
    """The object is inactive, or the flag not set, where the signal is on."""
    scale: float = 1.0
    offset: float = 0.0
    unit: ReadingUnit | None = None
    """Unit of `present value * scale + offset`; left out, the one that the object states."""


class TopicEntry(Record):
    """A reading or a state on an MQTT link: one value in the messages of a topic."""

    signal: str
    """`TAG.reading`, `TAG.point`, `TAG.fault`, `EFFECT.on` or `EFFECT.inhibited`."""
    topic: Annotated[str, Field(examples=["plant/nh3-1"]), AfterValidator(_topic)]
    pointer: Annotated[str, AfterValidator(_json_pointer)] = ""
    """Where the value stands in a JSON message, `/gas/ppm` (RFC 6901); left out, the message itself is the value."""
    time_pointer: Annotated[str, AfterValidator(_json_pointer)] | None = None
    """Where the instant of the value stands: ISO 8601 with its zone, or time since 1970 in UTC."""
    time_unit: Literal["s", "ms"] = "s"
    """Unit of time since 1970."""
    on_values: tuple[str, ...] = ()
    """Values in which the signal is on, all others being off; left out: true, 1, on."""
    inverted: bool = False
    """The value is off where the signal is on."""
    scale: float = 1.0
    offset: float = 0.0
    unit: ReadingUnit = "ppm"
    """Unit of `value * scale + offset`."""


class LinkSpec(Record):
    """Where readings and status come from: Modbus by `registers` and `bits`, BACnet by `objects`, MQTT by `topics`."""

    url: Annotated[str, AfterValidator(without_secrets)] = Field(examples=["modbus-tcp://192.0.2.10:502"])
    """`modbus-tcp://HOST:PORT`, `bacnet://HOST`, `mqtts://HOST`, or another link."""
    unit_id: int = Field(1, ge=0, le=255)
    """Modbus unit."""
    poll_s: Annotated[Seconds, ABOVE_ZERO] = Field(1.0, alias="poll")
    """How often everything is read; over MQTT, how often messages come."""
    registers: tuple[RegisterEntry, ...] = ()
    bits: tuple[BitEntry, ...] = ()
    objects: tuple[ObjectEntry, ...] = ()
    topics: tuple[TopicEntry, ...] = ()

    @property
    def signals(self) -> tuple[str, ...]:
        """Every signal of the link, in the order of the lists."""
        return tuple(entry.signal for part in (self.registers, self.bits, self.objects, self.topics) for entry in part)
