"""The job sheet as people get it: read back from the PDF."""

from __future__ import annotations

import io
from pathlib import Path

import pypdf
import pytest

from gaswitness.plan import Plan
from gaswitness.plan.sheet import sheet_pdf, sheet_view
from support.papers import text_of
from support.planned import HIGH, LOW, detector, planned, site
from support.rigs import cellar, ravensmoor


@pytest.mark.parametrize(
    ("plan", "pages"), [(planned(ravensmoor()), 5), (planned(cellar()), 2)], ids=["rink", "cellar"]
)
def test_the_sheet_of_the_examples(plan: Plan, pages: int, output: Path) -> None:
    pdf = sheet_pdf(plan)
    (output / f"job-sheet-{len(plan.detectors)}.pdf").write_bytes(pdf)
    assert len(pypdf.PdfReader(io.BytesIO(pdf)).pages) == pages
    text = text_of(pdf)
    for planned_detector in plan.detectors:
        assert planned_detector.tag in text
    for role in plan.site.warn:
        assert role.role in text
    for step in plan.steps:
        assert step.effect is None or step.effect in text
    assert "Toxic" in text
    assert "whatever is inhibited" in text.lower()


def test_cautions_come_before_everything_that_is_done() -> None:
    text = text_of(sheet_pdf(planned(ravensmoor())))
    assert text.index("Before anything else") < text.index("People to be told") < text.index("Inhibits")
    assert text.index("Inhibits") < text.index("NH3-1 ", text.index("Who stands where"))


def test_same_plan_same_bytes() -> None:
    assert sheet_pdf(planned(cellar())) == sheet_pdf(planned(cellar()))


def test_no_gas_no_curve() -> None:
    lamp = {"tag": "LAMP", "name": "Lamp", "kind": "lamp", "post": "DOOR"}
    fault = site(effects=[lamp], matrix=[{"causes": ["D-1.fault"], "effect": "LAMP", "within": "5 s"}])
    plan = planned(fault, only=["D-1/fault"])
    assert sheet_view(plan)["detectors"][0]["strip"] is None
    assert "no gas in this test" in text_of(sheet_pdf(plan))


def test_names_with_signs_of_their_own_are_printed_as_they_are() -> None:
    odd = site(
        name="Röhre #1 *neu* $x$ <b> \\ @home", detectors=[detector(name="über [Tür] _unten_", alarms=[LOW, HIGH])]
    )
    text = text_of(sheet_pdf(planned(odd)))
    assert "Röhre #1 *neu* $x$ <b> \\ @home" in text
    assert "über [Tür] _unten_" in text


def test_a_detector_without_alarms_has_a_sheet() -> None:
    assert text_of(sheet_pdf(planned(site(detectors=[detector(alarms=[])]))))
