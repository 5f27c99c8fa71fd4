"""The MQTT link: subscribes to the topics of the site, and publishes nothing, nor leaves a last will.

The library needs an event loop that watches sockets, which the usual loop of Windows does not do. It is therefore
given a loop and a thread of its own, everywhere alike.
"""

from __future__ import annotations

import asyncio
import concurrent.futures
import contextlib
import os
import re
import ssl
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

from gaswitness.clock import Clock, SystemClock
from gaswitness.errors import InputError, LinkError
from gaswitness.links import messages
from gaswitness.links.messages import Board
from gaswitness.links.patience import Patience
from gaswitness.run.ports import Polled
from gaswitness.sentence import figure, listed, said
from gaswitness.site.records import Site
from gaswitness.site.wires import LinkSpec

if TYPE_CHECKING:
    from aiomqtt import Message

EXPECTED = said("mqtt://HOST:PORT, or mqtts://HOST:PORT with TLS")
USER, PASSWORD = "GASWITNESS_MQTT_USER", "GASWITNESS_MQTT_PASSWORD"
CA, CERTIFICATE, KEY = "GASWITNESS_MQTT_CA", "GASWITNESS_MQTT_CERT", "GASWITNESS_MQTT_KEY"
"""Environment: files in PEM form with the authority that vouches for the broker, and the client's own proof."""
KEEP_ALIVE_S = 10
"""A broker that says nothing for this long is asked whether it is there."""
AT_LEAST_ONCE = 1
REFUSED = 128
"""Return codes of a subscription from here on are refusals (MQTT 3.1.1, section 3.9.3)."""


@dataclass(frozen=True, slots=True)
class Broker:
    """Where to go, and as whom; what is secret shows in no text of this."""

    host: str
    port: int
    tls: ssl.SSLContext | None
    user: str | None = None
    password: str | None = field(default=None, repr=False)


def broker_of(url: str) -> Broker:
    """The broker at an address; raises InputError."""
    try:
        parts = urlsplit(url)
        host, port = parts.hostname or "", parts.port
    except ValueError as error:
        raise InputError(said("not an MQTT address"), where=said("link"), found=url, expected=EXPECTED) from error
    if not host or port == 0 or parts.path not in ("", "/") or parts.query or parts.fragment:
        hint = said("topics belong into the site, under `topics`") if parts.path not in ("", "/") else ""
        raise InputError(said("not an MQTT address"), where=said("link"), found=url, expected=EXPECTED, hint=hint)
    tls = _context() if parts.scheme == "mqtts" else None
    user, password = os.environ.get(USER), os.environ.get(PASSWORD)
    if password is not None and user is None:
        raise InputError(
            said("{variable} is set", variable=PASSWORD),
            where=said("environment"),
            expected=said("{variable} beside it", variable=USER),
        )
    return Broker(host, port or (8883 if tls else 1883), tls, user, password)


def _context() -> ssl.SSLContext:
    """TLS with the system's authorities, or those of the environment."""
    files = {name: os.environ.get(name) for name in (CA, CERTIFICATE, KEY)}
    try:
        context = ssl.create_default_context(cafile=files[CA])
        certificate = files[CERTIFICATE]
        if certificate is not None:
            context.load_cert_chain(certificate, files[KEY], password="")  # a key that asks for one is refused
    except (OSError, ValueError) as error:  # no such file, or none in PEM form
        given = ", ".join(f"{name}={path}" for name, path in files.items() if path)
        raise InputError(
            said("not usable for TLS ({why})", why=str(error)),
            where=said("environment"),
            found=given,
            expected=said("files in PEM form, keys open"),
        ) from error
    return context


class _Ear(threading.Thread):
    """One connection to the broker in a thread of its own, from the first word to the last."""

    def __init__(
        self, broker: Broker, topics: Sequence[str], hear: Callable[[Message], None], timeout_s: float
    ) -> None:
        super().__init__(name="mqtt", daemon=True)
        self._broker = broker
        self._topics = tuple(dict.fromkeys(topics))
        self._hear = hear
        self._timeout_s = timeout_s
        self._loop: asyncio.AbstractEventLoop | None = None
        self._task: asyncio.Task[None] | None = None
        self._over = threading.Event()
        self.listening: concurrent.futures.Future[None] = concurrent.futures.Future()
        """Done once every topic is subscribed to; holds a LinkError where that failed."""
        self.lost: LinkError | None = None
        """Why nothing is heard any more."""

    def run(self) -> None:
        """Listen until the connection breaks or somebody says stop."""
        try:
            with asyncio.Runner(loop_factory=asyncio.SelectorEventLoop) as runner:
                runner.run(self._listen())
        except asyncio.CancelledError:
            pass
        except Exception as error:  # whatever it is: nothing is heard any more, and that must be told
            self._gone(LinkError(said("it broke ({why})", why=f"{type(error).__name__}: {error}")))

    def stop(self) -> None:
        """Let the connection go, from any thread; nothing is heard any more from here on."""
        self._over.set()
        if self._loop is not None and self._task is not None:
            with contextlib.suppress(RuntimeError):  # it ended by itself
                self._loop.call_soon_threadsafe(self._task.cancel)

    async def _listen(self) -> None:
        import aiomqtt

        self._loop, self._task = asyncio.get_running_loop(), asyncio.current_task()
        broker = self._broker
        try:
            async with aiomqtt.Client(
                broker.host,
                broker.port,
                username=broker.user,
                password=broker.password,
                tls_context=broker.tls,
                clean_session=True,
                keepalive=KEEP_ALIVE_S,
                timeout=self._timeout_s,
            ) as client:
                granted = await client.subscribe([(topic, AT_LEAST_ONCE) for topic in self._topics])
                refused = [topic for topic, code in zip(self._topics, granted, strict=True) if _code(code) >= REFUSED]
                if refused:
                    raise LinkError(
                        said("the broker refuses {topics}", topics=listed(refused)),
                        hint=said("have the broker let this user read these topics"),
                    )
                self.listening.set_result(None)
                async for message in client.messages:
                    if self._over.is_set():
                        break
                    self._hear(message)
        except (aiomqtt.MqttError, OSError, ValueError) as error:
            why = re.sub(r"^\[Errno -?\d+\] ", "", str(error)) or type(error).__name__
            text = said("connection lost ({why})", why=why) if self.listening.done() else said("{why}", why=why)
            self._gone(LinkError(text, hint=_hint(why)))
        except LinkError as error:
            self._gone(error)

    def _gone(self, why: LinkError) -> None:
        self.lost = why
        if not self.listening.done():
            self.listening.set_exception(why)


def _code(code: object) -> int:
    return code if isinstance(code, int) else int(getattr(code, "value", REFUSED))


def _hint(why: str) -> str:
    if "certificate" in why.lower():
        return said("name the authority that signed the broker's certificate by {variable}=FILE", variable=CA)
    if "authoriz" in why.lower() or "user name" in why.lower():
        return said("give user and password in the environment: {variables}", variables=listed([USER, PASSWORD]))
    return said("check address and port, that the broker is on, and whether it wants TLS (mqtts://)")


class MqttLink:
    """Readings and states by the topics of the site.

    `clock` is the run's clock: messages count from when they arrived on it, and the pauses between attempts to
    connect are counted on it. `timeout_s` is in seconds of real time.
    """

    def __init__(self, spec: LinkSpec, site: Site, *, clock: Clock | None = None, timeout_s: float = 5.0) -> None:
        self.url = spec.url
        self.poll_s = spec.poll_s
        self._spec = spec
        self._clock = clock or SystemClock()
        self._timeout_s = timeout_s
        self._broker = broker_of(spec.url)
        self._detectors = messages.detectors(spec, site)
        self._patience = Patience(spec.url, self._clock)
        self._lock = threading.Lock()
        self._board = Board(spec, self._detectors)
        self._ear: _Ear | None = None
        try:
            import aiomqtt  # noqa: F401
        except ImportError as error:
            raise LinkError(
                said("{url}: MQTT needs one more package", url=spec.url),
                hint=said("install it: {command}", command="pip install 'gaswitness[mqtt]'"),
            ) from error

    async def open(self) -> None:
        """Connect and subscribe; raises LinkError where the broker does not answer or refuses."""
        if self._ear is not None:
            return
        with self._lock:
            self._board = Board(self._spec, self._detectors)  # what was heard before a gap is not known to hold
        ear = _Ear(self._broker, [entry.topic for entry in self._spec.topics], self._hear, self._timeout_s)
        ear.start()
        try:
            async with asyncio.timeout(2.0 * self._timeout_s):
                await asyncio.wrap_future(ear.listening)
        except LinkError as error:
            raise LinkError(
                said("{where}: {message}", where=self.url, message=error.message), hint=error.hint
            ) from error
        except TimeoutError as error:
            ear.stop()
            raise LinkError(
                said("{where}: no answer within {wait} s", where=self.url, wait=figure(2.0 * self._timeout_s, "g")),
                hint=_hint(""),
            ) from error
        except BaseException:
            ear.stop()
            raise
        self._ear = ear
        self._patience.succeeded()

    async def poll(self) -> Polled:
        """What came since the last poll; raises LinkError. Connects again by itself, waiting longer each time."""
        if self._ear is not None and self._ear.lost is not None:
            why = self._ear.lost
            self._ear = None
            raise LinkError(said("{where}: {message}", where=self.url, message=why.message), hint=why.hint)
        if self._ear is None:
            self._patience.check()
            try:
                await self.open()
            except LinkError:
                self._patience.failed()
                raise
        with self._lock:
            return self._board.polled(self._clock.now_s())

    async def close(self) -> None:
        """Let go of the connection."""
        if self._ear is not None:
            ear, self._ear = self._ear, None
            ear.stop()
            await asyncio.to_thread(ear.join, self._timeout_s)

    def _hear(self, message: Message) -> None:
        """One message, in the thread of the connection."""
        payload = message.payload if isinstance(message.payload, bytes | bytearray) else str(message.payload).encode()
        now_s, wall = self._clock.now_s(), self._clock.wall()
        with self._lock:
            self._board.take(
                message.topic.value, bytes(payload), retained=bool(message.retain), arrived_s=now_s, wall=wall
            )
