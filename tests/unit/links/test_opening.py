"""From an address to a link, and links without a wire."""

from __future__ import annotations

import contextlib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gaswitness.clock import OwnedClock
from gaswitness.errors import InputError, LinkError
from gaswitness.links import ByHandLink, open_link
from gaswitness.links.modbus import ModbusLink
from gaswitness.links.replay import ReplayLink
from gaswitness.run.ports import Polled
from gaswitness.site import Site
from support.rigs import cellar, ravensmoor


def without_links() -> Site:
    return cellar().model_copy(update={"links": ()})


def test_the_sites_own_link_is_the_default() -> None:
    link = open_link(None, ravensmoor())
    assert isinstance(link, ModbusLink)
    assert (link.url, link.poll_s) == ("modbus-tcp://192.0.2.10:502", 1.0)


def test_another_address_takes_the_sites_map() -> None:
    assert open_link("modbus-tcp://127.0.0.1:15020", ravensmoor()).url == "modbus-tcp://127.0.0.1:15020"


async def test_by_hand_brings_nothing_by_itself() -> None:
    link = open_link("by-hand:", without_links())
    assert isinstance(link, ByHandLink)
    await link.open()
    assert await link.poll() == Polled()
    await link.close()


@pytest.mark.parametrize("url", ["bacnet://192.0.2.10", "mqtt://192.0.2.10"])
def test_what_this_version_lacks_is_said(url: str) -> None:
    with pytest.raises(LinkError, match="not in this version"):
        open_link(url, ravensmoor())


@pytest.mark.parametrize(
    "url",
    [
        "",
        "192.0.2.10:502",
        "http://192.0.2.10",
        "modbus-tcp://",
        "modbus-tcp://host:port",
        "modbus-tcp://host:99999",
        "modbus-tcp://[::1",
        "modbus-rtu://",
        "modbus-rtu:///dev/ttyUSB0?baud=fast",
        "modbus-rtu:///dev/ttyUSB0?baud=0",
        "modbus-rtu:///dev/ttyUSB0?parity=X",
        "modbus-rtu:///dev/ttyUSB0?speed=9600",
    ],
)
def test_an_address_that_cannot_be_is_one_message(url: str) -> None:
    with pytest.raises(InputError, match="found"):
        open_link(url, ravensmoor())


def test_a_site_without_a_map_cannot_be_read_over_modbus() -> None:
    with pytest.raises(InputError, match="no register map") as caught:
        open_link("modbus-tcp://127.0.0.1:15020", without_links())
    assert "gaswitness rig" in caught.value.hint
    with pytest.raises(InputError, match="names no link"):
        open_link(None, without_links())


def test_several_maps_need_a_choice() -> None:
    first = ravensmoor().links[0]
    site = ravensmoor().model_copy(
        update={"links": (first, first.model_copy(update={"url": "modbus-tcp://192.0.2.11:502"}))}
    )
    assert open_link("modbus-tcp://192.0.2.11:502", site).url == "modbus-tcp://192.0.2.11:502"
    with pytest.raises(InputError, match="several register maps"):
        open_link("modbus-tcp://127.0.0.1:15020", site)


async def test_a_recorded_log_comes_in_again_at_its_old_pace(tmp_path: Path) -> None:
    log = tmp_path / "cellar.csv"
    log.write_text("t_s,co2-a,CO2-B,other\n0,450,500,1\n10,460,,2\n20,470,520,3\n", "utf-8")
    clock = OwnedClock()
    clock.advance_s(100.0)
    link = open_link(f"log:{log}", cellar(), clock)
    assert isinstance(link, ReplayLink)
    await link.open()
    seen = []
    for _ in range(5):
        polled = await link.poll()
        seen.append({tag: (r.value_ppm, r.quality, r.source_age_s) for tag, r in polled.readings.items()})
        clock.advance_s(6.0)
    assert seen[0] == {"CO2-A": (450.0, "good", 0.0), "CO2-B": (500.0, "good", 0.0)}
    assert seen[1] == {"CO2-A": (450.0, "good", 6.0), "CO2-B": (500.0, "good", 6.0)}
    assert seen[2] == {"CO2-A": (460.0, "good", 2.0), "CO2-B": (None, "bad", 2.0)}
    assert seen[4]["CO2-A"] == (470.0, "good", 4.0)
    clock.advance_s(60.0)
    assert (await link.poll()).readings["CO2-A"].quality == "stale"
    await link.close()


async def test_values_of_a_log_are_in_the_unit_in_which_a_detector_is_shown(tmp_path: Path) -> None:
    log = tmp_path / "rink.csv"
    log.write_text("timestamp,channel,value\n0,O2-1,20.9\n1,O2-1,20.9\n", "utf-8")
    link = ReplayLink(f"log:{log}", ravensmoor(), clock=OwnedClock())
    await link.open()
    assert (await link.poll()).readings["O2-1"].value_ppm == pytest.approx(209_000.0)


async def test_a_log_of_strangers_is_refused(tmp_path: Path) -> None:
    log = tmp_path / "other.csv"
    log.write_text("t_s,left,right\n0,1,2\n1,2,3\n", "utf-8")
    with pytest.raises(InputError, match="named like a detector"):
        await open_link(f"log:{log}", cellar()).open()
    with pytest.raises((InputError, OSError)):
        await open_link(f"log:{tmp_path / 'missing.csv'}", cellar()).open()


@settings(max_examples=300, deadline=None)
@given(
    st.one_of(
        st.text(max_size=40),
        st.text(max_size=30).map("modbus-tcp://".__add__),
        st.text(max_size=30).map("modbus-rtu://".__add__),
    )
)
def test_any_text_as_an_address_is_a_link_or_one_message(url: str) -> None:
    with contextlib.suppress(InputError, LinkError):  # anything else is a traceback for the person at the keyboard
        open_link(url, ravensmoor())
