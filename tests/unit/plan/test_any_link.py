"""A plan is the same whichever kind of link carries the signals."""

from __future__ import annotations

from gaswitness.plan.records import Plan
from gaswitness.site.wires import LinkSpec
from support.networks import cellar_by_bacnet, cellar_by_mqtt, cellar_with, plan_for


def by_modbus(like: LinkSpec) -> LinkSpec:
    """The same signals in registers and bits."""
    readings = [signal for signal in like.signals if signal.endswith(".reading")]
    states = [signal for signal in like.signals if not signal.endswith(".reading")]
    return LinkSpec.model_validate(
        {
            "url": "modbus-tcp://192.0.2.10",
            "poll": "3 s",
            "registers": [{"signal": signal, "address": 2 * at} for at, signal in enumerate(readings)],
            "bits": [{"signal": signal, "address": at} for at, signal in enumerate(states)],
        }
    )


def of(spec: LinkSpec) -> dict[str, object]:
    plan: Plan = plan_for(cellar_with(spec.model_copy(update={"poll_s": 3.0})))
    return plan.model_dump(mode="json", exclude={"site", "id", "plan_id"})


def test_a_plan_is_the_same_over_every_kind_of_link() -> None:
    for spec in (cellar_by_bacnet("bacnet://192.0.2.10"), cellar_by_mqtt("mqtt://192.0.2.10")):
        assert of(spec) == of(by_modbus(spec))
