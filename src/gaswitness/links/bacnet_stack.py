"""The BACnet/IP protocol as a reader: asks by ReadProperty, ReadPropertyMultiple and Who-Is, and nothing else.

The library's machines are used from the application layer down to BACnet/IP, and held back from every other service;
they answer nobody either: this program is no device on the network and keeps no object. The port is our own, because
the library's shares one that is taken, and tries for ever where it cannot.

Sources: ANSI/ASHRAE 135, clauses 15.5, 15.7, 16.10 and 20.1, annex J (from memory).
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from bacpypes3.apdu import (
    AbortPDU,
    ConfirmedRequestPDU,
    ErrorPDU,
    ErrorRejectAbortNack,
    IAmRequest,
    ReadPropertyACK,
    ReadPropertyMultipleACK,
    ReadPropertyMultipleRequest,
    ReadPropertyRequest,
    RejectPDU,
    RejectReason,
    WhoIsRequest,
)
from bacpypes3.app import Application
from bacpypes3.appservice import ApplicationServiceAccessPoint
from bacpypes3.basetypes import PropertyIdentifier, PropertyReference, ReadAccessSpecification, StatusFlags
from bacpypes3.comm import Server, bind
from bacpypes3.ipv4.bvll import BVLLCodec
from bacpypes3.ipv4.service import BIPNormal
from bacpypes3.netservice import NetworkServiceAccessPoint, NetworkServiceElement
from bacpypes3.pdu import PDU, Address, GlobalBroadcast, IPv4Address, LocalBroadcast
from bacpypes3.primitivedata import (
    Double,
    Enumerated,
    Integer,
    ObjectIdentifier,
    Real,
    TagClass,
    TagList,
    TagNumber,
    Unsigned,
)

from gaswitness.errors import LinkError
from gaswitness.links.objects import FLAGS, Key, Kind, Refused, Value
from gaswitness.sentence import figure, said

ASKS = (ReadPropertyRequest, ReadPropertyMultipleRequest, WhoIsRequest)
ANSWER_OCTETS = 24
"""An object's share of an answer: its name, present value and status flags, each with their tags, at the longest."""
SMALLEST_ANSWER = 480
"""Octets that an answer may have where the device does not say: what every BACnet/IP device can send."""
LONGEST_ANSWER = 1476
TOO_LONG = {1, 4, 9, 11}
"""Abort reasons of an answer that does not fit: buffer overflow, segmentation, out of resources, APDU too long."""
NO_RESPONSE = 65
THIS_DEVICE = "device:4194303"
"""Whatever instance the asked device has."""

_NUMBERS: dict[int, tuple[Kind, Any]] = {
    TagNumber.unsigned: ("unsigned", Unsigned),
    TagNumber.integer: ("signed", Integer),
    TagNumber.real: ("real", Real),
    TagNumber.double: ("real", Double),
    TagNumber.enumerated: ("enumerated", Enumerated),
}

logging.getLogger("bacpypes3").setLevel(logging.CRITICAL)


@dataclass(frozen=True, slots=True)
class Found:
    """A device that answered to its instance number."""

    address: Address
    longest_answer: int


class _Reader(Application):  # type: ignore[misc]
    """The library's application without what it could do to others, or for them."""

    def __init__(self) -> None:
        super().__init__()
        self.heard: asyncio.Queue[IAmRequest] | None = None
        """Devices that say who they are, while somebody asks."""

    def request(self, apdu: Any) -> asyncio.Future[Any]:
        if not isinstance(apdu, ASKS):
            raise LinkError(
                said("refused to send {what} over BACnet: this program only reads", what=type(apdu).__name__)
            )
        answer: asyncio.Future[Any] = super().request(apdu)
        return answer

    async def indication(self, apdu: Any) -> None:
        if isinstance(apdu, IAmRequest):
            if self.heard is not None:
                self.heard.put_nowait(apdu)
        elif isinstance(apdu, ConfirmedRequestPDU):
            await self.response(RejectPDU(reason=RejectReason.unrecognizedService, context=apdu))


class _Port(Server, asyncio.DatagramProtocol):  # type: ignore[misc]
    """One UDP port, under the BACnet/IP codec."""

    def __init__(self, broadcasts: Sequence[tuple[str, int]]) -> None:
        super().__init__()
        self._broadcasts = tuple(broadcasts)
        self._transport: asyncio.DatagramTransport | None = None
        self._handling: set[asyncio.Task[None]] = set()
        self.trouble = ""

    async def open(self, local: tuple[str, int]) -> None:
        """Raises OSError."""
        loop = asyncio.get_running_loop()
        self._transport, _ = await loop.create_datagram_endpoint(lambda: self, local_addr=local, allow_broadcast=True)

    def close(self) -> None:
        if self._transport is not None:
            self._transport.close()
        for task in self._handling:
            task.cancel()

    async def indication(self, pdu: Any) -> None:
        to = pdu.pduDestination
        places = self._broadcasts
        if not isinstance(to, LocalBroadcast):
            places = (to.addrTuple if isinstance(to, IPv4Address) else IPv4Address(to).addrTuple,)
        if self._transport is not None:
            self.trouble = ""
            for place in places:
                self._transport.sendto(bytes(pdu.pduData), place)

    def datagram_received(self, data: bytes, addr: tuple[str, int]) -> None:
        task = asyncio.create_task(self._take(PDU(data, source=IPv4Address(addr))))
        self._handling.add(task)
        task.add_done_callback(self._handling.discard)

    def error_received(self, exc: Exception) -> None:
        self.trouble = str(exc)

    async def _take(self, pdu: Any) -> None:
        try:
            await self.response(pdu)
        except Exception as error:  # anybody may send anything to an open port; it is not for us
            logging.getLogger("bacpypes3").debug("datagram dropped: %r", error)


class Stack:
    """One reader on one port."""

    def __init__(self, local: tuple[str, int], broadcasts: Sequence[tuple[str, int]], timeout_s: float) -> None:
        self._local = local
        self._timeout_s = timeout_s
        self._port = _Port(broadcasts)
        self._app = _Reader()
        self._app.asap = ApplicationServiceAccessPoint(None, self._app.device_info_cache)
        self._app.asap.numberOfApduRetries = 1
        self._app.asap.apduTimeout = int(1000 * timeout_s)
        self._app.asap.maxApduLengthAccepted = LONGEST_ANSWER
        self._app.asap.maxSegmentsAccepted = None  # answers in one piece are asked for
        self._app.nsap = NetworkServiceAccessPoint()
        self._app.nse = NetworkServiceElement()
        bip, codec = BIPNormal(), BVLLCodec()
        bind(self._app.nse, self._app.nsap)
        bind(self._app, self._app.asap, self._app.nsap)
        bind(bip, codec, self._port)
        self._app.nsap.bind(bip)
        self._at_once = 1
        self._multiple = True

    async def open(self) -> None:
        """Take the port; raises OSError."""
        await self._port.open(self._local)

    def close(self) -> None:
        """Give the port back."""
        self._port.close()

    async def find(self, instance: int, patience_s: float) -> tuple[Found, ...]:
        """Whoever answers to this device instance; asked for twice, and waited for a little after the first answer."""
        heard: asyncio.Queue[IAmRequest] = asyncio.Queue()
        self._app.heard = heard
        try:
            return await self._found(heard, instance, patience_s)
        finally:
            self._app.heard = None

    async def _found(self, heard: asyncio.Queue[IAmRequest], instance: int, patience_s: float) -> tuple[Found, ...]:
        found: dict[str, Found] = {}
        loop = asyncio.get_running_loop()
        end_s = loop.time() + patience_s
        ask_at_s = [loop.time(), loop.time() + patience_s / 3.0]
        while (now_s := loop.time()) < end_s:
            if ask_at_s and now_s >= ask_at_s[0] and not found:
                ask_at_s.pop(0)
                self._app.request(
                    WhoIsRequest(
                        destination=GlobalBroadcast(),
                        deviceInstanceRangeLowLimit=instance,
                        deviceInstanceRangeHighLimit=instance,
                    )
                )
            until_s = min(end_s, ask_at_s[0]) if ask_at_s and not found else end_s
            try:
                async with asyncio.timeout(max(0.0, until_s - now_s)):
                    i_am = await heard.get()
            except TimeoutError:
                continue
            if i_am.iAmDeviceIdentifier[1] != instance:
                continue
            if not found:
                end_s = min(end_s, loop.time() + patience_s / 6.0)
            found[str(i_am.pduSource)] = Found(i_am.pduSource, int(i_am.maxAPDULengthAccepted))
        return tuple(found.values())

    async def meet(self, address: Address, longest_answer: int | None) -> None:
        """Find out how much the device can answer at once; raises LinkError where it does not answer at all."""
        self._multiple = True
        if longest_answer is None:
            answer = await self._property(address, THIS_DEVICE, "max-apdu-length-accepted")
            known = isinstance(answer, Value) and answer.kind == "unsigned" and answer.number >= 50
            longest_answer = int(answer.number) if isinstance(answer, Value) and known else SMALLEST_ANSWER
        self._at_once = max(1, (min(longest_answer, LONGEST_ANSWER) - 3) // ANSWER_OCTETS)

    async def read(self, address: Address, wanted: Mapping[str, Sequence[str]]) -> dict[Key, Value | Refused]:
        """Properties by object and name, in as few requests as fit; raises LinkError where nobody answers."""
        got: dict[Key, Value | Refused] = {}
        rest = list(wanted.items())
        while rest:
            block, rest = rest[: self._at_once], rest[self._at_once :]
            got |= await self._block(address, block)
        return got

    async def _block(self, address: Address, block: Sequence[tuple[str, Sequence[str]]]) -> dict[Key, Value | Refused]:
        if self._multiple:
            try:
                answer = await self._ask(ReadPropertyMultipleRequest(listOfReadAccessSpecs=_specs(block)), address)
            except ErrorRejectAbortNack as refused:
                reason = int(getattr(refused, "apduAbortRejectReason", None) or 0)
                if isinstance(refused, RejectPDU) and reason == RejectReason.unrecognizedService:
                    self._multiple = False
                elif len(block) > 1:
                    half = (len(block) + 1) // 2
                    if isinstance(refused, AbortPDU) and reason in TOO_LONG:
                        self._at_once = min(self._at_once, half)
                    return await self._block(address, block[:half]) | await self._block(address, block[half:])
            else:
                got = _results(answer)
                if all((name, one) in got for name, properties in block for one in properties):
                    return got
        return {(name, one): await self._property(address, name, one) for name, ps in block for one in ps}

    async def _property(self, address: Address, name: str, one: str) -> Value | Refused:
        request = ReadPropertyRequest(
            objectIdentifier=ObjectIdentifier(name), propertyIdentifier=PropertyIdentifier(one)
        )
        try:
            answer = await self._ask(request, address)
        except ErrorRejectAbortNack as refused:
            return Refused(_why(refused))
        if not isinstance(answer, ReadPropertyACK):
            return Refused(said("another answer than was asked for"))
        return _value(answer.propertyValue.tagList, one)

    async def _ask(self, request: Any, address: Address) -> Any:
        """One request and its answer; raises LinkError for no answer, ErrorRejectAbortNack for any other refusal."""
        request.pduDestination = address
        try:
            async with asyncio.timeout(3.0 * self._timeout_s):  # the two attempts of the library end before that
                return await self._app.request(request)
        except AbortPDU as refused:
            if int(refused.apduAbortRejectReason or 0) != NO_RESPONSE:
                raise
            raise self._nobody(address) from None
        except TimeoutError:
            raise self._nobody(address) from None

    def _nobody(self, address: Address) -> LinkError:
        text = said(
            "BACnet device at {address}: no answer within {wait} s, asked twice",
            address=str(address),
            wait=figure(self._timeout_s, "g"),
        )
        if self._port.trouble:
            text = said("{text} ({why})", text=text, why=self._port.trouble)
        return LinkError(
            text,
            hint=said("check that the device is on, its address and port, and that no firewall drops UDP in between"),
        )


def _specs(block: Sequence[tuple[str, Sequence[str]]]) -> list[ReadAccessSpecification]:
    return [
        ReadAccessSpecification(
            objectIdentifier=ObjectIdentifier(name),
            listOfPropertyReferences=[
                PropertyReference(propertyIdentifier=PropertyIdentifier(one)) for one in properties
            ],
        )
        for name, properties in block
    ]


def _results(answer: Any) -> dict[Key, Value | Refused]:
    """Every property in an answer to ReadPropertyMultiple, as far as it holds any."""
    got: dict[Key, Value | Refused] = {}
    if not isinstance(answer, ReadPropertyMultipleACK):
        return got
    for result in answer.listOfReadAccessResults or ():
        kind, instance = result.objectIdentifier
        for element in result.listOfResults or ():
            one, read = str(element.propertyIdentifier), element.readResult
            if read.propertyAccessError is not None:
                got[f"{kind}:{instance}", one] = Refused(str(read.propertyAccessError.errorCode))
            elif read.propertyValue is not None:
                got[f"{kind}:{instance}", one] = _value(read.propertyValue.tagList, one)
    return got


def _value(tags: TagList | None, one: str) -> Value:
    """One primitive value as it was tagged, whatever the standard says of its property."""
    inner = [tag for tag in tags or () if tag.tag_class not in (TagClass.opening, TagClass.closing)]
    if len(inner) != 1 or inner[0].tag_class != TagClass.application:
        return Value("other")
    tag = inner[0]
    number = int(tag.tag_number)
    try:
        if number == TagNumber.null:
            return Value("null")
        if number == TagNumber.boolean:
            return Value("boolean", float(tag.tag_lvt))
        if number in _NUMBERS:
            kind, read = _NUMBERS[number]
            return Value(kind, float(read.decode(TagList([tag]))))
        if number == TagNumber.bitString and one == "status-flags":
            bits = StatusFlags.decode(TagList([tag]))
            return Value("flags", flags=frozenset(flag for flag, on in zip(FLAGS, bits, strict=False) if on))
    except Exception:  # whatever the library says of octets that are no value of their tag
        return Value("other")
    return Value("other")


def _why(refused: BaseException) -> str:
    if isinstance(refused, ErrorPDU):
        return str(getattr(refused, "errorCode", "error"))
    reason = str(refused.apduAbortRejectReason)  # type: ignore[attr-defined]
    if isinstance(refused, RejectPDU):
        return said("rejected: {reason}", reason=reason)
    return said("aborted: {reason}", reason=reason)
