"""Published alarm levels, resolved for one gas."""

from __future__ import annotations

import pytest

from gaswitness.gases import all_gases
from gaswitness.gases.advice import DISPLACED_PPM, advice, compare, propose
from gaswitness.gases.facts import Missing
from gaswitness.gases.hazards import DEFERRAL
from gaswitness.gases.rules import all_rules, places, rules_for


def level(gas_key: str, rule_id: str) -> float | Missing:
    return next(row.level_ppm for row in rules_for(gas_key) if row.rule.id == rule_id)


def test_rules_speak_of_known_gases_and_groups() -> None:
    words = {"refrigerant", "toxic", "flammable"}
    for rule in all_rules():
        group, _, exception = rule.gases.partition(" except ")
        assert not exception or exception in all_gases()
        assert set(group.split()) <= words or set(group.split(";")) <= set(all_gases())
    assert len({rule.id for rule in all_rules()}) == len(all_rules()) == 29
    assert len(places()) == 8


@pytest.mark.parametrize(
    ("gas_key", "rule_id", "ppm"),
    [
        ("NH3", "en378-nh3-pre", 500.0),
        ("NH3", "en378-nh3-main", 30_000.0),
        ("NH3", "iiar2-alarm", 25.0),
        ("NH3", "iiar2-fan", 150.0),
        ("NH3", "iiar2-stop", 40_000.0),
        ("NH3", "ashrae15-nh3", 1000.0),
        ("CO2", "ifc-co2-supervisory", 5000.0),
        ("CO2", "ifc-co2-room", 30_000.0),
        ("CO2", "ifc-exhaust-idlh", 20_000.0),
        ("R-134a", "ashrae15-oel", 1000.0),
        ("CO", "minn-co", 25.0),
        ("NO2", "minn-no2", 3.0),
        ("O2", "osha-cs-o2-low", 195_000.0),
        ("C3H8", "osha-cs-flammable", 1700.0),
        ("C3H8", "trade-lfl-low", 3400.0),
        ("H2S", "osha-cs-pel", 20.0),
        ("Cl2", "nyc-toxic-outlet", 5.0),
    ],
)
def test_levels_as_the_rules_state_them(gas_key: str, rule_id: str, ppm: float) -> None:
    assert level(gas_key, rule_id) == pytest.approx(ppm, rel=1e-12)


def test_half_the_practical_limit_of_carbon_dioxide() -> None:
    """EN 378-1 Annex E: 0.1 kg/m3 is 55 600 ppm; from memory."""
    assert level("CO2", "en378-half-limit") == pytest.approx(55_600 / 2, rel=5e-4)


def test_rules_keep_to_their_gases() -> None:
    ammonia = {row.rule.id for row in rules_for("NH3")}
    assert "ashrae15-oel" not in ammonia
    assert "en378-half-limit" not in ammonia
    assert "minn-co" not in ammonia
    assert {row.rule.id for row in rules_for("O2")} == {
        "osha-cs-o2-low",
        "osha-cs-o2-high",
        "trade-o2-low",
        "trade-o2-high",
    }
    assert {row.rule.place for row in rules_for("CO", place="car park")} == {"car park", "any room"}


def test_a_rule_from_a_charge_on_is_left_out_below_it() -> None:
    assert "en378-nh3-pre" not in {row.rule.id for row in rules_for("NH3", charge_kg=50.0)}
    assert "en378-nh3-pre" in {row.rule.id for row in rules_for("NH3", charge_kg=50.1)}
    assert "en378-nh3-pre" in {row.rule.id for row in rules_for("NH3")}


def test_what_was_not_read_is_marked_also_when_only_the_share_was() -> None:
    by_id = {row.rule.id: row for row in rules_for("R-32")}
    assert by_id["osha-cs-flammable"].rule.origin.verified == "read"
    assert by_id["osha-cs-flammable"].unread  # the ISO 817 limit it is a share of is from memory
    assert not {row.rule.id: row for row in rules_for("CH4")}["osha-cs-flammable"].unread


def test_where_nothing_is_published_the_level_stays_unknown() -> None:
    assert level("CO", "en50545") is Missing.UNKNOWN
    assert level("R-134a", "ifc-exhaust-idlh") is Missing.UNKNOWN


def test_the_oxygen_trap() -> None:
    """20.95 x (1 - x) = 19.5 gives x = 6.92 %vol; NIOSH IDLH of CO2 is 40 000 ppm."""
    assert pytest.approx(69_200, abs=50) == DISPLACED_PPM
    assert "about 69,000 ppm, above the NIOSH IDLH of 40,000 ppm" in advice("CO2")[0]
    assert "carbon dioxide" in advice("O2")[0]
    assert not any("does not guard" in line for line in advice("R-404A"))  # RCL 130 000 ppm lies above
    assert "suffocates without warning" in advice("N2")[0]


@pytest.mark.parametrize(("key", "lfl_percent"), [("CH4", 4.4), ("H2", 4.0)])
def test_a_gas_that_burns_before_oxygen_is_low_is_not_guarded_by_oxygen(key: str, lfl_percent: float) -> None:
    """IEC 60079-20-1: methane burns from 4.4 %vol, hydrogen from 4.0 %vol; oxygen is at 19.5 %vol only at 6.92 %vol."""
    first = advice(key)[0]
    assert "does not guard against" in first
    assert f"{lfl_percent * 1e4:,.0f} ppm" in first
    assert not any("is a guard here" in line for line in advice(key))


@pytest.mark.parametrize("key", all_gases())
def test_advice_ends_with_who_decides_and_names_what_was_not_read(key: str) -> None:
    lines = advice(key, room_m3=100.0, charge_kg=20.0)
    assert lines[-1] == DEFERRAL
    if any(row.origin.verified == "from memory" for row in all_gases()[key].limits):
        assert any("from memory: check the current text" in line for line in lines)


def test_advice_names_both_flammable_scales() -> None:
    line = next(line for line in advice("C3H8") if line.startswith("20 %LFL"))
    assert "3,400 ppm by IEC 60079-20-1" in line
    assert "4,200 ppm by NFPA 497" in line


def test_advice_for_a_room_judges_the_charge() -> None:
    """10 kg R-410A in 20 m3 make 0.5 kg/m3: above 0.44 kg/m3 (EN 378-1) and 420 g/m3 (ASHRAE 34), from memory."""
    text = "\n".join(advice("R-410A", room_m3=20.0, charge_kg=10.0))
    assert "exceeds the EN 378-1 practical limit of 0.44 kg/m3: that needs 22.73 m3" in text
    assert "exceeds the ASHRAE 34 RCL of 420 g/m3: that needs 23.81 m3" in text
    assert "20.88 t CO2 equivalent" in text


@pytest.mark.parametrize(
    ("gas_key", "place", "wanted"),
    [
        ("CO2", None, [("low", 5000.0), ("high", 30_000.0)]),
        ("CO2", "carbon dioxide store or beverage room", [("low", 5000.0), ("high", 30_000.0)]),
        ("CO", None, [("low", 20.0), ("high", 100.0)]),
        ("O2", None, [("low", 195_000.0), ("high", 235_000.0)]),
        ("CH4", None, [("low", 8800.0), ("high", 17_600.0)]),
        ("NO2", "car park", [("fan", 3.0)]),
        ("N2", None, []),
    ],
)
def test_proposed_levels(gas_key: str, place: str | None, wanted: list[tuple[str, float]]) -> None:
    assert [(row.stage, row.level_ppm) for row in propose(gas_key, place=place)] == wanted


def test_comparison_goes_by_the_direction_of_the_alarm() -> None:
    found = compare("O2", [("low", "falling", 190_000.0)])
    assert [row.rule.id for row in found.missed] == [
        "osha-cs-o2-low",
        "osha-cs-o2-high",
        "trade-o2-low",
        "trade-o2-high",
    ]
    found = compare("O2", [("low", "falling", 196_000.0), ("more", "falling", 195_000.0)])
    assert [(row.rule.id, point) for row, point in found.met] == [("osha-cs-o2-low", "more"), ("trade-o2-low", "more")]
