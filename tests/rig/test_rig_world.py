"""The simulated installation itself: same for a seed however stepped, true to the forward model, faults as told."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import get_args

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gaswitness.errors import InputError
from gaswitness.links.rig.chance import NumberedNoise
from gaswitness.links.rig.commands import Act
from gaswitness.links.rig.control import CONTROL_FORMAT
from gaswitness.links.rig.faults import KINDS, parse_fault
from gaswitness.links.rig.heads import Head
from gaswitness.links.rig.witnesses import Witnesses
from gaswitness.links.rig.world import Sight, World
from gaswitness.response import step_curve
from support.rigs import cellar, ravensmoor


def seen(world: World) -> list[Sight]:
    """Everything that will be seen at the posts."""
    sights: list[Sight] = []
    world.on_sight(sights.append)
    return sights


def gas_test(world: World, tag: str, bottle: str, *, on_s: float = 10.0, off_s: float = 300.0) -> None:
    world.advance(on_s)
    world.gas_on(tag, bottle)
    world.advance(off_s)
    world.gas_off(tag)
    world.advance(off_s + 330.0)


def test_same_seed_same_world_and_another_seed_another() -> None:
    ends = []
    for seed in (4, 4, 5):
        world = World(ravensmoor(), seed=seed)
        sights = seen(world)
        gas_test(world, "CO2-1", "BTL-CO2")
        ends.append((world.readings(), tuple(sights)))
    assert ends[0] == ends[1]
    assert ends[0] != ends[2]


@settings(max_examples=15, deadline=None)
@given(st.lists(st.floats(0.0, 700.0), max_size=12))
def test_how_time_is_stepped_changes_nothing(stops: list[float]) -> None:
    plain, stepped = World(cellar(), seed=2), World(cellar(), seed=2)
    plainly, steppingly = seen(plain), seen(stepped)
    commands = [(20.3, "on"), (410.77, "off"), (700.0, "end")]
    for at_s, what in commands:
        for stop in sorted(stops):
            if stepped.now_s < stop < at_s:
                stepped.advance(stop)
        for world in (plain, stepped):
            world.advance(at_s)
            if what == "on":
                world.gas_on("CO2-A", "BOTTLE")
            elif what == "off":
                world.gas_off("CO2-A")
    assert plain.readings() == stepped.readings()
    assert plain.status() == stepped.status()
    assert plainly == steppingly


def test_one_more_detector_changes_nothing_for_the_others() -> None:
    whole = ravensmoor()
    fewer = whole.model_copy(update={"detectors": whole.detectors[:3], "matrix": (), "groups": (), "effects": ()})
    for site in (whole, fewer):
        world = World(site, seed=9)
        world.advance(100.0)
        assert world.readings()["NH3-2"] == pytest.approx(World(whole, seed=9).readings()["NH3-2"], abs=5.0)
        head = world.heads["NH3-2"]
        assert (head.gain, head.zero_ppm, head.noise_ppm) == (
            World(whole, seed=9).heads["NH3-2"].gain,
            World(whole, seed=9).heads["NH3-2"].zero_ppm,
            World(whole, seed=9).heads["NH3-2"].noise_ppm,
        )


def test_a_sensor_under_gas_follows_the_forward_model() -> None:
    site = ravensmoor()
    detector = site.detector("CO-1").model_copy(update={"resolution_ppm": 0.0, "noise_ppm": 0.0})
    calm = site.model_copy(
        update={
            "areas": tuple(
                area.model_copy(update={"background": ()}) if area.tag == detector.area else area for area in site.areas
            )
        }
    )
    head = Head(detector, calm, seed=3)
    head.zero_ppm = 0.0
    head.advance(30.0)
    head.gas_on(site.cylinder("BTL-CO"), 30.0)
    times = np.arange(31.0, 200.0)
    shown = []
    for at_s in times:
        head.advance(float(at_s))
        shown.append(head.true_ppm)
    path = replace(
        head._nominal, cap_tau_s=detector.cap_volume_m3 / (site.cylinder("BTL-CO").flow_m3_s * head._flow_part)
    )
    expected = step_curve(path, times, gas_on_s=30.0, room_ppm=0.0, bottle_ppm=head._bottle_ppm)
    np.testing.assert_allclose(shown, expected, rtol=1e-9, atol=1e-9)


def test_room_air_stays_within_what_the_site_states() -> None:
    site = ravensmoor()
    for seed in range(20):
        for detector in site.detectors:
            low_ppm, high_ppm = site.background_ppm(detector)
            room = Head(detector, site, seed).room
            levels = [room.level_ppm(t_s) for t_s in range(0, 8000, 100)]
            assert low_ppm <= min(levels) <= max(levels) <= high_ppm


def test_panel_belief_and_what_happens_agree_when_all_is_well() -> None:
    world = World(ravensmoor(), seed=1)
    sights = seen(world)
    gas_test(world, "NH3-1", "BTL-NH3")
    started = {sight.effect for sight in sights if sight.on}
    assert started == {"LAMP-1", "PANEL-HORN", "PLANT-BEACON", "PLANT-HORN", "PLANT-FAN", "PLANT-STOP", "DUTY-MESSAGE"}
    assert world.status()["NH3-1.high"]  # latching
    assert not world.status()["NH3-1.low"]
    assert world.status()["PLANT-STOP.on"]  # needs a reset
    world.press("reset")
    world.advance(world.now_s + 5.0)
    assert not world.status()["NH3-1.high"]
    assert not world.status()["PLANT-STOP.on"]


def test_buttons_inhibits_and_proof() -> None:
    world = World(ravensmoor(), seed=1)
    sights = seen(world)
    world.inhibit("PLANT-STOP", True)
    world.advance(60.0)
    world.gas_on("NH3-1", "BTL-NH3")
    world.advance(400.0)
    assert world.status()["PLANT-STOP.inhibited"]
    assert not any(sight.effect == "PLANT-STOP" for sight in sights)
    assert world.status()["PANEL-HORN.on"]
    world.press("silence")
    world.advance(402.0)
    assert not world.status()["PANEL-HORN.on"]
    assert world.status()["PLANT-BEACON.on"]
    world.gas_off("NH3-1")
    world.advance(1000.0)
    world.press("reset")
    world.advance(1002.0)
    world.inhibit("PLANT-STOP", False)
    world.prove("PLANT-STOP")
    world.advance(1020.0)
    assert [sight.on for sight in sights if sight.effect == "PLANT-STOP"] == [True, False]


def test_an_open_signal_is_a_fault_and_no_reading() -> None:
    world = World(ravensmoor(), seed=1)
    world.advance(10.0)
    world.open_signal("O2-1", True)
    world.advance(15.0)
    assert math.isnan(world.readings()["O2-1"])
    assert world.status()["O2-1.fault"]
    assert world.status()["FAULT-LAMP.on"]
    assert not world.status()["O2-1.low"]  # a missing reading is not low oxygen
    world.open_signal("O2-1", False)
    world.advance(20.0)
    assert not world.status()["O2-1.fault"]


def with_fault(text: str, tag: str, bottle: str) -> tuple[World, list[Sight]]:
    site = ravensmoor()
    world = World(site, seed=1, faults=[parse_fault(text, site)])
    sights = seen(world)
    gas_test(world, tag, bottle)
    return world, sights


def plateau(text: str | None, tag: str, bottle: str, at_s: float = 480.0) -> dict[str, float]:
    site = ravensmoor()
    world = World(site, seed=1, faults=[parse_fault(text, site)] if text else [])
    world.advance(60.0)
    world.gas_on(tag, bottle)
    world.advance(at_s)
    return world.readings()


def test_dead_and_frozen_sensors_do_not_follow() -> None:
    assert plateau("dead:CO-1", "CO-1", "BTL-CO")["CO-1"] < 10.0
    assert plateau("frozen:CO-1", "CO-1", "BTL-CO", 300.0) != plateau("frozen:CO-1", "CO-1", "BTL-CO", 301.0)
    frozen = [plateau("frozen:CO-1", "CO-1", "BTL-CO", at)["CO-1"] for at in (100.0, 300.0)]
    assert frozen[0] == frozen[1] < 10.0


def test_weak_slow_offset_and_noisy_sensors() -> None:
    well = plateau(None, "CO-1", "BTL-CO")["CO-1"]
    assert plateau("weak:CO-1", "CO-1", "BTL-CO")["CO-1"] == pytest.approx(0.7 * well, rel=0.02)
    assert plateau("offset:CO-1", "CO-1", "BTL-CO")["CO-1"] == pytest.approx(well + 15.0, abs=2.0)
    early = {text: plateau(text, "CO-1", "BTL-CO", 100.0)["CO-1"] for text in (None, "slow:CO-1")}
    assert early["slow:CO-1"] < 0.7 * early[None]
    world = World(ravensmoor(), seed=1, faults=[parse_fault("noisy:CO-1", ravensmoor())])
    noise = []
    for at_s in range(100, 200):
        world.advance(float(at_s))
        noise.append(world.readings()["CO-1"])
    assert np.std(noise) > 1.5


def test_crossed_detectors_answer_for_each_other() -> None:
    shown = plateau("crossed:CO2-1:CO2-2", "CO2-1", "BTL-CO2")
    assert shown["CO2-1"] < 2000.0
    assert shown["CO2-2"] > 35_000.0


def test_wrong_set_point_sets_late() -> None:
    def set_at(fault: str | None) -> float:
        site = ravensmoor()
        world = World(site, seed=1, faults=[parse_fault(fault, site)] if fault else [])
        world.advance(60.0)
        world.gas_on("CO-1", "BTL-CO")
        while not world.status()["CO-1.high"]:
            world.advance(world.now_s + 0.5)
        return world.readings()["CO-1"]

    assert set_at(None) < 107.0
    assert set_at("set-point:CO-1.high:1.25") >= 120.0


def test_a_falling_alarm_is_moved_down_by_default() -> None:
    assert parse_fault("set-point:O2-1", ravensmoor()).factor == pytest.approx(0.8)
    assert parse_fault("set-point:CO-1", ravensmoor()).factor == pytest.approx(1.25)


def test_a_latch_that_does_not_hold() -> None:
    world, _ = with_fault("no-latch:NH3-1", "NH3-1", "BTL-NH3")
    assert parse_fault("no-latch:NH3-1", ravensmoor()).target == "NH3-1.high"
    assert not world.status()["NH3-1.high"]


def test_a_stuck_relay_the_panel_believes_in() -> None:
    world, sights = with_fault("stuck:PLANT-STOP", "NH3-1", "BTL-NH3")
    assert world.status()["PLANT-STOP.on"]
    assert not any(sight.effect == "PLANT-STOP" for sight in sights)


def test_crossed_effects_happen_at_the_wrong_place() -> None:
    _, sights = with_fault("crossed-effects:LAMP-1:LAMP-5", "NH3-1", "BTL-NH3")
    started = {sight.effect for sight in sights if sight.on}
    assert "LAMP-5" in started
    assert "LAMP-1" not in started


def test_the_wire_drops_for_a_while() -> None:
    site = ravensmoor()
    world = World(site, seed=1, faults=[parse_fault("link-down:CO-1:30", site)])
    world.advance(50.0)
    world.gas_on("CO-1", "BTL-CO")
    up = []
    for at_s in range(50, 130):
        world.advance(float(at_s))
        up.append(world.link_up)
    assert up.index(False) == 12
    assert up.count(False) == 30


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_every_fault_can_be_put_in_and_taken_back(kind: str) -> None:
    site = ravensmoor()
    targets = {"detector": "NH3-1", "point": "NH3-1.high", "effect": "LAMP-1", "group": "PUMP-TRIP"}
    target = "CO2-1.high" if kind == "uncounted" else targets[KINDS[kind].target]
    fault = parse_fault(f"{kind}:{target}", site)
    assert parse_fault(str(fault), site) == fault
    whole, mended = World(site, seed=6), World(site, seed=6)
    mended.inject(fault)
    mended.clear(fault)
    for world in (whole, mended):
        gas_test(world, "NH3-1", "BTL-NH3")
    assert mended.faults == []
    assert mended.readings() == pytest.approx(whole.readings())
    assert mended.status() == whole.status()


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("burnt:CO-1", "no such fault"),
        ("dead:CO-9", "no such detector"),
        ("dead:CO-1:3", "takes no value"),
        ("weak:CO-1:much", "not a number"),
        ("weak:CO-1:nan", "above 0"),
        ("weak:CO-1:0", "above 0"),
        ("stuck:CO-1", "no such effect"),
        ("crossed:CO-1:CO-1", "change over"),
        ("set-point:CO-1.middle", "no such point"),
        ("swapped-words:CO2-1", "one register"),
        ("vote-any:CO2-1", "no such group"),
        ("uncounted:CO-1.high", "no such point"),
        ("", "no such fault"),
    ],
)
def test_a_fault_that_cannot_be_is_refused(text: str, said: str) -> None:
    with pytest.raises(InputError, match=said):
        parse_fault(text, ravensmoor())


def test_noise_is_white_and_never_comes_again() -> None:
    noise = NumberedNoise(3, "CO-1")
    values = np.array([noise[n] for n in range(5000)])
    assert len(np.unique(values)) == 5000
    assert np.mean(values) == pytest.approx(0.0, abs=0.05)
    assert np.std(values) == pytest.approx(1.0, abs=0.05)
    assert np.corrcoef(values[:-1], values[1:])[0, 1] == pytest.approx(0.0, abs=0.05)
    assert noise[0] == values[0]
    assert NumberedNoise(3, "CO-2")[0] != values[0] != NumberedNoise(4, "CO-1")[0]


def test_reactions_of_the_witnesses() -> None:
    witnesses = Witnesses(ravensmoor(), seed=1)
    reactions = [witnesses.press(Sight(float(n), "LAMP-1", True, "steady")).t_s - n for n in range(2000)]
    assert np.mean(reactions) == pytest.approx(0.25, abs=0.01)
    assert 0.08 < np.std(reactions) < 0.11
    assert min(reactions) >= 0.1 - 1e-9


def test_the_page_of_the_rig_names_every_fault_and_every_act(repo: Path) -> None:
    page = (repo / "docs" / "rig.md").read_text("utf-8")
    for name in (*KINDS, *get_args(Act), CONTROL_FORMAT):
        assert f"`{name}`" in page or name == CONTROL_FORMAT in page, name
