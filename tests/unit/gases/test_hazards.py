"""Cautions for a bottle of test gas: toxic, flammable or asphyxiating at the level it holds."""

from __future__ import annotations

import pytest

from gaswitness.errors import InputError
from gaswitness.gases import all_gases, cautions, hazards_at
from gaswitness.gases.hazards import DEFERRAL, oxygen_ppm


@pytest.mark.parametrize(
    ("key", "level_ppm", "balance", "hazards"),
    [
        ("CO2", 1_000.0, "air", set()),
        ("CO2", 5_000.0, "air", {"toxic"}),
        ("CO2", 20_000.0, "N2", {"toxic", "asphyxiant"}),
        ("NH3", 25.0, "air", {"toxic"}),
        ("NH3", 40_000.0, "N2", {"toxic", "flammable", "asphyxiant"}),
        ("CO", 100.0, "air", {"toxic"}),
        ("CH4", 22_000.0, "air", {"flammable"}),
        ("CH4", 5_000.0, "air", set()),
        ("C3H8", 8_500.0, "air", {"flammable"}),
        ("R-134a", 1_000.0, "N2", {"asphyxiant"}),
        ("R-134a", 1_000.0, "air", set()),
        ("O2", 180_000.0, "N2", {"asphyxiant"}),
        ("O2", 209_500.0, "N2", set()),
        ("O2", 250_000.0, "N2", {"oxidiser"}),
        ("H2S", 25.0, "N2", {"toxic", "asphyxiant"}),
        ("CO2", 100_000.0, "air", {"toxic", "asphyxiant"}),
    ],
)
def test_hazards_follow_level_and_balance(key: str, level_ppm: float, balance: str, hazards: set[str]) -> None:
    assert hazards_at(key, level_ppm, balance) == hazards


@pytest.mark.parametrize("key", all_gases())
@pytest.mark.parametrize("level_ppm", [0.0, 10.0, 20_000.0, 1e6])
@pytest.mark.parametrize("balance", ["air", "N2"])
def test_every_list_ends_with_who_decides(key: str, level_ppm: float, balance: str) -> None:
    lines = cautions(key, level_ppm, balance)
    assert lines[-1] == DEFERRAL
    assert any(line.startswith("Cylinder:") for line in lines)
    for hazard, word in (("toxic", "Toxic:"), ("flammable", "Flammable:"), ("asphyxiant", "Asphyxiating:")):
        assert any(line.startswith(word) for line in lines) == (hazard in hazards_at(key, level_ppm, balance))


def test_the_worst_is_named_with_its_figure() -> None:
    assert "NIOSH IDLH of 40000 ppm" in cautions("CO2", 50_000.0, "air")[0]
    assert any("numbs the nose" in line for line in cautions("H2S", 25.0, "N2"))
    assert any("banned" in line for line in cautions("R-410A", 1000.0, "N2"))
    assert any("does not guard against carbon dioxide" in line for line in cautions("CO2", 20_000.0, "N2"))


def test_oxygen_left_in_the_bottle() -> None:
    assert oxygen_ppm("CO2", 69_212.4, "air") == pytest.approx(195_000.0, abs=0.01)
    assert oxygen_ppm("CO", 50.0, "O2") == 999_950.0


@pytest.mark.parametrize("level_ppm", [-1.0, 1_000_001.0, float("nan")])
def test_a_level_out_of_range_is_refused(level_ppm: float) -> None:
    with pytest.raises(InputError, match="out of range"):
        cautions("CO2", level_ppm, "air")


def test_an_unknown_balance_gas_is_refused() -> None:
    with pytest.raises(InputError, match="no such gas"):
        cautions("CO2", 100.0, "phlogiston")
