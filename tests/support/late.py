"""A run that ended before the beacon was seen, and marks of it that came in afterwards."""

from __future__ import annotations

from gaswitness.evidence.ledger import digest_of, read_ledger, seal
from gaswitness.run.events import MarkMade
from support.ledgers import WALL, Scene, criterion, small_plan

BEACON = criterion("effect", point="low", effect="BEACON", upper=5.0, unit="s")


def scene() -> Scene:
    """Gas, and a low alarm at 130 s by the panel; the beacon is seen by nobody before the run ends."""
    plan = small_plan([BEACON])
    made = Scene(plan.model_copy(update={"detectors": plan.detectors[:1]}))
    made.step("A/zero", 0.0, 90.0).step("A/gas-on", 95.0, 101.0).step("A/await-plateau", 101.0, 340.0)
    made.step("A/gas-off", 340.0, 341.0).step("A/recover", 341.0, 600.0).gas(100.0, 340.0)
    made.readings(lambda t_s: 400.0 if t_s < 105.0 else 400.0 + min(25000.0, (t_s - 105.0) * 190.0), 0.0, 340.0)
    return made.status("A.low", 130.0).readings(lambda t_s: 400.0, 400.0, 600.0)


LEDGER_BYTES = scene().written()
LEDGER = read_ledger(LEDGER_BYTES)


def pressed(mark_id: str = "late-1", t_s: float = 130.5, **fields: object) -> MarkMade:
    default = {"post": "DOOR", "witness": "Ines", "signal": "BEACON.on", "on": True, "pattern": "flashing", "u_s": 0.12}
    return MarkMade(t_s=t_s, wall=WALL, mark_id=mark_id, **{**default, **fields})


def chained(*events: object, after: str = LEDGER.digest) -> bytes:
    lines = []
    for seq, event in enumerate(events):
        lines.append(seal(event, after, seq))
        after = digest_of(lines[-1])
    return b"".join(lines)
