"""A bundle outlives the version that made it: keys that came later are not in it, and nothing is wrong with that."""

from __future__ import annotations

import hashlib
import json
from datetime import UTC, datetime

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from gaswitness.certify import bundle, certificate
from gaswitness.certify.envelope import sign
from gaswitness.certify.payload import PAYLOAD_TYPE, payload_bytes
from gaswitness.certify.verify import verify
from gaswitness.errors import EvidenceError
from support.ledgers import criterion
from support.scenes import sound

KEY = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))


def _made_before(**changes: object) -> bytes:
    """A bundle as a version without `sensor` and the like made it."""
    ledger = sound(criterion("zero", lower=0.0, upper=2000.0)).written()
    issue = certificate.issue(ledger, "L", KEY, issued=datetime(2026, 3, 2, tzinfo=UTC))
    members = dict(bundle.unpack(issue.bundle, "B")[0])
    plan = json.loads(members[bundle.PLAN])
    for detector in plan["site"]["detectors"]:
        for key in ("sensor", "sensor_fitted", "sensor_life_months"):
            del detector[key]
    plan["site"] |= changes
    members[bundle.PLAN] = json.dumps(plan, indent=1).encode()
    members[bundle.SITE] = json.dumps(plan["site"], indent=1).encode()
    payload = issue.payload.model_copy(
        update={
            "plan_sha256": hashlib.sha256(members[bundle.PLAN]).hexdigest(),
            "site_sha256": hashlib.sha256(members[bundle.SITE]).hexdigest(),
        }
    )
    members[bundle.CERTIFICATE] = sign(PAYLOAD_TYPE, payload_bytes(payload), KEY)
    return bundle.pack(members, KEY)


def test_an_old_bundle_is_still_good() -> None:
    assert verify(_made_before(), "B").rejudged == "same"


def test_another_site_in_the_bundle_is_not() -> None:
    with pytest.raises(EvidenceError, match="not the one the run was made by"):
        verify(_made_before(name="Another cellar"), "B")


def test_a_site_that_is_none_is_told() -> None:
    with pytest.raises(EvidenceError, match="cannot be read"):
        verify(_made_before(detectors=[]), "B")
