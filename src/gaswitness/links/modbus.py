"""The Modbus link, TCP and RTU: asks with function codes 01 to 04 and nothing else.

There is no call here that could change anything in a device. Should a future edit bring one in, `_reads_only` stops
the request before a byte of it is sent.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Awaitable, Callable, Sequence
from typing import Any
from urllib.parse import parse_qs, unquote, urlsplit

from pymodbus.client import AsyncModbusSerialClient, AsyncModbusTcpClient
from pymodbus.exceptions import ModbusException
from pymodbus.pdu import ModbusPDU

from gaswitness.clock import Clock, SystemClock
from gaswitness.errors import InputError, LinkError
from gaswitness.links import registers
from gaswitness.links.patience import Patience
from gaswitness.links.registers import Block, plausible_orders
from gaswitness.run.ports import Polled
from gaswitness.sentence import figure, listed, said
from gaswitness.site.records import Site
from gaswitness.site.wires import LinkSpec, RegisterEntry

__all__ = ["ModbusLink", "plausible_orders"]

READ_FUNCTIONS = {
    1: said("coils"),
    2: said("discrete inputs"),
    3: said("holding registers"),
    4: said("input registers"),
}
TCP = said("modbus-tcp://HOST:PORT, port 1 to 65535")

_EXCEPTIONS = {
    1: (
        said("illegal function"),
        said("the device does not know this function code; try 3 instead of 4, or 1 instead of 2"),
    ),
    2: (
        said("illegal data address"),
        said("the map names a register that the device does not have; addresses here count from 0"),
    ),
    3: (said("illegal data value"), said("the device refuses this many registers in one request")),
    4: (said("server device failure"), said("the device itself reports a failure")),
    5: (said("acknowledge"), said("the device is still at work on an earlier request")),
    6: (said("server device busy"), said("poll less often")),
    8: (said("memory parity error"), said("the device itself reports a failure")),
    10: (said("gateway path unavailable"), said("the gateway is not set up for this unit")),
    11: (
        said("gateway target failed to respond"),
        said("the unit behind the gateway does not answer; check unit_id and its supply"),
    ),
}
"""Exception codes of the MODBUS Application Protocol Specification V1.1b3, section 7 (from memory)."""

logging.getLogger("pymodbus.logging").setLevel(logging.CRITICAL)


def _reads_only(sending: bool, pdu: ModbusPDU) -> ModbusPDU:
    if sending and pdu.function_code not in READ_FUNCTIONS:
        raise LinkError(
            said("refused to send Modbus function {code}: this program only reads", code=str(pdu.function_code))
        )
    return pdu


class ModbusLink:
    """Readings and status of one Modbus unit, by the register map of the site.

    `clock` is the run's clock, on which the pauses between attempts to connect again are counted; `timeout_s` is in
    seconds of real time, since the wire does not know of a scaled clock.
    """

    def __init__(self, spec: LinkSpec, site: Site, *, clock: Clock | None = None, timeout_s: float = 1.0) -> None:
        self.url = spec.url
        self.poll_s = spec.poll_s
        self._spec = spec
        self._timeout_s = timeout_s
        self._detectors = registers.detectors(spec, site)
        self._blocks = registers.blocks(
            [*map(registers.register_span, spec.registers), *map(registers.bit_span, spec.bits)]
        )
        self._client: AsyncModbusTcpClient | AsyncModbusSerialClient | None = None
        self._make = _client_maker(spec.url, timeout_s)
        self._patience = Patience(spec.url, clock or SystemClock())

    async def open(self) -> None:
        """Connect; raises LinkError when nobody answers there."""
        if self._client is None:
            self._client = self._make()
        if not self._client.connected and not await self._client.connect():
            self._client.close()
            raise LinkError(
                said("{url}: could not connect within {wait} s", url=self.url, wait=figure(self._timeout_s, "g")),
                hint=said(
                    "check address, port and cable; see that the device is on and serves Modbus here, "
                    "and that no other program holds its only connection"
                ),
            )
        self._patience.succeeded()

    async def poll(self) -> Polled:
        """Everything in the map, read once; raises LinkError. Connects again by itself, waiting longer each time."""
        await self._mend()
        words: dict[tuple[int, int], int] = {}
        for block in self._blocks:
            for at, word in enumerate(await self._read(block)):
                words[block.function, block.start + at] = word
        return registers.polled(self._spec, self._detectors, words)

    async def close(self) -> None:
        """Let go of the connection."""
        if self._client is not None:
            self._client.close()
            self._client = None
            await asyncio.sleep(0)

    async def read_words(self, entry: RegisterEntry) -> tuple[int, ...]:
        """The bare registers behind one number, for finding out about a word order; raises LinkError."""
        await self._mend()
        return tuple(await self._read(Block(*registers.register_span(entry))))

    async def _mend(self) -> None:
        if self._client is not None and self._client.connected:
            return
        self._patience.check()
        try:
            await self.open()
        except LinkError:
            self._patience.failed()
            raise

    async def _read(self, block: Block) -> Sequence[int]:
        if self._client is None:
            raise LinkError(said("{url}: not open", url=self.url))
        ask: Callable[..., Awaitable[ModbusPDU]] = {
            1: self._client.read_coils,
            2: self._client.read_discrete_inputs,
            3: self._client.read_holding_registers,
            4: self._client.read_input_registers,
        }[block.function]
        where = said(
            "{url}, unit {unit}, {kind} {first} to {last}",
            url=self.url,
            unit=self._spec.unit_id,
            kind=READ_FUNCTIONS[block.function],
            first=block.start,
            last=block.start + block.count - 1,
        )
        try:
            answer = await ask(block.start, count=block.count, device_id=self._spec.unit_id)
        except (ModbusException, OSError) as error:
            await self._drop()
            raise LinkError(
                said("{where}: no answer within {wait} s", where=where, wait=figure(self._timeout_s, "g")),
                hint=said("check the cable, the unit number and, on a serial line, speed and parity"),
            ) from error
        if answer.isError():
            name, hint = _EXCEPTIONS.get(answer.exception_code, (said("unknown exception"), ""))
            code = answer.exception_code
            raise LinkError(
                said("{where}: the device answered exception {code}, {name}", where=where, code=code, name=name),
                hint=hint,
            )
        got: Sequence[int] = answer.bits if block.function in (1, 2) else answer.registers
        if len(got) < block.count:
            raise LinkError(
                said(
                    "{where}: the device sent {count} values, expected {expected}",
                    where=where,
                    count=len(got),
                    expected=block.count,
                )
            )
        return got[: block.count]

    async def _drop(self) -> None:
        """Let a connection go that has stopped answering, so that the next poll makes a fresh one."""
        await self.close()


def _client_maker(url: str, timeout_s: float) -> Callable[[], AsyncModbusTcpClient | AsyncModbusSerialClient]:
    common: dict[str, Any] = {
        "timeout": timeout_s,
        "retries": 1,
        "reconnect_delay": 0.0,
        "trace_pdu": _reads_only,
    }
    try:
        parts = urlsplit(url)
        host, port = (parts.hostname, parts.port or 502) if parts.scheme == "modbus-tcp" else (None, 0)
    except ValueError as error:
        raise InputError(said("not an address"), where=said("link"), found=url, expected=TCP) from error
    if parts.scheme == "modbus-tcp":
        if not host:
            raise InputError(said("not an address"), where=said("link"), found=url, expected=TCP)
        return lambda: AsyncModbusTcpClient(host, port=port, **common)
    if parts.scheme == "modbus-rtu":
        serial = _serial_options(url)
        return lambda: AsyncModbusSerialClient(**serial, **common)
    raise InputError(
        said("not a Modbus link"),
        where=said("link"),
        found=url,
        expected=listed(["modbus-tcp://...", "modbus-rtu://..."], " or "),
    )


def _serial_options(url: str) -> dict[str, Any]:
    """Serial port and its settings: `modbus-rtu:///dev/ttyUSB0?baud=9600&parity=N&stop=1`, `modbus-rtu://COM3`.

    The serial-line guide of the Modbus specification makes 19200 baud with even parity the default (from memory).
    """
    parts = urlsplit(url)
    port = unquote(parts.netloc + parts.path)
    if port.startswith("/COM"):
        port = port[1:]
    asked = {key: values[-1] for key, values in parse_qs(parts.query).items()}
    expected = "modbus-rtu:///dev/ttyUSB0?baud=19200&parity=E&stop=1"
    try:
        baud, parity, stop = int(asked.pop("baud", "19200")), asked.pop("parity", "E"), int(asked.pop("stop", "1"))
    except ValueError as error:
        raise InputError(said("not a serial line"), where=said("link"), found=url, expected=expected) from error
    if not port or asked or parity not in ("E", "O", "N") or stop not in (1, 2) or baud <= 0:
        raise InputError(said("not a serial line"), where=said("link"), found=url, expected=expected)
    try:
        import serial  # noqa: F401
    except ImportError as error:
        raise LinkError(
            said("{url}: a serial line needs one more package", url=url),
            hint=said("install it: {command}", command="pip install 'gaswitness[serial]'"),
        ) from error
    return {"port": port, "baudrate": baud, "parity": parity, "stopbits": stop}
