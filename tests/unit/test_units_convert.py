"""Conversions of concentration against printed pairs and worked numbers."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest

from gaswitness.errors import OutOfDomain, UnitError
from gaswitness.gases import all_gases
from gaswitness.units import convert, molar_volume_m3


@pytest.mark.parametrize(("celsius", "litres"), [(0.0, 22.4140), (20.0, 24.0551), (25.0, 24.4654)])
def test_molar_volume(celsius: float, litres: float) -> None:
    """R T / p with the exact SI gas constant; 22.414 L is the CODATA molar volume at 0 degC, 101.325 kPa."""
    assert molar_volume_m3(celsius + 273.15, 101325.0) * 1e3 == pytest.approx(litres, abs=5e-5)


@pytest.mark.parametrize(
    ("key", "ppm", "printed"),
    [("CO", 35.0, 40.0), ("CO", 200.0, 229.0), ("NH3", 25.0, 18.0), ("SO2", 2.0, 5.0), ("Cl2", 0.5, 1.45)],
)
def test_pairs_that_niosh_prints(key: str, ppm: float, printed: float) -> None:
    """NIOSH prints ppm beside rounded mg/m3 at 25 degC (CO 35 read, the others from memory)."""
    assert convert(ppm, "ppm", "mg/m3", gas=key) == pytest.approx(printed, rel=0.05)


@pytest.mark.parametrize(
    ("key", "ppm", "mg_m3", "printed"),
    [
        ("CO", 20.0, 23.29, 23.0),
        ("CO", 100.0, 116.4, 117.0),
        ("SO2", 0.5, 1.33, 1.3),
        ("SO2", 1.0, 2.66, 2.7),
        ("NH3", 20.0, 14.16, 14.0),
        ("H2S", 5.0, 7.08, 7.0),
        ("NO2", 0.5, 0.956, 0.96),
        ("Cl2", 0.5, 1.47, 1.5),
    ],
)
def test_pairs_that_the_eu_prints_at_20_celsius(key: str, ppm: float, mg_m3: float, printed: float) -> None:
    """Basis 20 degC, 101.3 kPa (notes to Directive 91/322/EEC); the printed numbers are rounded and not derived."""
    found = convert(ppm, "ppm", "mg/m3", gas=key, temperature_k=293.15)
    assert found == pytest.approx(mg_m3, abs=6e-3 if mg_m3 < 100 else 0.06)
    assert found == pytest.approx(printed, rel=0.025)


@pytest.mark.parametrize(
    ("key", "ppm", "kelvin", "pascal", "mg_m3"),
    [
        ("CO", 35.0, 298.15, 101325.0, 40.07),
        ("CO", 35.0, 293.15, 101325.0, 40.75),
        ("CO", 50.0, 293.15, 83_400.0, 47.92),
        ("CO2", 1000.0, 253.15, 101325.0, 2118.6),
        ("CO2", 1000.0, 298.15, 101325.0, 1798.8),
        ("CO2", 1000.0, 313.15, 101325.0, 1712.7),
        ("CO2", 1000.0, 298.15, 84_000.0, 1491.3),
        ("NH3", 25.0, 298.15, 101325.0, 17.40),
    ],
)
def test_worked_numbers_at_other_air(key: str, ppm: float, kelvin: float, pascal: float, mg_m3: float) -> None:
    """ppm M p / (R T), worked by hand."""
    found = convert(ppm, "ppm", "mg/m3", gas=key, temperature_k=kelvin, pressure_pa=pascal)
    assert found == pytest.approx(mg_m3, abs=6e-3 if mg_m3 < 100 else 0.06)


@pytest.mark.parametrize(
    ("percent", "key", "standard", "lfl_percent"),
    [
        (1.0, "CH4", "IEC 60079-20-1", 22.73),
        (1.0, "CH4", "NFPA 497", 20.0),
        (0.5, "C3H8", "IEC 60079-20-1", 29.41),
        (0.5, "C3H8", "NFPA 497", 23.81),
    ],
)
def test_percent_lfl_carries_its_standard(percent: float, key: str, standard: str, lfl_percent: float) -> None:
    assert convert(percent, "%vol", "%LFL", gas=key, lfl_standard=standard) == pytest.approx(lfl_percent, abs=5e-3)


def test_twenty_percent_lfl_of_propane_is_two_levels() -> None:
    assert convert(20.0, "%LFL", "ppm", gas="R-290", lfl_standard="IEC 60079-20-1") == pytest.approx(3400.0)
    assert convert(20.0, "%LFL", "ppm", gas="R-290", lfl_standard="NFPA 497") == pytest.approx(4200.0)
    assert convert(20.0, "%LFL", "ppm", lfl_ppm=17_000.0) == pytest.approx(3400.0)


def test_an_array_stays_an_array_and_a_number_a_number() -> None:
    found = convert(np.array([[0.0, 1.0], [2.0, 35.0]]), "ppm", "mg/m3", gas="CO")
    assert found.shape == (2, 2)
    assert found[1, 1] == pytest.approx(40.07, abs=5e-3)
    assert isinstance(convert(35, "ppm", "mg/m3", gas="CO"), float)
    assert isinstance(convert([1.0, 2.0], "%vol", "ppm"), np.ndarray)


@pytest.mark.parametrize(
    ("value", "from_unit", "to_unit", "given", "message"),
    [
        (1.0, "ppm", "mg/m3", {}, "depends on the gas"),
        (1.0, "ppm", "%LFL", {"gas": "CH4"}, "without the limit"),
        (1.0, "ppm", "%LFL", {"lfl_ppm": 0.0}, "above zero"),
        (1.0, "ppm", "furlong", {}, "no such unit"),
        ("1", "ppm", "ppb", {}, "must be a number"),
        (True, "ppm", "ppb", {}, "must be a number"),
        (None, "ppm", "ppb", {}, "must be a number"),
    ],
)
def test_what_cannot_be_converted_is_told(
    value: object, from_unit: str, to_unit: str, given: dict[str, object], message: str
) -> None:
    with pytest.raises(UnitError, match=message):
        convert(value, from_unit, to_unit, **given)  # type: ignore[call-overload]


@pytest.mark.parametrize(("kelvin", "pascal"), [(0.0, 101325.0), (-1.0, 101325.0), (298.15, 0.0), (float("nan"), 1e5)])
def test_air_must_have_a_temperature_and_a_pressure(kelvin: float, pascal: float) -> None:
    with pytest.raises(OutOfDomain, match="above zero"):
        convert(1.0, "ppm", "mg/m3", gas="CO", temperature_k=kelvin, pressure_pa=pascal)


@pytest.mark.parametrize("key", all_gases())
def test_mass_and_volume_agree_with_molar_mass(key: str) -> None:
    whole = convert(1e6, "ppm", "kg/m3", gas=key)
    assert whole == pytest.approx(all_gases()[key].molar_mass_g_mol * 1e-3 / molar_volume_m3(298.15, 101325.0))


def test_a_number_is_converted_without_loading_arrays() -> None:
    """`check` must stay quick: neither the table nor a plain conversion may load the array library."""
    code = (
        "import sys; from gaswitness.units import convert; from gaswitness.gases import cautions;"
        "convert(35.0, 'ppm', 'mg/m3', gas='CO'); cautions('NH3', 400.0, 'N2');"
        "sys.exit('numpy' in sys.modules or 'pandas' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
