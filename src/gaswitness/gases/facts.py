"""The shapes of gas facts: every figure keeps its source and how far it was verified."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Literal

from gaswitness.sentence import said
from gaswitness.units import molar_volume_m3

Hazard = Literal["toxic", "flammable", "asphyxiant", "oxidiser"]
Verified = Literal["read", "computed", "from memory", "common practice", "unknown"]
"""`read`: the figure was read when the table was made, in what `ReadIn` says; `computed`: from figures; `from memory`:
recalled, not re-read."""

ReadIn = Literal["publisher", "copy", "account", "library"]
"""Where a figure was read: `publisher`: a page of the body named, or its stored copy; `copy`: a reprint or copy of the
text by others; `account`: somebody else's account of it; `library`: the table of a general-purpose library. Only the
passage with the figure was read, never the whole text."""

READ_IN: dict[ReadIn, str] = {
    "publisher": "read on a page of the body named",
    "copy": "read in a copy by others",
    "account": "read in an account by others",
    "library": "read in a library's table",
}

CHECK_THE_TEXT = said("from memory: check the current text")
"""What is shown beside a figure that was not re-read."""


class Missing(Enum):
    """A cell without a number says why."""

    UNKNOWN = "unknown"
    """Not known to this table."""
    NONE = "none"
    """Known, and there is none: the body sets no limit, or the gas does not burn."""

    def __str__(self) -> str:
        return self.value


Number = float | Missing


@dataclass(frozen=True, slots=True)
class Origin:
    """Where a figure comes from."""

    source: str
    verified: Verified
    read_in: ReadIn | None = None
    """Only for a figure that was read."""

    @property
    def how(self) -> str:
        """How far the figure was verified, in words; empty where `verified` says all."""
        return CHECK_THE_TEXT if self.verified == "from memory" else READ_IN[self.read_in] if self.read_in else ""

    def __str__(self) -> str:
        return str(self.told)

    @property
    def told(self) -> str:
        """The source, and where it was not read again, that it was not."""
        if self.verified == "from memory":
            return said("{source}, {check}", source=self.source, check=CHECK_THE_TEXT)
        return self.source


@dataclass(frozen=True, slots=True)
class Limit:
    """One printed number of a limit. A limit printed in ppm and in mg/m3 is two of these, neither derived."""

    body: str
    """Who sets it: `NIOSH REL`, `EU IOELV`, `EN 378-1`."""
    kind: str
    """`TWA`, `STEL`, `C` (ceiling), `IDLH`, `RCL`, `practical limit` ..."""
    value: Number
    unit: str
    origin: Origin
    note: str = ""

    @property
    def name(self) -> str:
        """Body and kind: `NIOSH REL TWA`."""
        return f"{self.body} {self.kind}"


@dataclass(frozen=True, slots=True)
class FlammableLimit:
    """Lower or upper flammable limit by one standard."""

    standard: str
    bound: Literal["LFL", "UFL"]
    value: Number
    unit: str
    origin: Origin
    molar_mass_g_mol: float
    note: str = ""

    @property
    def ppm(self) -> float | None:
        """The limit as a volume fraction; None when the gas does not burn or the limit is unknown.

        A limit printed in kg/m3 is turned by the ideal gas at 25 degC and 101.325 kPa, the basis of ISO 817.
        """
        if isinstance(self.value, Missing):
            return None
        if self.unit == "%vol":
            return self.value * 1e4
        return self.value / (self.molar_mass_g_mol * 1e-3) * molar_volume_m3(298.15, 101325.0) * 1e6


@dataclass(frozen=True, slots=True)
class Part:
    """One component of a blend."""

    gas: str
    mass_fraction: float
    origin: Origin


@dataclass(frozen=True, slots=True)
class WarmingPotential:
    """GWP over 100 years by a named set; `below` marks a figure that the set prints as `< value`."""

    set: str
    value: float
    below: bool
    origin: Origin


@dataclass(frozen=True, slots=True)
class Gas:
    """What the table holds of one gas."""

    key: str
    name: str
    formula: str
    cas: str
    """`unknown` where none is recorded, as for blends."""
    molar_mass_g_mol: float
    identity: Origin
    aliases: tuple[str, ...]
    hazards: frozenset[Hazard]
    hazards_origin: Origin
    moves: str
    """Whether a release of the pure gas sinks, mixes or rises in air."""
    moves_origin: Origin
    relative_density: Number
    """Density of the pure vapour over that of dry air at 25 degC and 101.325 kPa, real gas."""
    density_origin: Origin
    safety_class: str
    """Class of ANSI/ASHRAE Standard 34 (ISO 817): `A1`, `A2L`, `B2L` ...; `unknown` for other gases."""
    class_origin: Origin
    limits: tuple[Limit, ...]
    flammability: tuple[FlammableLimit, ...]
    parts: tuple[Part, ...]
    """Make-up of a blend; empty for a pure gas."""
    warming: tuple[WarmingPotential, ...]

    @property
    def is_refrigerant(self) -> bool:
        """Whether ANSI/ASHRAE Standard 34 gives it a safety class in this table."""
        return self.safety_class != "unknown"

    def limit(self, name: str, unit: str = "ppm") -> Limit | None:
        """The printed number of this limit in this unit, or None where the table has no such row."""
        return next((row for row in self.limits if row.name == name and row.unit == unit), None)

    def limit_value(self, name: str, unit: str = "ppm") -> float | None:
        """The number of this limit, or None where there is no row, none is set, or it is unknown."""
        row = self.limit(name, unit)
        return None if row is None or isinstance(row.value, Missing) else row.value

    def gwp(self, set_name: str) -> WarmingPotential | None:
        """GWP by this named set, or None."""
        return next((row for row in self.warming if row.set == set_name), None)
