"""What any decision must keep to, whatever the numbers."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy import stats

from gaswitness.errors import InputError
from gaswitness.judge import decide

RULES = ("simple", "guarded", "shared-risk")
number = st.floats(-1e6, 1e6)
spread = st.floats(0, 1e5)
rules = st.sampled_from(RULES)


@st.composite
def limits(draw: Any) -> tuple[float | None, float | None]:
    low, high = sorted((draw(number), draw(number)))
    return draw(st.sampled_from([(low, high), (low, None), (None, high)]))


@given(number, spread, limits(), rules)
def test_probability_is_one_and_agrees_with_the_reference_library(
    value: float, u: float, ends: tuple[float | None, float | None], rule: Any
) -> None:
    decision = decide(value, u, *ends, rule)
    assert decision.p_conform is not None
    assert 0.0 <= decision.p_conform <= 1.0
    assume(u > 1e-6)
    low, high = (-math.inf if ends[0] is None else ends[0]), (math.inf if ends[1] is None else ends[1])
    known = stats.norm(value, u)
    expected = known.cdf(high) - known.cdf(low) if low < value else known.sf(low) - known.sf(high)
    assert decision.p_conform == pytest.approx(expected, abs=1e-9)


@given(number, spread, limits(), rules)
def test_mirrored_inputs_give_the_same(
    value: float, u: float, ends: tuple[float | None, float | None], rule: Any
) -> None:
    flipped = tuple(None if end is None else -end for end in reversed(ends))
    here, there = decide(value, u, *ends, rule), decide(-value, u, *flipped, rule)
    assert here.outcome == there.outcome
    assert here.margin == there.margin
    assert here.p_conform == pytest.approx(there.p_conform, abs=1e-12)


@given(number, spread, limits())
def test_rules_are_ordered_by_strictness(value: float, u: float, ends: tuple[float | None, float | None]) -> None:
    simple = decide(value, u, *ends, "simple")
    for rule in ("guarded", "shared-risk"):
        other = decide(value, u, *ends, rule)  # type: ignore[arg-type]
        if other.outcome == "pass":
            assert simple.outcome == "pass"
        if other.outcome == "fail":
            assert simple.outcome == "fail"


@given(number, spread, limits())
def test_a_guarded_pass_is_near_certain_and_so_is_a_guarded_fail(
    value: float, u: float, ends: tuple[float | None, float | None]
) -> None:
    decision = decide(value, u, *ends, "guarded")
    assert decision.p_conform is not None
    if decision.outcome == "pass":
        assert decision.p_conform >= 0.954
    if decision.outcome == "fail":
        assert decision.p_conform <= 0.0228


@given(number, st.floats(0, 1e4), limits(), st.floats(1, 10))
def test_more_doubt_never_turns_inconclusive_into_an_answer(
    value: float, u: float, ends: tuple[float | None, float | None], factor: float
) -> None:
    before = decide(value, u, *ends, "guarded").outcome
    after = decide(value, u * factor, *ends, "guarded").outcome
    assert after in (before, "inconclusive")


@given(number, limits(), rules)
def test_without_doubt_all_rules_agree(value: float, ends: tuple[float | None, float | None], rule: Any) -> None:
    assert decide(value, 0.0, *ends, rule).outcome == decide(value, 0.0, *ends, "simple").outcome


@given(limits(), rules, st.sampled_from([math.nan, math.inf, -math.inf]), st.booleans())
def test_no_number_is_an_error_and_never_a_pass(
    ends: tuple[float | None, float | None], rule: Any, odd: float, in_value: bool
) -> None:
    decision = decide(odd, 1.0, *ends, rule) if in_value else decide(1.0, odd, *ends, rule)
    assert (decision.outcome, decision.margin, decision.p_conform) == ("error", None, None)
    assert decide(1.0, -1.0, *ends, rule).outcome == "error"


@pytest.mark.parametrize("ends", [(None, None), (2.0, 1.0), (math.nan, 1.0), (None, math.inf)])
def test_limits_that_decide_nothing_are_refused(ends: tuple[float | None, float | None]) -> None:
    with pytest.raises(InputError):
        decide(1.0, 0.1, *ends, "simple")


def test_an_unknown_rule_is_refused() -> None:
    with pytest.raises(InputError, match="unknown decision rule"):
        decide(1.0, 0.1, 0.0, 2.0, "kind")  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("value", "u", "lower", "upper", "outcome"),
    [
        (10.0, 1.0, 4.0, 16.0, "pass"),  # half width 6 = 3 U
        (10.0, 1.01, 4.0, 16.0, "inconclusive"),  # U too large for the tolerance
        (16.5, 1.0, 4.0, 16.0, "fail"),
        (16.5, 1.01, 4.0, 16.0, "inconclusive"),
        (19.0, 1.01, 4.0, 16.0, "fail"),  # outside by more than U, whatever the tolerance
        (20.0, 5.0, None, 30.0, "pass"),  # one limit: its own size, 30 = 3 U
        (20.0, 5.1, None, 30.0, "inconclusive"),
    ],
)
def test_shared_risk_asks_for_a_small_u(
    value: float, u: float, lower: float | None, upper: float, outcome: str
) -> None:
    assert decide(value, u, lower, upper, "shared-risk").outcome == outcome


def test_simulated_rates_of_wrong_decisions() -> None:
    """Just outside a limit: `simple` accepts half, `guarded` under 2.5 % (ILAC-G8:09/2019, read where it is quoted)."""
    measured = 55.0 + np.random.default_rng(4).normal(0.0, 1.0, 20_000)
    accepted = {
        rule: np.mean([decide(float(v), 1.0, 45.0, 55.0, rule).outcome == "pass" for v in measured])  # type: ignore[arg-type]
        for rule in RULES
    }
    assert accepted["simple"] == pytest.approx(0.5, abs=0.012)
    assert accepted["guarded"] < 0.025
    assert accepted["shared-risk"] == 0.0  # U = 2 is more than a third of 5
