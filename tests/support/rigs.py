"""Sites and services for tests of links and of the simulated installation."""

from __future__ import annotations

import socket
from functools import cache
from pathlib import Path

from gaswitness.site import Site, read_site
from gaswitness.site.wires import BitEntry, LinkSpec, RegisterEntry

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"


@cache
def ravensmoor() -> Site:
    """The example with seven detectors."""
    return read_site(EXAMPLES / "ravensmoor.yaml")


@cache
def cellar() -> Site:
    """The example with two detectors and no register map."""
    return read_site(EXAMPLES / "cellar.yaml")


def free_port() -> int:
    """A port that nobody holds now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def link_spec(
    url: str, registers: list[dict[str, object]], bits: list[dict[str, object]], unit_id: int = 1
) -> LinkSpec:
    """A register map from plain rows."""
    return LinkSpec(
        url=url,
        unit_id=unit_id,
        registers=tuple(RegisterEntry.model_validate(row) for row in registers),
        bits=tuple(BitEntry.model_validate(row) for row in bits),
    )
