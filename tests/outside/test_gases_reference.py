"""The gas table against two reference libraries that know nothing of this project."""

from __future__ import annotations

import pytest

from gaswitness.gases import all_gases, gas, lfl
from gaswitness.gases.facts import Missing
from gaswitness.units import convert

PURE = [key for key, found in all_gases().items() if not found.parts]

COOLPROP = {
    "CO2": "CarbonDioxide",
    "NH3": "Ammonia",
    "CO": "CarbonMonoxide",
    "H2S": "HydrogenSulfide",
    "SO2": "SulfurDioxide",
    "Cl2": "Chlorine",
    "O2": "Oxygen",
    "N2": "Nitrogen",
    "H2": "Hydrogen",
    "CH4": "Methane",
    "C3H8": "n-Propane",
    "iC4H10": "IsoButane",
    "R-32": "R32",
    "R-134a": "R134a",
    "R-22": "R22",
    "R-1234yf": "R1234yf",
    "R-1234ze(E)": "R1234ze(E)",
    "R-125": "R125",
    "R-143a": "R143a",
    "R-404A": "R404A",
    "R-407C": "R407C",
    "R-410A": "R410A",
}
BLENDS = {"R-454B": 62.6136, "R-448A": 86.2834, "R-449A": 87.2129, "R-452B": 63.5253}
"""Molar mass of CoolProp's predefined mixtures, g/mol."""


@pytest.mark.parametrize("key", PURE)
def test_molar_mass_and_formula_by_cas_number(key: str) -> None:
    """chemicals: looked up by CAS number, molar mass within 0.003 % and the same atoms."""
    chemicals = pytest.importorskip("chemicals")
    found = gas(key)
    assert chemicals.MW(found.cas) == pytest.approx(found.molar_mass_g_mol, rel=3e-5)
    atoms = chemicals.simple_formula_parser(chemicals.identifiers.search_chemical(found.cas).formula)
    assert chemicals.simple_formula_parser(found.formula) == atoms


@pytest.mark.parametrize("key", PURE)
@pytest.mark.parametrize("ppm", [0.5, 35.0, 40_000.0])
def test_mass_concentration(key: str, ppm: float) -> None:
    """chemicals.ppmv_to_mgm3 and back, to 1e-7; its gas constant has the same ten digits."""
    safety = pytest.importorskip("chemicals.safety")
    found = gas(key)
    for temperature_k, pressure_pa in ((298.15, 101325.0), (253.15, 84_000.0)):
        mine = convert(ppm, "ppm", "mg/m3", gas=key, temperature_k=temperature_k, pressure_pa=pressure_pa)
        theirs = safety.ppmv_to_mgm3(ppm, found.molar_mass_g_mol, temperature_k, pressure_pa)
        assert mine == pytest.approx(theirs, rel=1e-7)


@pytest.mark.parametrize(
    ("standard", "method"), [("IEC 60079-20-1", "IEC 60079-20-1 (2010)"), ("NFPA 497", "NFPA 497 (2008)")]
)
@pytest.mark.parametrize("bound", ["LFL", "UFL"])
def test_flammable_limits_by_standard(standard: str, method: str, bound: str) -> None:
    """chemicals carries the tables of both standards; every row of ours must equal its row."""
    safety = pytest.importorskip("chemicals.safety")
    look_up = {"LFL": safety.LFL, "UFL": safety.UFL}[bound]
    seen = 0
    for found in all_gases().values():
        for row in found.flammability:
            if row.standard == standard and row.bound == bound:
                assert row.ppm == pytest.approx(1e6 * look_up(CASRN=found.cas, method=method), rel=1e-12), found.key
                seen += 1
    assert seen >= 7


def test_the_reference_library_knows_no_lower_limit_we_deny() -> None:
    safety = pytest.importorskip("chemicals.safety")
    for key in ("CO2", "NO2", "SO2", "Cl2", "O2", "N2", "R-134a", "R-22", "R-125"):
        rows = [row for row in gas(key).flammability if row.bound == "LFL"]
        assert [row.value for row in rows] == [Missing.NONE]
        assert safety.LFL(CASRN=gas(key).cas, method="IEC 60079-20-1 (2010)") is None
        assert safety.LFL(CASRN=gas(key).cas, method="NFPA 497 (2008)") is None


@pytest.mark.parametrize("key", COOLPROP)
def test_density_relative_to_air(key: str) -> None:
    """CoolProp real vapour over air at 25 degC, 101.325 kPa: equal to the last printed digit (0.0006)."""
    props = pytest.importorskip("CoolProp.CoolProp")
    air = props.PropsSI("D", "T", 298.15, "P", 101325.0, "Air")
    found = gas(key).relative_density
    assert isinstance(found, float)
    assert props.PropsSI("D", "T", 298.15, "P", 101325.0, COOLPROP[key]) / air == pytest.approx(found, abs=6e-4)


@pytest.mark.parametrize("key", COOLPROP)
def test_molar_mass_against_a_second_library(key: str) -> None:
    """CoolProp: within 0.005 %."""
    props = pytest.importorskip("CoolProp.CoolProp")
    assert 1e3 * props.PropsSI("M", COOLPROP[key]) == pytest.approx(gas(key).molar_mass_g_mol, rel=5e-5)


@pytest.mark.parametrize(("key", "molar_mass"), BLENDS.items())
def test_blends_from_their_make_up(key: str, molar_mass: float) -> None:
    """CoolProp's predefined mixtures: within 0.001 %."""
    assert gas(key).molar_mass_g_mol == pytest.approx(molar_mass, rel=1.2e-5)


@pytest.mark.parametrize(
    ("key", "percent"),
    [("NH3", 16.66), ("C3H8", 2.11), ("iC4H10", 1.81), ("R-32", 14.44), ("R-1234yf", 6.20), ("R-1234ze(E)", 6.50)],
)
def test_iso_817_limits_in_both_units(key: str, percent: float) -> None:
    """ISO 817 prints kg/m3 and %vol at 25 degC, 101.3 kPa; %vol computed by the ideal gas, both from memory."""
    ppm = lfl(key, "ISO 817").ppm
    assert ppm is not None
    assert ppm / 1e4 == pytest.approx(percent, abs=6e-3)


def test_recalled_concentration_limits_agree_in_both_units() -> None:
    """ASHRAE 34 prints the RCL in ppm and g/m3; two pairs that are known to disagree say so in their note."""
    compared = 0
    for found in all_gases().values():
        by_mass, ppm = found.limit("ASHRAE 34 RCL", "g/m3"), found.limit_value("ASHRAE 34 RCL")
        if by_mass is None or ppm is None:
            continue
        compared += 1
        assert isinstance(by_mass.value, float)
        off = by_mass.value / convert(ppm, "ppm", "g/m3", gas=found.key) - 1.0
        assert (abs(off) < 0.026) != ("disagrees" in by_mass.note), (found.key, off)
    assert compared == 17


def test_occupational_limits_of_blends() -> None:
    """The blend rule of ASHRAE 34, 1 / sum(mole fraction / OEL), within 2 %; R-448A is known to differ and says so."""
    compared = 0
    for found in all_gases().values():
        if not found.parts or found.key in ("R-404A", "R-407C", "R-410A"):
            continue
        moles = {part.gas: part.mass_fraction / gas(part.gas).molar_mass_g_mol for part in found.parts}
        rule = sum(moles.values()) / sum(
            share / (gas(key).limit_value("ASHRAE 34 OEL") or float("nan")) for key, share in moles.items()
        )
        row = found.limit("ASHRAE 34 OEL")
        assert row is not None
        assert isinstance(row.value, float)
        assert (abs(row.value / rule - 1.0) < 0.02) != ("blend rule" in row.note), (found.key, rule)
        compared += 1
    assert compared == 4
