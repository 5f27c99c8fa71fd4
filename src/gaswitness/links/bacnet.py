"""The BACnet/IP link: one device, asked for the objects of the site at every poll.

Polled, and not subscribed to: a subscription to changes of value is an entry that the device keeps, with a lifetime,
in a table of its own. Asking changes nothing anywhere.
"""

from __future__ import annotations

import asyncio
import ipaddress
import socket
from dataclasses import dataclass
from typing import TYPE_CHECKING
from urllib.parse import parse_qs, urlsplit

from gaswitness.clock import Clock, SystemClock
from gaswitness.errors import InputError, LinkError
from gaswitness.links import objects
from gaswitness.links.objects import Refused
from gaswitness.links.patience import Patience
from gaswitness.run.ports import Polled
from gaswitness.sentence import figure, listed, said
from gaswitness.site.records import Site
from gaswitness.site.wires import LAST_INSTANCE, LinkSpec

if TYPE_CHECKING:
    from bacpypes3.pdu import Address

    from gaswitness.links.bacnet_stack import Stack

PORT = 47808
"""UDP port of BACnet/IP, 0xBAC0."""
EXPECTED = said("bacnet://HOST, bacnet://HOST:PORT, or bacnet://INSTANCE for a device to be searched for")
SEARCH_S = 3.0


@dataclass(frozen=True, slots=True)
class Target:
    """What an address says."""

    instance: int | None
    host: str
    port: int
    local: tuple[str, int] | None
    """The own end; none for whichever is fit."""
    broadcast: tuple[str, int] | None
    """Where to ask for an instance; none for every network that this machine is on."""


def target_of(url: str) -> Target:
    """An address in its parts; raises InputError.

    A bare number is the instance of a device, as in the standard's own scheme for addresses (annex Q).

    >>> target_of("bacnet://1234").instance, target_of("bacnet://192.0.2.10").port
    (1234, 47808)
    """
    try:
        parts = urlsplit(url)
        host, port = parts.hostname or "", parts.port
        options = {key: values[-1] for key, values in parse_qs(parts.query, strict_parsing=bool(parts.query)).items()}
        local = _endpoint(options.pop("local", ""), 0)
        broadcast = _endpoint(options.pop("broadcast", ""), PORT)
    except ValueError as error:
        raise InputError(said("not a BACnet address"), where=said("link"), found=url, expected=EXPECTED) from error
    if not host or ":" in host or parts.path not in ("", "/") or options or port == 0 or parts.fragment:
        raise InputError(
            said("not a BACnet address"),
            where=said("link"),
            found=url,
            expected=EXPECTED,
            hint=said("after a `?` may stand `local=IP:PORT` and `broadcast=IP:PORT`"),
        )
    if host.isascii() and host.isdigit():
        if port is not None or int(host) > LAST_INSTANCE:
            raise InputError(
                said("not a device instance"),
                where=said("link"),
                found=url,
                expected=said("bacnet://0 to bacnet://{last}", last=str(LAST_INSTANCE)),
            )
        return Target(int(host), "", 0, local, broadcast)
    if host.replace(".", "").isdigit():
        try:
            ipaddress.IPv4Address(host)
        except ValueError as error:
            raise InputError(said("not an IPv4 address"), where=said("link"), found=url, expected=EXPECTED) from error
    return Target(None, host, port or PORT, local, broadcast)


def _endpoint(text: str, port: int) -> tuple[str, int] | None:
    """`IP` or `IP:PORT`; raises ValueError."""
    if not text:
        return None
    host, colon, tail = text.partition(":")
    number = int(tail) if colon else port
    if not 0 <= number <= 65535:
        raise ValueError(text)
    return str(ipaddress.IPv4Address(host)), number


def own_broadcasts() -> tuple[tuple[str, int], ...]:
    """The broadcast address of every network that this machine is on, and the one for all of them."""
    import ifaddr

    found = ["255.255.255.255"]
    for adapter in ifaddr.get_adapters():
        for ip in adapter.ips:
            if ip.is_IPv4 and ip.network_prefix < 31:
                network = ipaddress.IPv4Interface(f"{ip.ip}/{ip.network_prefix}").network
                found.append(str(network.broadcast_address))
    return tuple((host, PORT) for host in dict.fromkeys(found))


class BacnetLink:
    """Readings and states of one BACnet device, by the objects of the site.

    `clock` is the run's clock, on which the pauses between attempts are counted; `timeout_s` is in seconds of real
    time.
    """

    def __init__(self, spec: LinkSpec, site: Site, *, clock: Clock | None = None, timeout_s: float = 1.0) -> None:
        self.url = spec.url
        self.poll_s = spec.poll_s
        self._spec = spec
        self._timeout_s = timeout_s
        self._target = target_of(spec.url)
        self._detectors = objects.detectors(spec, site)
        self._wanted = objects.wanted(spec)
        self._patience = Patience(spec.url, clock or SystemClock())
        self._stack: Stack | None = None
        self._address: Address | None = None
        self._units: dict[str, str] = {}
        self._deaf = False
        """Answers by broadcast go to another program of this machine."""
        try:
            import bacpypes3  # noqa: F401
            import ifaddr  # noqa: F401
        except ImportError as error:
            raise LinkError(
                said("{url}: BACnet needs one more package", url=spec.url),
                hint=said("install it: {command}", command="pip install 'gaswitness[bacnet]'"),
            ) from error

    async def open(self) -> None:
        """Find the device, and see that it has every object of the site, in units that are known.

        Raises LinkError where it does not, and InputError where site and device name different units.
        """
        if self._stack is None:
            self._stack = await self._opened()
        try:
            self._address = await self._met(self._stack)
        except (LinkError, InputError):
            await self.close()
            raise
        self._patience.succeeded()

    async def _opened(self) -> Stack:
        """The protocol on a port of its own; a search takes the usual one, unless another program has it."""
        from gaswitness.links.bacnet_stack import Stack

        target = self._target
        everywhere = "0.0.0.0"  # noqa: S104 whichever way leads there
        usual = [(everywhere, PORT)] if target.instance is not None else []
        broadcasts = own_broadcasts() if target.broadcast is None else (target.broadcast,)
        refused = None
        for local in [target.local] if target.local is not None else [*usual, (everywhere, 0)]:
            stack = Stack(local, broadcasts, self._timeout_s)
            try:
                await stack.open()
            except OSError as error:
                refused = LinkError(
                    said(
                        "{url}: could not take UDP port {port} of {host} ({why})",
                        url=self.url,
                        port=str(local[1]),
                        host=local[0],
                        why=error.strerror or str(error),
                    ),
                    hint=said("another program may hold it; give another with ?local=IP:PORT, or leave that out"),
                )
            else:
                self._deaf = refused is not None
                return stack
        raise refused or LinkError(said("{url}: no port", url=self.url))

    async def poll(self) -> Polled:
        """Every object, read once; raises LinkError. Looks for a lost device again, waiting longer each time."""
        if self._stack is None or self._address is None:
            await self._mend()
        if self._stack is None or self._address is None:
            raise LinkError(said("{url}: not open", url=self.url))
        try:
            got = await self._stack.read(self._address, self._wanted)
        except LinkError:
            self._address = None  # it may come back elsewhere, or as another one
            raise
        return objects.polled(self._spec, self._detectors, self._units, got)

    async def close(self) -> None:
        """Let the port go."""
        if self._stack is not None:
            self._stack.close()
            self._stack = None
            self._address = None
            await asyncio.sleep(0)

    async def _mend(self) -> None:
        self._patience.check()
        try:
            await self.open()
        except InputError as error:
            self._patience.failed()
            raise LinkError(error.message, hint=error.hint) from error
        except LinkError:
            self._patience.failed()
            raise

    async def _met(self, stack: Stack) -> Address:
        """The device, found, with all objects there and all units known."""
        address, longest = await self._found(stack)
        await stack.meet(address, longest)
        got = await stack.read(address, self._wanted)
        missing = [
            said("{name} ({value})", name=name, value=value.why)
            for (name, one), value in got.items()
            if one != "units"
            and isinstance(value, Refused)
            and value.why in ("unknown-object", "unknown-property")
            and one in self._wanted[name][:1]
        ]
        if missing:
            raise LinkError(
                said("{url}: the device does not have {objects}", url=self.url, objects=listed(missing)),
                hint=said("compare the `objects` of the site with the device's own list of objects"),
            )
        readings = [entry for entry in self._spec.objects if objects.is_reading(entry)]
        stated = await stack.read(address, {entry.object: ("units",) for entry in readings})
        self._units = {
            entry.signal: objects.unit_of(
                entry,
                stated[entry.object, "units"],
                said("link {url}, {signal} from {object}", url=self.url, signal=entry.signal, object=entry.object),
            )
            for entry in readings
        }
        return address

    async def _found(self, stack: Stack) -> tuple[Address, int | None]:
        from bacpypes3.pdu import IPv4Address

        target = self._target
        if target.instance is None:
            try:
                loop = asyncio.get_running_loop()
                entries = await loop.getaddrinfo(target.host, target.port, family=socket.AF_INET)
            except OSError as error:
                why = error.strerror or str(error)
                raise LinkError(said("{url}: no such host ({why})", url=self.url, why=why)) from error
            return IPv4Address(entries[0][4]), None
        found = await stack.find(target.instance, SEARCH_S)
        if not found:
            hint = said(
                "give the device's address as bacnet://HOST, since searches reach the own networks only, or the "
                "broadcast address of its network with ?broadcast=IP"
            )
            if self._deaf:
                hint = said(
                    "another program holds UDP port {port}, where answers may have gone: close it; or {else_do}",
                    port=str(PORT),
                    else_do=hint,
                )
            raise LinkError(
                said(
                    "{url}: no device {instance} answered within {wait} s",
                    url=self.url,
                    instance=str(target.instance),
                    wait=figure(SEARCH_S, "g"),
                ),
                hint=hint,
            )
        if len(found) > 1:
            raise LinkError(
                said(
                    "{url}: {count} devices answered to instance {instance}: {addresses}",
                    url=self.url,
                    count=len(found),
                    instance=str(target.instance),
                    addresses=listed(str(one.address) for one in found),
                ),
                hint=said("an instance must belong to one device; give the address of the right one"),
            )
        return found[0].address, found[0].longest_answer
