"""Visits to be kept, and stores to keep them in; the visit is one scene, judged and certified once."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from functools import lru_cache

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from gaswitness.certify import certificate
from gaswitness.plan.records import Criterion
from gaswitness.run.events import InhibitMoved, RunStarted, RunStopped
from support.ledgers import Scene, criterion, write_chain
from support.scenes import sound

KEY = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
OTHER_KEY = Ed25519PrivateKey.from_private_bytes(bytes(range(1, 33)))
NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
CRITERIA: tuple[Criterion, ...] = (
    criterion("zero", lower=0.0, upper=2000.0, target=600.0),
    criterion("span", lower=22500.0, upper=27500.0, target=25000.0),
    criterion("t90", lower=None, upper=90.0, target=60.0, unit="s"),
    criterion("set-time", point="low", lower=0.0, upper=60.0, unit="s"),
    criterion("effect", point="low", effect="LAMP-1", upper=5.0, unit="s"),
)


def scene(**changes: object) -> Scene:
    """A visit to the invented cellar at which detector A was found sound."""
    return sound(*CRITERIA, **changes)  # type: ignore[arg-type]


def ledger(
    run_id: str = "R1",
    day: str = "2026-03-02",
    *,
    stopped: str = "complete",
    simulated: bool = False,
    made: Scene | None = None,
) -> bytes:
    """The ledger of such a visit on a day, of a real installation unless told otherwise."""
    events = list((made or scene()).events)
    shifted = datetime.fromisoformat(f"{day}T09:00:00+00:00")
    plan = (made or scene()).plan
    first = RunStarted(
        t_s=0.0, wall=_wall(shifted, 0.0), run_id=run_id, plan=plan, link="modbus-tcp://192.0.2.20:502",
        operator="M. Kerr", simulated=simulated, software="test",
    )  # fmt: skip
    rest = [
        event.model_copy(update={"wall": _wall(shifted, event.t_s)}) for event in sorted(events, key=lambda e: e.t_s)
    ]
    end_s = rest[-1].t_s + 1.0
    last = [RunStopped(t_s=end_s, wall=_wall(shifted, end_s), outcome=stopped)] if stopped else []
    return write_chain([first, *rest, *last])


def _wall(start: datetime, t_s: float) -> str:
    return (start + timedelta(seconds=t_s)).isoformat().replace("+00:00", "Z")


@lru_cache(maxsize=32)
def bundled(run_id: str = "R1", day: str = "2026-03-02", simulated: bool = False, key: int = 0) -> bytes:
    """The bundle of such a visit, certified on the same evening."""
    issued = datetime.fromisoformat(f"{day}T18:00:00+00:00")
    secret = OTHER_KEY if key else KEY
    return certificate.issue(ledger(run_id, day, simulated=simulated), run_id, secret, issued=issued).bundle


def inhibited(effect: str = "FAN", *states: str) -> Scene:
    """A visit on which an inhibit went through these states."""
    made = scene()
    for number, state in enumerate(states or ("placed",)):
        made.add(InhibitMoved(t_s=3.0 + number, wall="", effect=effect, state=state, by="MK"))  # type: ignore[arg-type]
    return made
