"""The control port: hands on the rig from another process. Not Modbus, loopback only, one JSON document a line.

On connecting the rig says who it is (`Greeting`). After that every line to it is a `Request` and is answered by a
`Reply` with the same `id`; after a request to `watch`, marks of the rig's witnesses come in between as `Seen`.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable
from typing import Literal

from pydantic import ValidationError

from gaswitness.errors import GaswitnessError, LinkError
from gaswitness.links.rig.commands import Command, obey
from gaswitness.links.rig.hands import PressQueue
from gaswitness.links.rig.instruments import measured_at
from gaswitness.links.rig.pace import RigTime
from gaswitness.links.rig.world import World
from gaswitness.plan.records import Step
from gaswitness.records import Kept, Record, first_complaint
from gaswitness.run.measured import Measured
from gaswitness.run.ports import Press
from gaswitness.sentence import kept, said
from gaswitness.site.records import Pattern

CONTROL_FORMAT: Literal["gaswitness/rig/1"] = "gaswitness/rig/1"
LOOPBACK = "127.0.0.1"


class Greeting(Record):
    """First line from the rig."""

    rig: Literal["gaswitness/rig/1"] = CONTROL_FORMAT
    site: str
    speed: float
    seed: int
    modbus: str
    """HOST:PORT of its panel."""


class Request(Record):
    """A line to the rig."""

    id: int
    ask: Literal["now", "watch", "faults", "lead"] | None = None
    """`lead`: from now on the rig's time stands, and moves to `to_s` when this connection asks again."""
    to_s: float | None = None
    command: Command | None = None
    measure: Step | None = None
    """A step at which the rig's people read an instrument."""


class Reply(Record):
    """The rig's answer; `now_s` is its clock when it was done."""

    id: int
    now_s: float
    error: str = ""
    wording: Kept | None = None
    """How the error was made, so that it can be told in another language."""
    faults: tuple[str, ...] = ()
    measured: Measured | None = None


class Seen(Record):
    """A mark that one of the rig's witnesses pressed; `t_s` on the rig's clock."""

    mark_id: str
    post: str
    witness: str
    signal: str
    on: bool
    t_s: float
    u_s: float
    pattern: Pattern | None = None


class ControlServer:
    """Listens on the loopback address and lets hands act on a world."""

    def __init__(
        self, world: World, greeting: Greeting, clock: RigTime, catch_up: Callable[[], None], instance: str
    ) -> None:
        self._world = world
        self._clock = clock
        self._leader: asyncio.StreamWriter | None = None
        self._greeting = greeting
        self._catch_up = catch_up
        self._presses = PressQueue(world, instance)
        self._watchers: set[asyncio.StreamWriter] = set()
        self._server: asyncio.Server | None = None
        self._spread: asyncio.Task[None] | None = None
        self.port = 0

    async def start(self, port: int) -> None:
        """Listen; port 0 takes any free one; raises OSError where it is taken."""
        self._server = await asyncio.start_server(self._serve, LOOPBACK, port)
        self.port = self._server.sockets[0].getsockname()[1]
        self._spread = asyncio.create_task(self._spread_presses())

    async def stop(self) -> None:
        """Let everybody go."""
        if self._spread is not None:
            self._spread.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._spread
        if self._server is not None:
            self._server.close()
        for writer in tuple(self._watchers):
            writer.close()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            _send(writer, self._greeting)
            while line := await reader.readline():
                reply = self._answer(line, writer)
                if writer is self._leader:
                    await asyncio.sleep(0)  # marks that have become due go out before the answer
                _send(writer, reply)
                await writer.drain()
        except (OSError, ValueError):
            pass  # gone, or sent something far too long
        finally:
            self._watchers.discard(writer)
            if writer is self._leader:
                self._leader = None
                self._clock.run_free()
            writer.close()

    def _answer(self, line: bytes, writer: asyncio.StreamWriter) -> Reply:
        self._catch_up()
        number, measured = 0, None
        try:
            request = Request.model_validate_json(line)
            number = request.id
            if request.command is not None:
                obey(self._world, request.command)
            if request.measure is not None:
                measured = measured_at(self._world, request.measure)
            if request.ask == "lead":
                self._lead(request.to_s, writer)
            if request.ask == "watch":
                self._watchers.add(writer)
                for press in self._presses.present(self._world.now_s):
                    _send(writer, _seen(press))
        except ValidationError as error:
            return self._refusal(number, said("not a request: {why}", why=first_complaint(error)))
        except GaswitnessError as error:
            return self._refusal(number, error.message)
        faults = tuple(map(str, self._world.faults))
        return Reply(id=number, now_s=self._world.now_s, faults=faults, measured=measured)

    def _refusal(self, number: int, why: str) -> Reply:
        return Reply(id=number, now_s=self._world.now_s, error=why, wording=kept(why))

    def _lead(self, to_s: float | None, writer: asyncio.StreamWriter) -> None:
        if self._leader not in (None, writer):
            raise LinkError(
                said("another run leads this rig's time"), hint=said("let it end, or start a rig of your own")
            )
        self._leader = writer
        self._clock.lead(to_s)
        self._catch_up()

    async def _spread_presses(self) -> None:
        while True:
            seen = _seen(await self._presses.next())
            for writer in tuple(self._watchers):
                _send(writer, seen)


def _send(writer: asyncio.StreamWriter, record: Record) -> None:
    if not writer.is_closing():
        writer.write(record.model_dump_json().encode() + b"\n")


def _seen(press: Press) -> Seen:
    return Seen(
        mark_id=press.mark_id,
        post=press.post,
        witness=press.witness,
        signal=press.signal,
        on=press.on,
        t_s=press.t_s,
        u_s=press.u_s,
        pattern=press.pattern,
    )
