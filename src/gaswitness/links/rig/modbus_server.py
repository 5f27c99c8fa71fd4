"""The simulated panel on a real wire: Modbus TCP, functions 01 to 04; every other function is refused as illegal."""

from __future__ import annotations

import logging
from collections.abc import Callable

from pymodbus.constants import ExcCodes
from pymodbus.datastore import ModbusServerContext
from pymodbus.pdu import ExceptionResponse, ModbusPDU
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from gaswitness.errors import LinkError
from gaswitness.links import registers
from gaswitness.links.rig.regmap import words_of
from gaswitness.links.rig.world import World
from gaswitness.site.wires import LinkSpec

READ_FUNCTIONS = (1, 2, 3, 4)
HIGHEST_FUNCTION = 127

logging.getLogger("pymodbus.logging").setLevel(logging.CRITICAL)


def _refusal(function: int) -> type[ModbusPDU]:
    """A request of this function, whatever it holds, answered with exception 01."""

    class Refused(ModbusPDU):
        function_code = function

        async def datastore_update(self, context: ModbusServerContext, device_id: int) -> ModbusPDU:  # noqa: ARG002
            return ExceptionResponse(function, ExcCodes.ILLEGAL_FUNCTION)

    return Refused


class PanelServer:
    """Serves one world; `catch_up` brings the world to the present before each answer."""

    def __init__(self, world: World, maps: tuple[LinkSpec, ...], host: str, catch_up: Callable[[], None]) -> None:
        self.host = host
        self.port = 0
        self._world = world
        self._maps = maps
        self._catch_up = catch_up
        self._server: ModbusTcpServer | None = None

    @property
    def up(self) -> bool:
        """Whether anybody could connect now."""
        return self._server is not None

    async def start(self, port: int) -> None:
        """Listen; port 0 takes any free one. Raises LinkError where the port is taken."""
        devices = [self._device(unit, [m for m in self._maps if m.unit_id == unit]) for unit in self._units()]
        server = ModbusTcpServer(
            devices,
            address=(self.host, port),
            custom_pdu=[_refusal(f) for f in range(HIGHEST_FUNCTION + 1) if f not in READ_FUNCTIONS],
        )
        try:
            await server.serve_forever(background=True)
        except RuntimeError as error:
            raise LinkError(
                f"{self.host}:{port}: could not listen",
                hint="another program may hold this port; choose another with --port, or 0 for any free one",
            ) from error
        self._server = server
        sockets = getattr(server.transport, "sockets", ())
        self.port = sockets[0].getsockname()[1] if sockets else port

    async def stop(self) -> None:
        """Drop every connection and listen no more."""
        if self._server is not None:
            server, self._server = self._server, None
            await server.shutdown()  # type: ignore[no-untyped-call]

    async def follow(self) -> None:
        """Be on the wire exactly while the world's wire is up."""
        if self._world.link_up and not self.up:
            await self.start(self.port)
        elif not self._world.link_up and self.up:
            await self.stop()

    def _units(self) -> list[int]:
        return sorted({spec.unit_id for spec in self._maps})

    def _device(self, unit: int, maps: list[LinkSpec]) -> SimDevice:
        ends: dict[int, int] = {}
        firsts: dict[int, int] = {}
        for spec in maps:
            for function, start, count in [
                *map(registers.register_span, spec.registers),
                *map(registers.bit_span, spec.bits),
            ]:
                ends[function] = max(ends.get(function, 0), start + count)
                firsts[function] = min(firsts.get(function, start), start)

        async def refresh(
            function: int,
            start: int,
            address: int,
            count: int,
            held: list[int],
            values: list[int] | list[bool] | None,
        ) -> ExcCodes | None:
            if function not in READ_FUNCTIONS or values is not None:
                return ExcCodes.ILLEGAL_FUNCTION
            size = 1 if function in (1, 2) else count
            if function not in ends or address < firsts[function] or address + size > ends[function]:
                return ExcCodes.ILLEGAL_ADDRESS
            self._catch_up()
            if not self._world.link_up:
                await self.stop()
                return ExcCodes.DEVICE_FAILURE
            self._fill(maps, function, start, held)
            return None

        return SimDevice(
            id=unit,
            simdata=(
                [_bits(firsts.get(1, 0), ends.get(1, 1))],
                [_bits(firsts.get(2, 0), ends.get(2, 1))],
                [_words(firsts.get(3, 0), ends.get(3, 1))],
                [_words(firsts.get(4, 0), ends.get(4, 1))],
            ),
            action=refresh,
        )

    def _fill(self, maps: list[LinkSpec], function: int, start: int, held: list[int]) -> None:
        world = self._world
        for at in range(len(held)):
            held[at] = 0
        for spec in maps:
            words = words_of(spec, world.site, world.readings(), world.status(), world.swapped)
            for (code, address), word in words.items():
                if code != function:
                    continue
                if function in (1, 2):
                    held[address // 16 - start] |= (word & 1) << (address % 16)
                else:
                    held[address - start] |= word


def _bits(first: int, end: int) -> SimData:
    return SimData(first, values=[False] * (end - first), datatype=DataType.BITS)


def _words(first: int, end: int) -> SimData:
    return SimData(first, values=[0] * (end - first), datatype=DataType.REGISTERS)
