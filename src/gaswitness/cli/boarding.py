"""Everything around a board: folder, key, certificate, server; runs begin here, for here links are opened."""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import socket
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import uvicorn

from gaswitness.certify.keys import read_private
from gaswitness.cli.keys import PASSPHRASE
from gaswitness.cli.output import talk
from gaswitness.cli.run import user
from gaswitness.cli.running import Around, Seated, Wanted, carry_out, foresight_for
from gaswitness.errors import GaswitnessError, InputError, LinkError
from gaswitness.history.opening import default_url
from gaswitness.history.opening import exists as store_exists
from gaswitness.sentence import said
from gaswitness.web.access import Access
from gaswitness.web.app import make_app
from gaswitness.web.board import Board, Start
from gaswitness.web.door import Door
from gaswitness.web.folder import Folder
from gaswitness.web.live import Live, WebHands, before_of
from gaswitness.web.tls import lan_address, local_certificate

EVERYWHERE = "0.0.0.0"  # noqa: S104 - phones on the local network must get in; joining takes a token
LOOPBACK = "127.0.0.1"
SESSIONS = ".gaswitness-board.json"
KEEP_ALIVE_S = 30
"""Longer than the time between two exchanges of clocks: a new connection would take a round trip of its own."""


@dataclass(frozen=True, slots=True)
class Asked:
    """What was asked for on the command line."""

    port: int
    host: str | None
    folder: Path
    run: Path | None
    link: str | None
    rig: str | None
    speed: float | None
    assume_yes: bool
    operator: str
    key: Path | None
    tls: bool
    store: str | None = None


class Runs:
    """Begins runs for a board, one at a time, each as a task of its own."""

    def __init__(self, asked: Asked, board: Board) -> None:
        self._asked, self._board = asked, board
        self._task: asyncio.Task[None] | None = None

    async def begin(self, start: Start) -> None:
        """Begin a run and come back once it goes; raises what kept it from going."""
        asked = self._asked
        goes: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        wanted = Wanted(
            plan=start.plan,
            link=start.link or asked.link,
            out=asked.folder,
            speed=asked.speed,
            assume_yes=asked.assume_yes,
            rig=asked.rig,
            resume=start.resume,
            operator=start.operator,
            witnessed=True,
        )
        self._task = asyncio.create_task(self._carry(wanted, goes))
        await goes

    async def _carry(self, wanted: Wanted, goes: asyncio.Future[None]) -> None:
        live: Live | None = None

        def sit(_: contextlib.ExitStack, wanted: Wanted, around: Around) -> Seated:
            nonlocal live
            hands = WebHands(wanted.operator, around.clock.now_s, helper=around.helper, asks=not wanted.assume_yes)
            live = Live(around.run_id, around.plan, around.clock, around.speed, around.wishes, hands)
            before_of(live, around.before)
            self._board.live = live
            goes.set_result(None)
            foresight = foresight_for(around.plan, around.poll_s)
            return Seated(hands, live.show, foresight, live.recorded, live.committed)

        try:
            await carry_out(wanted, sit)
        except Exception as error:
            if not goes.done():
                goes.set_exception(error)
                return
            if live is not None:
                live.end(error.message if isinstance(error, GaswitnessError) else type(error).__name__)
            talk(f"the run broke off: {error}")
        else:
            if live is not None:
                live.end()

    @property
    def going(self) -> bool:
        """Whether a run goes on."""
        return self._task is not None and not self._task.done()

    def pause(self) -> None:
        """Have the run that goes on made safe and paused."""
        if self._board.live is not None:
            self._board.live.stop("stopped", "board", said("the board was ended"))

    async def ended(self) -> None:
        """Come back when no run goes on."""
        if self._task is not None:
            await asyncio.wait([self._task])

    async def finish(self) -> None:
        """End a run that still goes on, without waiting for anybody; its ledger says so."""
        if self._task is None or self._task.done():
            return
        self._task.cancel()
        await asyncio.gather(self._task, return_exceptions=True)


class _Server(uvicorn.Server):
    """A server that leaves the signals to the board: a run that goes on has to be left safe first."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Nothing is captured."""
        yield


def _interrupts(server: uvicorn.Server, runs: Runs) -> None:
    """Ctrl-C pauses a run that goes on, while the pages stay up; pressed again, or with no run, it ends the board."""
    loop = asyncio.get_running_loop()
    waiting: list[asyncio.Task[None]] = []

    async def leave() -> None:
        await runs.ended()
        server.should_exit = True

    def asked() -> None:
        if waiting or not runs.going:
            server.should_exit = True
            return
        talk("pausing the run: confirm at the desk what it asks for; Ctrl-C once more ends at once")
        runs.pause()
        waiting.append(loop.create_task(leave()))

    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: loop.call_soon_threadsafe(asked))


async def serve(asked: Asked) -> None:
    """Serve until stopped."""
    if not asked.folder.is_dir():
        raise InputError("no such folder", where=f"--folder {asked.folder}", hint="make it, or name another one")
    host = asked.host or EVERYWHERE
    with contextlib.closing(_listen(host, asked.port)) as listening:
        await _serve(asked, host, listening)


async def _serve(asked: Asked, host: str, listening: socket.socket) -> None:
    port = listening.getsockname()[1]
    reached = lan_address() if host == EVERYWHERE else host
    tls = None
    if asked.tls:
        names = tuple(dict.fromkeys((reached, LOOPBACK, "localhost", (own := socket.gethostname()), f"{own}.local")))
        tls = local_certificate(asked.folder, names, datetime.now(UTC))
    scheme = "https" if tls else "http"
    board = Board(
        folder=Folder(asked.folder),
        access=Access(file=asked.folder / SESSIONS, secure=asked.tls),
        address=f"{scheme}://{_in_url(reached)}:{port}",
        tls_fingerprint=tls.fingerprint if tls else "",
        tls_authority=tls.authority if tls else b"",
        store=asked.store or (default_url() if store_exists(None) else None),
    )
    if asked.key is not None:
        board.key = read_private(asked.key.read_bytes(), str(asked.key), os.environ.get(PASSPHRASE))
    runs = Runs(asked, board)
    board.begin = runs.begin
    config = uvicorn.Config(
        make_app(board),
        http=Door,
        log_level="warning",
        access_log=False,
        server_header=False,
        proxy_headers=False,  # nobody stands in front: whoever says so wants another address than his own
        timeout_keep_alive=KEEP_ALIVE_S,
        timeout_graceful_shutdown=2,
        ssl_certfile=str(tls.certificate) if tls else None,
        ssl_keyfile=str(tls.key) if tls else None,
    )
    if asked.run is not None:
        await runs.begin(Start(asked.run, asked.link, asked.operator or user()))
    here = LOOPBACK if host == EVERYWHERE else host
    _say_where(board, f"{scheme}://{_in_url(here)}:{port}")
    try:
        server = _Server(config)
        _interrupts(server, runs)
        await server.serve(sockets=[listening])
    finally:
        await runs.finish()


def _listen(host: str, port: int) -> socket.socket:
    try:
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        made = socket.create_server((host, port), family=family)
    except OSError as error:
        raise LinkError(f"{host}:{port}: could not listen ({error.strerror})", hint="choose another --port") from error
    made.setblocking(False)
    return made


def _in_url(host: str) -> str:
    return f"[{host}]" if ":" in host else host


def _say_where(board: Board, here: str) -> None:
    """Where the desk is opened, once, from this machine; phones are invited from there."""
    import typer

    token = board.access.invite("desk", run=None, for_s=24 * 3600.0)
    typer.echo(f"desk {here}/join/{token}")
    talk(f"Open that address to take the desk; it works once. Phones join at {board.address} by codes from there.")
    if board.tls_fingerprint:
        talk(f"certificate SHA-256 {board.tls_fingerprint}")
    else:
        talk("Not encrypted: for a network you trust; --tls encrypts.")
    talk("Stop with Ctrl-C.")
