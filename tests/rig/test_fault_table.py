"""Each fault that can be put into the simulated installation, and what the judge makes of it.

Every row is a whole visit: plan, run over the rig's register map, ledger, chain, judgement. Values are the rig's own
inventions; what is checked is that the verdict and the first cause are those of the fault that was put in.
"""

# ruff: noqa: E501 - a row of the table is one line

from __future__ import annotations

from dataclasses import dataclass

import pytest

from gaswitness.evidence.ledger import read_ledger
from gaswitness.evidence.series import series_of
from gaswitness.judge import judge
from gaswitness.judge.records import Finding, Judgement, Outcome
from support.rigged import example_plan, visit

RINK, CELLAR, COLD = "ravensmoor.yaml", "cellar.yaml", "coldstore.yaml"
HALL = ("CS-1", "CS-2", "CS-3")


def judged(site: str, tags: tuple[str, ...] | None, seed: int, faults: tuple[str, ...]) -> Judgement:
    return judge(series_of(read_ledger(visit(example_plan(site, tags), seed=seed, faults=faults))))


def finding(judgement: Judgement, criterion: str) -> Finding:
    verdicts = (*judgement.verdicts, *judgement.groups)
    everything = [*judgement.visit, *(f for verdict in verdicts for f in verdict.findings)]
    return next(f for f in everything if f.criterion == criterion)


@dataclass(frozen=True)
class Row:
    fault: str
    tags: tuple[str, ...]
    verdict: Outcome
    """Of the first of the tags; what the rig's hands could adjust passes as left, and stays on record as found."""
    criterion: str
    """The finding in which the fault must show."""
    outcome: Outcome
    cause: str
    """How its first likely cause begins."""
    site: str = RINK


# fmt: off
TABLE = [
    Row("dead:CO-1", ("CO-1",), "fail", "CO-1/span", "fail", "the sensor of CO-1 does not answer to gas"),
    Row("dead:CO-1", ("CO-1",), "fail", "CO-1/set-level/low", "fail", "the sensor of CO-1 does not answer to gas"),
    Row("dead:O2-1", ("O2-1",), "fail", "O2-1/set-time/high", "fail", "the sensor of O2-1 does not answer to gas"),
    Row("frozen:NO2-1", ("NO2-1",), "fail", "NO2-1/span", "fail", "the reading of NO2-1 is frozen"),
    Row("slow:CO-1", ("CO-1",), "fail", "CO-1/t90", "fail", "the sensor of CO-1 is slow"),
    Row("slow:CO-1", ("CO-1",), "fail", "CO-1/set-time/high", "fail", "the sensor of CO-1 is slow"),
    Row("slow:CO2-A", ("CO2-A",), "fail", "CO2-A/t90", "fail", "the sensor of CO2-A is slow", CELLAR),
    Row("slow:O2-1", ("O2-1",), "fail", "O2-1/t90", "fail", "the sensor of O2-1 is slow"),
    Row("weak:CO-1", ("CO-1",), "pass", "CO-1/span", "fail", "the sensor of CO-1 has lost gain"),
    Row("weak:CO-1", ("CO-1",), "pass", "CO-1/set-time/high", "fail", "the sensor of CO-1 has lost gain"),
    Row("weak:CO2-A", ("CO2-A",), "pass", "CO2-A/span", "fail", "the sensor of CO2-A has lost gain", CELLAR),
    Row("offset:CO-1", ("CO-1",), "pass", "CO-1/zero", "fail", "the zero of CO-1 has moved"),
    Row("set-point:CO-1.high", ("CO-1",), "fail", "CO-1/set-level/high", "fail", "set point: CO-1.high is set near 12"),
    Row("set-point:NH3-1.low:1.5", ("NH3-1",), "fail", "NH3-1/set-level/low", "fail", "set point: NH3-1.low is set near 3"),
    Row("set-point:O2-1.high:0.9", ("O2-1",), "fail", "O2-1/set-level/high", "fail", "set point: O2-1.high is set "),
    Row("set-point:CO2-A.low", ("CO2-A",), "fail", "CO2-A/set-level/low", "fail", "set point: CO2-A.low is set", CELLAR),
    Row("no-latch:NH3-1", ("NH3-1",), "fail", "NH3-1/latched/high", "fail", "latch: NH3-1.high is not latching"),
    Row("crossed:NH3-1:NH3-2", ("NH3-1", "NH3-2"), "fail", "NH3-1/span", "fail", "crossed: the gas on NH3-1 was read on NH3-2's channel"),
    Row("crossed:NH3-1:NH3-2", ("NH3-1", "NH3-2"), "fail", "NH3-1/set-level/high", "fail", "crossed: the gas on NH3-1 was read on NH3-2's channel"),
    Row("crossed:NH3-1:NH3-2", ("NH3-1", "NH3-2"), "fail", "NH3-1/no-stray", "fail", "crossed: the gas on NH3-1 was read on NH3-2's channel"),
    Row("crossed:NH3-1:NH3-2", ("NH3-1", "NH3-2"), "fail", "NH3-2/span", "fail", "crossed: the gas on NH3-2 was read on NH3-1's channel"),
    Row("crossed:NH3-1:NH3-2", ("NH3-1", "NH3-2"), "fail", "NH3-1/fault", "fail", "crossed: opening the signal of NH3-1 showed as a fault of NH3-2"),
    Row("crossed:CO2-A:CO2-B", ("CO2-A", "CO2-B"), "fail", "CO2-A/span", "fail", "crossed: the gas on CO2-A was read on CO2-B's channel", CELLAR),
    Row("crossed:CO2-1:CO-1", ("CO2-1",), "fail", "CO2-1/span", "fail", "crossed: the gas on CO2-1 was read on CO-1's channel"),
    Row("stuck:PLANT-FAN", ("NH3-1",), "fail", "NH3-1/effect/high/PLANT-FAN", "fail", "stuck: the output of PLANT-FAN is driven"),
    Row("stuck:PLANT-HORN", ("NH3-1",), "fail", "NH3-1/effect/low/PLANT-HORN", "fail", "stuck: the output of PLANT-HORN is driven"),
    Row("stuck:FAN", ("CO2-A",), "fail", "CO2-A/effect/high/FAN", "fail", "stuck: the output of FAN is driven", CELLAR),
    Row("stuck:GARAGE-BEACON", ("CO-1",), "fail", "CO-1/effect/high/GARAGE-BEACON", "fail", "stuck: the output of GARAGE-BEACON is driven"),
    Row("stuck:PLANT-STOP", ("NH3-1",), "pass", "visit/inhibit-lifted", "fail", "stuck: PLANT-STOP is driven but nothing happens"),
    Row("crossed-effects:PLANT-BEACON:PLANT-HORN", ("NH3-1",), "fail", "NH3-1/effect-pattern/low/PLANT-BEACON", "fail", "crossed: PLANT-BEACON and PLANT-HORN are exchanged"),
    Row("crossed-effects:LAMP-6:LAMP-7", ("CO-1",), "fail", "CO-1/effect/low/LAMP-6", "fail", "crossed: LAMP-7 answered where LAMP-6 was due"),
    Row("crossed-effects:LAMP-6:LAMP-7", ("CO-1",), "fail", "CO-1/no-stray", "fail", "crossed: LAMP-7 answered where LAMP-6 was due"),
    Row("swapped-words:NH3-1", ("NH3-1",), "error", "NH3-1/span", "error", "word order: the registers of NH3-1"),
    Row("swapped-words:NH3-1", ("NH3-1",), "error", "NH3-1/set-level/low", "error", "word order: the registers of NH3-1"),
    Row("swapped-words:CO2-2", ("CO2-2",), "error", "CO2-2/zero", "error", "word order: the registers of CO2-2"),
    Row("swapped-words:NO2-1", ("NO2-1",), "error", "NO2-1/t90", "error", "word order: the registers of NO2-1"),
    Row("link-down:CO-1", ("CO-1",), "error", "CO-1/set-level/low", "error", "link dropped: nothing arrived for 45 s"),
    Row("link-down:CO2-A", ("CO2-A",), "error", "CO2-A/set-time/low", "error", "link dropped: nothing arrived for", CELLAR),
    Row("vote-any:HALL-VOTE", HALL, "fail", "HALL-VOTE/1/quiet", "fail", "vote: at the panel 1 of 3 is enough for HALL-VOTE", COLD),
    Row("vote-any:HALL-VOTE", HALL, "fail", "CS-1/no-stray", "fail", "vote: CALL acted with 1 of 3 in HALL-VOTE, and 2 are needed", COLD),
    Row("vote-all:HALL-VOTE", HALL, "pass", "HALL-VOTE/2/acts/EXTRACT", "fail", "vote: the panel wants more members of HALL-VOTE than 2", COLD),
    Row("uncounted:CS-2", HALL, "pass", "HALL-VOTE/1/acts/CALL", "fail", "vote: the panel does not count CS-2.high in HALL-VOTE", COLD),
    Row("vote-faulty:HALL-VOTE", HALL, "pass", "HALL-VOTE/4/acts/EXTRACT", "fail", "vote: the panel does not count a faulty member of", COLD),
    Row("crossed:CS-1:CS-2", HALL, "fail", "HALL-VOTE/1/quiet", "inconclusive", "crossed: the gas on CS-1 was answered by CS-2", COLD),
    Row("stuck:EXTRACT", HALL, "pass", "HALL-VOTE/1/acts/EXTRACT", "fail", "stuck: the output of EXTRACT is driven", COLD),
]
# fmt: on


@pytest.fixture(scope="module")
def seen() -> dict[tuple[str, ...], Judgement]:
    return {}


@pytest.mark.parametrize("row", TABLE, ids=lambda row: f"{row.fault} in {row.criterion}")
def test_fault_is_recognised(row: Row, seen: dict[tuple[str, ...], Judgement]) -> None:
    key = row.site, row.fault, *row.tags
    if key not in seen:
        seen[key] = judged(row.site, row.tags, 1, (row.fault,))
    judgement = seen[key]
    shown = finding(judgement, row.criterion)
    assert (shown.outcome, shown.causes[0][: len(row.cause)]) == (row.outcome, row.cause), shown
    verdict = next(v for v in judgement.verdicts if v.tag == row.tags[0])
    assert verdict.outcome == row.verdict, verdict.why
    assert judgement.outcome != "pass" or (row.verdict == "pass" and row.site != COLD)


def test_every_kind_of_fault_has_a_row() -> None:
    from gaswitness.links.rig.faults import KINDS

    assert {row.fault.partition(":")[0] for row in TABLE} == set(KINDS) - {"noisy"}


def test_a_restless_reading_is_told_although_it_passes() -> None:
    """Twelve times the usual noise still meets every limit here; it is said all the same."""
    judgement = judged(RINK, ("CO-1",), 1, ("noisy:CO-1",))
    assert any("restless" in note for note in judgement.notes)


def test_adjustment_keeps_what_was_found_and_counts_what_was_left() -> None:
    judgement = judged(RINK, ("CO-1",), 1, ("offset:CO-1",))
    assert finding(judgement, "CO-1/zero").outcome == "fail"
    assert finding(judgement, "CO-1/as-left/zero").outcome == "pass"
    assert judgement.verdicts[0].outcome == "pass"
    assert "As found, zero fell short (the zero of CO-1 has moved" in judgement.verdicts[0].why


@pytest.mark.parametrize("seed", range(1, 21))
def test_without_a_fault_everything_passes_at_the_rink(seed: int) -> None:
    judgement = judged(RINK, None, seed, ())
    short = [f for v in judgement.verdicts for f in v.findings if f.outcome != "pass"]
    assert (judgement.outcome, short, judgement.strays) == ("pass", [], ())


@pytest.mark.parametrize("seed", range(1, 21))
def test_without_a_fault_everything_passes_in_the_cellar(seed: int) -> None:
    judgement = judged(CELLAR, None, seed, ())
    short = [f for v in judgement.verdicts for f in v.findings if f.outcome != "pass"]
    assert (judgement.outcome, short, judgement.strays) == ("pass", [], ())
