"""From an address to a link."""

from __future__ import annotations

from gaswitness.clock import Clock
from gaswitness.errors import InputError, LinkError
from gaswitness.run.ports import Link, Polled
from gaswitness.site.records import LinkSpec, Site

KINDS = "modbus-tcp://HOST:PORT, modbus-rtu:///dev/..., log:FILE or by-hand:"
_LATER = {"bacnet": "BACnet", "mqtt": "MQTT"}


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

    Raises InputError for an address that cannot be read or a site without a register map for it, LinkError for a
    kind of link that this version does not have.
    """
    if url is None:
        if not site.links:
            raise InputError(
                "the site names no link", where=site.name, expected=KINDS, hint="give one with --link, or in the site"
            )
        url = site.links[0].url
    scheme = url.partition(":")[0].lower()
    if scheme in ("modbus-tcp", "modbus-rtu"):
        from gaswitness.links.modbus import ModbusLink

        return ModbusLink(_spec_for(url, site), site, clock=clock)
    if scheme == "by-hand":
        return ByHandLink()
    if scheme == "log":
        from gaswitness.links.replay import ReplayLink

        return ReplayLink(url, site, clock=clock)
    if scheme in _LATER:
        raise LinkError(f"{url}: {_LATER[scheme]} links are not in this version", hint=f"use {KINDS}")
    raise InputError("not a link", where="--link", found=url, expected=KINDS)


def _spec_for(url: str, site: Site) -> LinkSpec:
    """The site's register map for this address: its own entry, or else the one map the site has."""
    for spec in site.links:
        if spec.url == url:
            return spec
    maps = [spec for spec in site.links if spec.registers or spec.bits]
    if len(maps) == 1:
        return maps[0].model_copy(update={"url": url})
    if not maps:
        raise InputError(
            "the site has no register map",
            where=f"site {site.name}, links",
            found=url,
            expected="registers and bits under `links`",
            hint="`gaswitness rig SITE` prints a map that fits the simulated installation",
        )
    raise InputError(
        "the site has several register maps and none for this address",
        where=f"site {site.name}, links",
        found=url,
        expected=" or ".join(spec.url for spec in maps),
    )
