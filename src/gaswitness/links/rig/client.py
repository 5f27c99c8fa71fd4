"""Hands on a rig in another process, over its control port, with its instants brought to the run's clock."""

from __future__ import annotations

import asyncio
import contextlib
import json
import math
from collections.abc import AsyncIterator, Callable
from contextlib import AbstractContextManager
from urllib.parse import urlsplit

from pydantic import ValidationError

from gaswitness.clock import Clock
from gaswitness.errors import LinkError
from gaswitness.evidence.timeline import Offset, offset_from_exchange
from gaswitness.links.rig.commands import Command, command_for
from gaswitness.links.rig.control import CONTROL_FORMAT, LOOPBACK, Greeting, Reply, Request, Seen
from gaswitness.links.rig.hands import HAND_U_S, take_time
from gaswitness.plan.records import MEASURED, Step
from gaswitness.run.ports import Answer, Press
from gaswitness.sentence import figure, said

EXCHANGES = 8
"""Readings of the rig's clock on connecting; the one that came back soonest counts."""
PATIENCE_S = 5.0
"""Real seconds to wait for an answer."""


def control_port_of(url: str) -> int | None:
    """Where the control port of a rig behind this link would be; none for a link that leaves this machine.

    >>> control_port_of("modbus-tcp://127.0.0.1:15020"), control_port_of("modbus-tcp://192.0.2.10:502")
    (15021, None)
    """
    try:
        parts = urlsplit(url)
        port = parts.port
    except ValueError:
        return None
    if parts.scheme != "modbus-tcp" or parts.hostname not in (LOOPBACK, "localhost") or not port:
        return None
    return port + 1


async def greeting_of(port: int) -> Greeting | None:
    """Who serves this loopback port, if it is a rig; nothing is sent to find out."""
    try:
        async with asyncio.timeout(1.0):
            reader, writer = await asyncio.open_connection(LOOPBACK, port)
    except (OSError, TimeoutError):
        return None
    try:
        async with asyncio.timeout(1.0):
            return Greeting.model_validate_json(await reader.readline())
    except (OSError, TimeoutError, ValueError):
        return None
    finally:
        await _closed(writer)


async def _closed(writer: asyncio.StreamWriter) -> None:
    writer.close()
    with contextlib.suppress(OSError):
        await writer.wait_closed()


class ControlClient:
    """The same hands as `RigHands`, for a rig that `gaswitness rig` runs; `clock` is the run's clock."""

    name = "rig"

    def __init__(
        self, port: int, clock: Clock, *, hold: Callable[[], AbstractContextManager[None]] = contextlib.nullcontext
    ) -> None:
        self._port = port
        self._hold = hold
        self._clock = clock
        self._writer: asyncio.StreamWriter | None = None
        self._listening: asyncio.Task[None] | None = None
        self._waiting: dict[int, asyncio.Future[Reply]] = {}
        self._count = 0
        self._presses: asyncio.Queue[Press] = asyncio.Queue()
        self.greeting: Greeting | None = None
        self.offset = Offset(0.0, math.inf)

    async def open(self) -> None:
        """Connect, compare clocks, and begin to watch; raises LinkError."""
        try:
            await self._connect()
        except LinkError:
            await self.close()
            raise
        for _ in range(EXCHANGES):
            await self._compare_clocks()
        await self._ask(Request(id=self._next_id(), ask="watch"))

    async def _connect(self) -> None:
        where = said("rig control port {port}", port=str(self._port))
        try:
            async with asyncio.timeout(PATIENCE_S):
                reader, self._writer = await asyncio.open_connection(LOOPBACK, self._port)
                self.greeting = Greeting.model_validate_json(await reader.readline())
        except (OSError, TimeoutError) as error:
            raise LinkError(
                said("{where}: nobody answers", where=where),
                hint=said("start one with: {command}", command="gaswitness rig SITE"),
            ) from error
        except ValueError as error:
            raise LinkError(
                said("{where}: something else answers there, expected {expected}", where=where, expected=CONTROL_FORMAT)
            ) from error
        own_speed = getattr(self._clock, "speed", self.greeting.speed)
        if own_speed != self.greeting.speed:
            raise LinkError(
                said(
                    "{where}: the rig goes {speed} times as fast as life, this run {own} times",
                    where=where,
                    speed=figure(self.greeting.speed, "g"),
                    own=figure(own_speed, "g"),
                ),
                hint=said("give --speed {speed}", speed=format(self.greeting.speed, "g")),
            )
        self._listening = asyncio.create_task(self._listen(reader))

    async def close(self) -> None:
        """Let go; never raises."""
        if self._listening is not None:
            self._listening.cancel()
            with contextlib.suppress(asyncio.CancelledError, Exception):
                await self._listening
        if self._writer is not None:
            await _closed(self._writer)
            self._writer = None

    async def do(self, step: Step) -> Answer:
        """Have the rig do it, and say when it was done on the run's clock; raises LinkError."""
        await self._compare_clocks()
        command = command_for(step)
        if command is None:
            await take_time(step, self._clock)
            if step.kind not in MEASURED:
                return Answer("done", self.name)
            reply = await self._ask(Request(id=self._next_id(), measure=step))
            return Answer("done", self.name, measured=reply.measured)
        done_s = await self.act(command)
        await take_time(step, self._clock)
        return Answer("done", self.name, t_s=done_s, u_s=math.hypot(HAND_U_S, self.offset.u_s))

    async def act(self, command: Command) -> float:
        """One act; the instant at which it was done, on the run's clock."""
        reply = await self._ask(Request(id=self._next_id(), command=command))
        return reply.now_s + self.offset.offset_s

    async def presses(self) -> AsyncIterator[Press]:
        """Marks as they come in, on the run's clock."""
        while True:
            yield await self._presses.get()

    async def faults(self) -> tuple[str, ...]:
        """Faults that are in force."""
        return (await self._ask(Request(id=self._next_id(), ask="faults"))).faults

    def _next_id(self) -> int:
        self._count += 1
        return self._count

    async def _compare_clocks(self) -> None:
        asked_s = self._clock.now_s()
        reply = await self._ask(Request(id=self._next_id(), ask="now"))
        measured = offset_from_exchange(asked_s, reply.now_s, self._clock.now_s())
        if measured.u_s <= self.offset.u_s:
            self.offset = measured

    async def _ask(self, request: Request) -> Reply:
        if self._writer is None or self._listening is None or self._listening.done():
            raise LinkError(said("rig control port {port}: not connected", port=str(self._port)))
        answer: asyncio.Future[Reply] = asyncio.get_running_loop().create_future()
        self._waiting[request.id] = answer
        try:
            with self._hold():
                return await self._answered(request, answer)
        finally:
            self._waiting.pop(request.id, None)

    async def lead(self, to_s: float | None) -> float:
        """Have the rig's time stand, or move to `to_s`, both on the run's clock; says where it stands.

        With nothing given the two clocks are tied together as they stand.
        """
        asked = None if to_s is None else to_s - self.offset.offset_s
        reply = await self._ask(Request(id=self._next_id(), ask="lead", to_s=asked))
        if to_s is None:
            self.offset = Offset(self._clock.now_s() - reply.now_s, 0.0)
        return reply.now_s + self.offset.offset_s

    async def _answered(self, request: Request, answer: asyncio.Future[Reply]) -> Reply:
        if self._writer is None:
            raise LinkError(said("rig control port {port}: not connected", port=str(self._port)))
        try:
            self._writer.write(request.model_dump_json().encode() + b"\n")
            await self._writer.drain()
            async with asyncio.timeout(PATIENCE_S):
                reply = await answer
        except (OSError, TimeoutError) as error:
            raise LinkError(said("rig control port {port}: no answer", port=str(self._port))) from error
        if reply.error:
            raise LinkError(said("rig: {message}", message=reply.wording or reply.error))
        return reply

    async def _listen(self, reader: asyncio.StreamReader) -> None:
        try:
            while line := await reader.readline():
                self._take(line)
        except (OSError, ValidationError):
            pass
        for answer in self._waiting.values():
            if not answer.done():
                answer.set_exception(LinkError(said("rig control port {port}: the rig has gone", port=str(self._port))))

    def _take(self, line: bytes) -> None:
        if "mark_id" not in json.loads(line):
            reply = Reply.model_validate_json(line)
            answer = self._waiting.get(reply.id)
            if answer is not None and not answer.done():
                answer.set_result(reply)
            return
        seen = Seen.model_validate_json(line)
        self._presses.put_nowait(
            Press(
                mark_id=seen.mark_id,
                post=seen.post,
                witness=seen.witness,
                signal=seen.signal,
                on=seen.on,
                t_s=seen.t_s + self.offset.offset_s,
                u_s=math.hypot(seen.u_s, self.offset.u_s),
                pattern=seen.pattern,
                offset_s=self.offset.offset_s,
            )
        )
