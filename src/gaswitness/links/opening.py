"""From an address to a link."""

from __future__ import annotations

from dataclasses import dataclass

from gaswitness.clock import Clock
from gaswitness.errors import InputError
from gaswitness.run.ports import Link, Polled
from gaswitness.sentence import listed, said
from gaswitness.site.records import Site
from gaswitness.site.wires import LinkSpec, without_secrets

KINDS = said(
    "modbus-tcp://HOST:PORT, modbus-rtu:///dev/..., bacnet://HOST, mqtt://HOST, mqtts://HOST, log:FILE or by-hand:"
)


class ByHandLink:
    """No wire at all: every reading and every change of state is typed in by a person."""

    url = "by-hand:"

    def __init__(self, poll_s: float = 1.0) -> None:
        self.poll_s = poll_s

    async def open(self) -> None:
        """Nothing to connect to."""

    async def poll(self) -> Polled:
        """Nothing to read."""
        return Polled()

    async def close(self) -> None:
        """Nothing to let go."""


def open_link(url: str | None, site: Site, clock: Clock | None = None) -> Link:
    """The link behind an address, not yet connected; without an address, the site's own.

    Raises InputError for an address that cannot be read or a site that does not say what to read there, LinkError
    where a package for this kind of link is not installed.
    """
    if url is None:
        if not site.links:
            raise InputError(
                said("the site names no link"),
                where=site.name,
                expected=KINDS,
                hint=said("give one with --link, or in the site"),
            )
        url = site.links[0].url
    try:
        without_secrets(url)
    except ValueError as error:
        raise InputError(error.args[0], where="--link", hint=_SECRETS) from error
    scheme = url.partition(":")[0].lower()
    if scheme in ("modbus-tcp", "modbus-rtu"):
        from gaswitness.links.modbus import ModbusLink

        return ModbusLink(_spec_for(url, site, MODBUS), site, clock=clock)
    if scheme == "bacnet":
        from gaswitness.links.bacnet import BacnetLink

        return BacnetLink(_spec_for(url, site, BACNET), site, clock=clock)
    if scheme in ("mqtt", "mqtts"):
        from gaswitness.links.mqtt import MqttLink

        return MqttLink(_spec_for(url, site, MQTT), site, clock=clock)
    if scheme == "by-hand":
        return ByHandLink()
    if scheme == "log":
        from gaswitness.links.replay import ReplayLink

        return ReplayLink(url, site, clock=clock)
    raise InputError(said("not a link"), where="--link", found=url, expected=KINDS)


@dataclass(frozen=True, slots=True)
class _Kind:
    """What a site must say of one kind of link."""

    none: str
    several: str
    lists: tuple[str, ...]
    hint: str = said("docs/links.md has an example")

    def told_by(self, spec: LinkSpec) -> bool:
        """Whether a link of the site says what to read over this kind."""
        return any(getattr(spec, part) for part in self.lists)


MODBUS = _Kind(
    said("the site has no register map"),
    said("the site has several register maps and none for this address"),
    ("registers", "bits"),
    said("`gaswitness rig SITE` prints a map that fits the simulated installation"),
)
BACNET = _Kind(
    said("the site has no list of BACnet objects"),
    said("the site has several lists of BACnet objects and none for this address"),
    ("objects",),
)
MQTT = _Kind(
    said("the site has no list of MQTT topics"),
    said("the site has several lists of MQTT topics and none for this address"),
    ("topics",),
)
_SECRETS = said("for MQTT, give them in the environment: GASWITNESS_MQTT_USER, GASWITNESS_MQTT_PASSWORD")


def _spec_for(url: str, site: Site, kind: _Kind) -> LinkSpec:
    """What the site says of this address: its own entry, or else the one entry of this kind that the site has."""
    fitting = [spec for spec in site.links if kind.told_by(spec)]
    for spec in fitting:
        if spec.url == url:
            return spec
    if len(fitting) == 1:
        return fitting[0].model_copy(update={"url": url})
    if not fitting:
        raise InputError(
            kind.none,
            where=said("site {name}, links", name=site.name),
            found=url,
            expected=said("{lists} under `links`", lists=listed(kind.lists, " and ")),
            hint=kind.hint,
        )
    raise InputError(
        kind.several,
        where=said("site {name}, links", name=site.name),
        found=url,
        expected=listed((spec.url for spec in fitting), " or "),
    )
