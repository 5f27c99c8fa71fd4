"""The same site as a spreadsheet."""

from __future__ import annotations

import io
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from openpyxl import Workbook, load_workbook

from gaswitness.errors import InputError, InputFaults, Unreadable
from gaswitness.site import read_site, site_from_bytes
from gaswitness.site.sheet import write_sheets
from support.networks import cellar_by_bacnet, cellar_by_mqtt


@pytest.fixture
def rink(repo: Path) -> bytes:
    return write_sheets(read_site(repo / "examples" / "ravensmoor.yaml"))


def edited(data: bytes, cells: dict[str, Any]) -> bytes:
    book = load_workbook(io.BytesIO(data))
    for place, value in cells.items():
        sheet, _, cell = place.partition("!")
        book[sheet][cell] = value
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def faults_of(data: bytes) -> dict[str, str]:
    with pytest.raises(InputFaults) as caught:
        site_from_bytes(data, "site.xlsx")
    said: dict[str, str] = {}
    for fault in caught.value.faults:
        said[fault.path] = said.get(fault.path, "") + f"{fault.message} | {fault.hint}\n"
    return said


@pytest.mark.parametrize("name", ["ravensmoor", "cellar"])
def test_round_trip_is_equal(repo: Path, name: str) -> None:
    site = read_site(repo / "examples" / f"{name}.yaml")
    assert site_from_bytes(write_sheets(site), "site.xlsx") == site


def test_links_of_every_kind_go_round(repo: Path) -> None:
    links = (cellar_by_bacnet("bacnet://1234?broadcast=192.0.2.255"), cellar_by_mqtt("mqtts://192.0.2.11:8884"))
    site = read_site(repo / "examples" / "cellar.yaml").model_copy(update={"links": links})
    assert site_from_bytes(write_sheets(site), "site.xlsx") == site


def test_a_value_may_be_typed_as_people_do(rink: bytes) -> None:
    book = load_workbook(io.BytesIO(rink))
    header = [cell.value for cell in book["Cylinders"][1]]
    column = {name: "ABCDEFGHIJKLMNOP"[index] for index, name in enumerate(header)}
    changes = {
        f"Cylinders!{column['expires']}2": date(2028, 2, 29),
        f"Cylinders!{column['certificate']}2": 411,
        f"Cylinders!{column['level']}2": " 22 ppm ",
        "Areas!E2": True,
    }
    site = site_from_bytes(edited(rink, changes), "site.xlsx")
    bottle = site.cylinders[0]
    assert (str(bottle.expires), bottle.certificate, bottle.level_ppm) == ("2028-02-29", "411", 22.0)
    assert site.areas[0].occupied is True


def test_faults_name_sheet_and_cell(rink: bytes) -> None:
    said = faults_of(
        edited(
            rink,
            {
                "Alarms!D2": 25,  # set level without unit
                "Alarms!A5": "NH3-9",
                "Detectors!D3": "CELLAR",
                "Effects!C4": "lamb",
                "Areas!H1": "colour",
                "Posts!B2": "=1+1",
                "Bits!A3": 2,
                "Site!A4": "nmae",
            },
        )
    )
    assert "found 25 without a unit" in said["Alarms!D2"]
    assert "did you mean" in said["Alarms!A5"]
    assert "expected the tag of an area" in said["Detectors!D3"]
    assert "found 'lamb'" in said["Effects!C4"]
    assert "unknown column 'colour'" in said["Areas!H1"]
    assert "formula" in said["Posts!B2"]
    assert "the number of a row" in said["Bits!A3"]
    assert "unknown key 'nmae'" in said["Site!A4"]


def test_a_missing_value_points_at_its_cell(rink: bytes) -> None:
    said = faults_of(edited(rink, {"Detectors!A2": None}))
    assert "the key 'tag' is missing" in said["Detectors!A2"]


def test_an_unknown_sheet_and_a_missing_one(rink: bytes) -> None:
    book = load_workbook(io.BytesIO(rink))
    book["Alarms"].title = "Alarm"
    out = io.BytesIO()
    book.save(out)
    said = faults_of(out.getvalue())
    assert "did you mean 'Alarms'?" in said["Alarm!A1"]


def test_text_that_looks_like_a_formula_is_kept(repo: Path) -> None:
    cellar = read_site(repo / "examples" / "cellar.yaml")
    odd = cellar.model_copy(update={"note": "=SUM(A1)"})
    said = faults_of(write_sheets(odd))
    assert any("formula" in message for message in said.values())  # refused aloud, never run


def test_control_characters_are_refused(repo: Path) -> None:
    cellar = read_site(repo / "examples" / "cellar.yaml")
    with pytest.raises(InputError, match="Site!B4: a spreadsheet cannot hold this text"):
        write_sheets(cellar.model_copy(update={"note": "ring \x07"}))


@pytest.mark.parametrize("data", [b"PK", b"PK\x03\x04" + b"\x00" * 100, b"PK\x05\x06" + b"\x00" * 18])
def test_no_spreadsheet_at_all(data: bytes) -> None:
    with pytest.raises(Unreadable, match="spreadsheet"):
        site_from_bytes(data, "site.xlsx")


def test_a_cut_file(rink: bytes) -> None:
    for end in range(100, len(rink), len(rink) // 20):
        with pytest.raises(InputFaults):
            site_from_bytes(rink[:end], "site.xlsx")


def test_another_spreadsheet(repo: Path) -> None:
    out = io.BytesIO()
    Workbook().save(out)
    with pytest.raises(Unreadable, match="no sheet 'Site'"):
        site_from_bytes(out.getvalue(), "site.xlsx")
