"""The gas table: counts and sums pinned so that a silent edit fails, lookups, explicit unknowns."""

from __future__ import annotations

import csv
import math
from collections import Counter
from importlib.resources import files

import pytest

from gaswitness import gases
from gaswitness.errors import InputError
from gaswitness.gases.facts import Missing
from gaswitness.gases.table import all_gases, lower_flammable_limits, rows, sources

COUNTS = {
    "blends.tsv": 22,
    "classes.tsv": 17,
    "density.tsv": 27,
    "flammability.tsv": 56,
    "gases.tsv": 27,
    "gwp.tsv": 46,
    "limits.tsv": 205,
    "rules.tsv": 29,
    "sources.tsv": 66,
}


@pytest.mark.parametrize(("name", "count"), COUNTS.items())
def test_every_file_has_its_pinned_number_of_rows(name: str, count: int) -> None:
    assert sum(1 for _ in rows(name)) == count


def test_sums_of_the_figures_are_pinned() -> None:
    def total(name: str, column: str, **only: str) -> float:
        return math.fsum(
            float(row[column])
            for row in rows(name)
            if row[column] not in ("unknown", "none", "blend") and all(row[k] == v for k, v in only.items())
        )

    assert total("gases.tsv", "molar_mass_g_mol") == pytest.approx(1157.0624, abs=1e-9)
    assert total("blends.tsv", "mass_percent") == pytest.approx(700.0, abs=1e-9)
    assert total("limits.tsv", "value", unit="ppm") == pytest.approx(1487372.95, abs=1e-6)
    assert total("limits.tsv", "value", unit="mg/m3") == pytest.approx(98676.62, abs=1e-6)
    assert total("limits.tsv", "value", unit="g/m3") == pytest.approx(3188.32, abs=1e-6)
    assert total("limits.tsv", "value", unit="kg/m3") == pytest.approx(3.37535, abs=1e-9)
    assert total("flammability.tsv", "value", unit="%vol") == pytest.approx(665.4, abs=1e-9)
    assert total("flammability.tsv", "value", unit="kg/m3") == pytest.approx(1.702, abs=1e-9)
    assert total("gwp.tsv", "value") == pytest.approx(57661.662, abs=1e-6)
    assert total("density.tsv", "relative_density") == pytest.approx(47.949, abs=1e-9)


def test_every_row_is_whole_and_its_source_is_defined_and_used() -> None:
    used = Counter[str]()
    for name in COUNTS:
        with files("gaswitness.gases").joinpath("data", name).open(encoding="utf-8") as lines:
            table = list(csv.reader(lines, delimiter="\t", quoting=csv.QUOTE_NONE))
        assert {len(row) for row in table} == {len(table[0])}, name
        for row in rows(name):
            for column in (c for c in row if c.endswith("source")):
                assert row[column] in sources(), (name, row)
                used[row[column]] += 1
            for column in (c for c in row if c.endswith("verified")):
                assert row[column] in ("read", "computed", "from memory", "common practice", "unknown"), (name, row)
    assert set(used) == set(sources())


def test_what_was_read_says_where_and_nothing_else_does() -> None:
    kept = {row["id"]: row["read_in"] for row in rows("sources.tsv")}
    assert set(kept.values()) == {"publisher", "copy", "account", "library", "-"}
    read: set[str] = set()
    for name in COUNTS:
        for row in rows(name):
            for column in (c for c in row if c.endswith("verified")):
                source = row[column.removesuffix("verified") + "source"]
                assert (row[column] == "read") == (kept[source] != "-"), (name, row)
                read |= {source} if row[column] == "read" else set()
    assert read == {source for source, where in kept.items() if where != "-"}


def test_limits_printed_by_niosh() -> None:
    """NIOSH IDLH documentation, May 1994, the lines `NIOSH REL` and `Current OSHA PEL` of each gas, ppm (mg/m3)."""
    printed = {
        "CO2": {"NIOSH REL TWA": (5000, 9000), "NIOSH REL STEL": (30000, 54000), "OSHA PEL TWA": (5000, 9000)},
        "NH3": {"NIOSH REL TWA": (25, 18), "NIOSH REL STEL": (35, 27), "OSHA PEL TWA": (50, 35)},
        "CO": {"NIOSH REL TWA": (35, 40), "NIOSH REL C": (200, 229), "OSHA PEL TWA": (50, 55)},
        "NO2": {"NIOSH REL STEL": (1, 1.8), "OSHA PEL C": (5, 9)},
        "H2S": {"NIOSH REL C": (10, 15)},
        "SO2": {"NIOSH REL TWA": (2, 5), "NIOSH REL STEL": (5, 13), "OSHA PEL TWA": (5, 13)},
        "Cl2": {"NIOSH REL C": (0.5, 1.45), "OSHA PEL C": (1, 3)},
    }
    for key, rows_of in printed.items():
        for name, (ppm, mg_m3) in rows_of.items():
            for value, unit in ((ppm, "ppm"), (mg_m3, "mg/m3")):
                row = gases.gas(key).limit(name, unit)
                assert row is not None
                assert (row.value, row.origin.verified) == (value, "read"), (key, name, unit)


def test_each_gas_is_found_by_key_alias_and_name_whatever_the_case() -> None:
    for key, found in all_gases().items():
        for name in (key, found.name, *found.aliases, key.lower(), found.name.upper()):
            assert gases.gas(name) is found


@pytest.mark.parametrize(
    ("alias", "key"), [("R-744", "CO2"), ("r717", "NH3"), ("R-290", "C3H8"), ("R-600a", "iC4H10"), ("hfc-32", "R-32")]
)
def test_refrigerant_numbers_are_aliases(alias: str, key: str) -> None:
    assert gases.gas(alias).key == key


@pytest.mark.parametrize(("wrong", "near"), [("R-410", "'R-410A'"), ("amonia", "'NH3'"), ("CO22", "'CO2'")])
def test_an_unknown_gas_is_told_with_a_near_name(wrong: str, near: str) -> None:
    with pytest.raises(InputError) as told:
        gases.gas(wrong)
    assert near in told.value.hint
    assert "CO2" in told.value.hint


def test_unknown_none_and_a_number_are_three_different_things() -> None:
    isobutane = gases.gas("iC4H10")
    idlh = isobutane.limit("NIOSH IDLH")
    assert idlh is not None
    assert idlh.value is Missing.UNKNOWN
    assert isobutane.limit_value("NIOSH IDLH") is None
    methane = gases.gas("CH4").limit("OSHA PEL TWA")
    assert methane is not None
    assert methane.value is Missing.NONE
    assert gases.gas("CO2").limit_value("NIOSH IDLH") == 40_000.0
    assert gases.gas("CO2").limit("no such limit") is None


def test_a_limit_printed_twice_keeps_both_printed_numbers() -> None:
    """CO 100 ppm is printed beside 117 mg/m3, although 20 degC gives 116.4 (Directive 2004/37/EC Annex III)."""
    co = gases.gas("CO")
    assert co.limit_value("EU BOELV STEL") == 100.0
    assert co.limit_value("EU BOELV STEL", "mg/m3") == 117.0


def test_the_lower_flammable_limit_needs_its_standard() -> None:
    assert gases.lfl("CH4", "IEC 60079-20-1").ppm == 44_000.0
    assert gases.lfl("CH4", "NFPA 497").ppm == 50_000.0
    with pytest.raises(InputError, match="IEC 60079-20-1 or NFPA 497") as told:
        gases.lfl("CH4", "some book")
    assert "must be named" in told.value.hint
    with pytest.raises(InputError, match="no lower flammable limit"):
        gases.lfl("CO2", "IEC 60079-20-1")
    assert lower_flammable_limits(gases.gas("C3H8"))[0][1].standard == "IEC 60079-20-1"


def test_gwp_of_blends_is_the_sum_over_the_parts() -> None:
    """Regulation (EU) 2024/573 prints 3922, 1774 and 2088 for the first three; the rest by hand from IPCC figures."""
    wanted = {
        ("R-404A", "EU 2024/573"): 3921.6,
        ("R-407C", "EU 2024/573"): 1773.85,
        ("R-410A", "EU 2024/573"): 2087.5,
        ("R-454B", "EU 2024/573"): 465.2,
        ("R-448A", "EU 517/2014"): 1387.1,
        ("R-449A", "AR6"): 1504.5,
        ("R-452B", "AR5"): 675.8,
        ("R-404A", "AR6"): 4728.0,
    }
    for (key, name), value in wanted.items():
        found = gases.gas(key).gwp(name)
        assert found is not None
        assert found.value == pytest.approx(value, abs=0.06), (key, name)
    below = gases.gas("R-454B").gwp("AR5")
    assert below is not None
    assert below.below


def test_parts_of_a_blend_sum_to_one() -> None:
    blends = [found for found in all_gases().values() if found.parts]
    assert len(blends) == 7
    for found in blends:
        assert math.fsum(part.mass_fraction for part in found.parts) == pytest.approx(1.0, abs=1e-12)
