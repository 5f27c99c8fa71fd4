"""Bytes on the wire against the examples printed in the standard.

Source: MODBUS Application Protocol Specification V1.1b3, sections 6.1 (read coils 20 to 38), 6.2 (read discrete inputs
197 to 218), 6.3 (read holding registers 108 to 110) and 6.4 (read input register 9); their numbers count from 1, the
wire from 0. Header after the MODBUS Messaging on TCP/IP Implementation Guide V1.0b, section 3.1.3. From memory.

Check sums: MODBUS over Serial Line V1.02, section 6.2.2 (02 07 gives 41 12 on the wire), from memory; the others by an
independent CRC-16 (start 0xFFFF, polynomial 0xA001 reflected, low byte first).
"""

from __future__ import annotations

import ast
import asyncio
import inspect
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager

import pytest
from pymodbus.client import AsyncModbusTcpClient
from pymodbus.framer.rtu import FramerRTU
from pymodbus.pdu.register_message import WriteSingleRegisterRequest

from gaswitness.errors import LinkError
from gaswitness.links import modbus
from gaswitness.links.modbus import ModbusLink
from support.rigs import link_spec, ravensmoor

EXAMPLES = {
    1: ("01 0013 0013", "01 03 CD 6B 05"),
    2: ("02 00C4 0016", "02 03 AC DB 35"),
    3: ("03 006B 0003", "03 06 022B 0000 0064"),
    4: ("04 0008 0001", "04 02 000A"),
}
COILS = ((1, 19), (2, 26), (3, 30), (4, 37))
INPUTS = ((5, 196), (6, 204), (7, 212))


@asynccontextmanager
async def answering(answer: Callable[[bytes], bytes]) -> AsyncIterator[tuple[str, list[bytes]]]:
    """A listener that keeps the request units it gets, and answers each as told."""
    asked: list[bytes] = []

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            while header := await reader.readexactly(7):
                asked.append(await reader.readexactly(int.from_bytes(header[4:6], "big") - 1))
                reply = answer(asked[-1])
                writer.write(header[:4] + (len(reply) + 1).to_bytes(2, "big") + header[6:7] + reply)
                await writer.drain()
        except (asyncio.IncompleteReadError, ConnectionError):
            pass
        finally:
            writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    try:
        yield f"modbus-tcp://127.0.0.1:{server.sockets[0].getsockname()[1]}", asked
    finally:
        server.close()


def data(text: str) -> bytes:
    return bytes.fromhex(text.replace(" ", ""))


async def test_requests_and_answers_are_those_printed_in_the_standard() -> None:
    answers = {data(request): data(reply) for request, reply in EXAMPLES.values()}
    async with answering(lambda request: answers[request]) as (url, asked):
        spec = link_spec(
            url,
            [
                {"signal": "NH3-1.reading", "function": 3, "address": 107, "type": "uint16"},
                {"signal": "NH3-2.reading", "function": 3, "address": 108, "type": "uint16"},
                {"signal": "CO-1.reading", "function": 3, "address": 109, "type": "uint16"},
                {"signal": "O2-1.reading", "function": 4, "address": 8, "type": "uint16"},
            ],
            [
                *({"signal": f"LAMP-{n}.on", "function": 1, "address": a} for n, a in COILS),
                *({"signal": f"LAMP-{n}.on", "function": 2, "address": a} for n, a in INPUTS),
                {"signal": "FAULT-LAMP.on", "function": 2, "address": 217},
            ],
            unit_id=17,
        )
        link = ModbusLink(spec, ravensmoor())
        await link.open()
        seen = await link.poll()
        await link.close()
    assert sorted(asked) == sorted(answers)
    shown = {tag: reading.value_ppm for tag, reading in seen.readings.items()}
    assert shown == {"NH3-1": 0x22B, "NH3-2": 0, "CO-1": 100, "O2-1": 10}
    # Coils 27 to 20: CD, 35 to 28: 6B, 38 to 36: 05. Inputs 204 to 197: AC, 212 to 205: DB, 218 to 213: 35.
    lit = {f"LAMP-{n}.on": on for n, on in enumerate((True, True, True, True, False, True, True), start=1)}
    assert seen.status == {**lit, "FAULT-LAMP.on": True}


@pytest.mark.parametrize(
    ("body", "on_the_wire"),
    [
        ("02 07", "41 12"),
        ("01 03 00 00 00 0A", "C5 CD"),
        ("01 03 00 6B 00 03", "74 17"),
        ("11 03 00 6B 00 03", "76 87"),
        ("01 04 00 00 00 01", "31 CA"),
    ],
)
def test_check_sums_of_the_library_we_stand_on(body: str, on_the_wire: str) -> None:
    assert FramerRTU.compute_CRC(data(body)).to_bytes(2, "big") == data(on_the_wire)


@pytest.mark.parametrize(("code", "words"), [(2, "illegal data address"), (6, "busy"), (11, "failed to respond")])
async def test_an_exception_reply_is_told_in_words(code: int, words: str) -> None:
    async with answering(lambda request: bytes([request[0] | 0x80, code])) as (url, _):
        spec = link_spec(url, [{"signal": "NH3-1.reading", "function": 3, "address": 107, "type": "uint16"}], [])
        link = ModbusLink(spec, ravensmoor())
        await link.open()
        with pytest.raises(LinkError, match=rf"holding registers 107 to 107: .*exception {code}, .*{words}"):
            await link.poll()
        await link.close()


async def test_a_write_is_stopped_before_a_byte_is_sent() -> None:
    async with answering(lambda request: request) as (url, asked):
        link = ModbusLink(link_spec(url, [], []), ravensmoor())
        await link.open()
        client = link._client
        assert isinstance(client, AsyncModbusTcpClient)
        for function in range(5, 128):
            request = WriteSingleRegisterRequest(address=1, registers=[3], dev_id=1)
            request.function_code = function
            with pytest.raises(LinkError, match="only reads"):
                await client.execute(False, request)
        await link.close()
    assert asked == []


def test_the_module_calls_nothing_but_the_four_reads() -> None:
    tree = ast.parse(inspect.getsource(modbus))
    named = {node.attr for node in ast.walk(tree) if isinstance(node, ast.Attribute)}
    on_client = named & {name for name in dir(AsyncModbusTcpClient) if not name.startswith("_")}
    assert on_client <= {
        "read_coils",
        "read_discrete_inputs",
        "read_holding_registers",
        "read_input_registers",
        "connect",
        "connected",
        "close",
    }
