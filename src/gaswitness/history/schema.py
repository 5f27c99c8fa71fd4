"""The tables of the store. Rows are only ever added; a digest of what was recorded is the key of everything.

`evidence` holds the bytes as they came in. All other tables are an index made from them, and can be made again.
"""

from __future__ import annotations

from sqlalchemy import (
    Boolean,
    Column,
    Date,
    Double,
    ForeignKey,
    ForeignKeyConstraint,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
)

HEAD = "0001"
"""The schema that this program writes and reads, by the name of its last migration."""

metadata = MetaData()
Digest = String(64)

evidence = Table(
    "evidence",
    metadata,
    Column("sha256", Digest, primary_key=True),
    Column("kind", String(16), nullable=False),  # bundle, ledger, paper
    Column("name", Text, nullable=False),
    Column("kept_at", String(32), nullable=False),
    Column("data", LargeBinary, nullable=False),
)

site_description = Table(
    "site_description",
    metadata,
    Column("sha256", Digest, primary_key=True),
    Column("site", Text, nullable=False),
    Column("document", Text, nullable=False),  # JSON, as the plan held it
)

visit = Table(
    "visit",
    metadata,
    Column("visit", Digest, primary_key=True),  # SHA-256 of the ledger, or of the row on paper
    Column("kind", String(16), nullable=False),  # run, paper
    Column("site", Text, nullable=False, index=True),
    Column("run_id", Text, nullable=False),
    Column("started", String(40), nullable=False),
    Column("ended", String(40), nullable=False),
    Column("operator", Text, nullable=False),
    Column("simulated", Boolean, nullable=False),
    Column("complete", Boolean, nullable=False),
    Column("interrupted", Boolean, nullable=False),
    Column("outcome", String(16), nullable=False),
    Column("software", Text, nullable=False),
    Column("site_sha256", ForeignKey("site_description.sha256"), nullable=True),
    Column("kept_at", String(32), nullable=False),
)

shown_by = Table(
    "shown_by",
    metadata,
    Column("visit", ForeignKey("visit.visit"), primary_key=True),
    Column("evidence_sha256", ForeignKey("evidence.sha256"), primary_key=True, index=True),
)
"""Which kept files show a visit: its ledger, and every certificate issued over it."""

correction = Table(
    "correction",
    metadata,
    Column("first", ForeignKey("visit.visit"), primary_key=True),
    Column("by", ForeignKey("visit.visit"), primary_key=True),
    Column("why", Text, nullable=False),
)
"""A visit that another takes the place of: a ledger that went on, a row on paper that was put right. Both stay."""

certificate = Table(
    "certificate",
    metadata,
    Column("evidence_sha256", ForeignKey("evidence.sha256"), primary_key=True),
    Column("certificate_id", Text, nullable=False),
    Column("visit", ForeignKey("visit.visit"), nullable=False, index=True),
    Column("signer", Text, nullable=False),
    Column("vouched_for", Boolean, nullable=False),
    Column("issued", String(40), nullable=False),
    Column("issued_by", Text, nullable=False),
)

test = Table(
    "test",
    metadata,
    Column("visit", ForeignKey("visit.visit"), primary_key=True),
    Column("tag", String(40), primary_key=True),
    Column("gas", Text, nullable=False),
    Column("sensor", Text, nullable=False),
    Column("outcome", String(16), nullable=False),
    Column("as_found", String(16), nullable=False),
    Column("why", Text, nullable=False),
    Column("alarmed", Boolean, nullable=True),
    Column("expected_t90_s", Double, nullable=True),
    Column("adjusted_zero", Boolean, nullable=False),
    Column("adjusted_span", Boolean, nullable=False),
    Column("sensor_exchanged", Boolean, nullable=False),
    Column("cylinder", Text, nullable=True),
    Column("cylinder_certificate", Text, nullable=True),
    Column("note", Text, nullable=False),
)

finding = Table(
    "finding",
    metadata,
    Column("visit", Digest, primary_key=True),
    Column("criterion", String(200), primary_key=True),
    Column("tag", String(40), nullable=True),  # of a detector or a vote group; none for what concerns the whole visit
    Column("kind", String(24), nullable=False),
    Column("as_left", Boolean, nullable=False),
    Column("text", Text, nullable=False),
    Column("value", Double, nullable=True),
    Column("u", Double, nullable=True),
    Column("unit", String(8), nullable=False),
    Column("target", Double, nullable=True),
    Column("lower", Double, nullable=True),
    Column("upper", Double, nullable=True),
    Column("rule", String(16), nullable=False),
    Column("outcome", String(16), nullable=False),
    Column("margin", Double, nullable=True),
    Column("p_conform", Double, nullable=True),
    Column("why", Text, nullable=False),
    Column("budget", Text, nullable=False),  # JSON: name, u, shared
    ForeignKeyConstraint(["visit"], ["visit.visit"]),
    Index("finding_by_kind", "visit", "tag", "kind"),
)

effect_line = Table(
    "effect_line",
    metadata,
    Column("visit", ForeignKey("visit.visit"), primary_key=True),
    Column("number", Integer, primary_key=True),
    Column("cause", Text, nullable=False),
    Column("effect", Text, nullable=False),
    Column("delay_s", Double, nullable=True),
    Column("u_s", Double, nullable=True),
    Column("within_s", Double, nullable=False),
    Column("seen_by", String(16), nullable=False),
    Column("outcome", String(16), nullable=False),
    Column("why", Text, nullable=False),
)

inhibit = Table(
    "inhibit",
    metadata,
    Column("visit", ForeignKey("visit.visit"), primary_key=True),
    Column("number", Integer, primary_key=True),
    Column("effect", Text, nullable=False),
    Column("state", String(16), nullable=False),  # placed, lifted, proven, handed-over
    Column("at", String(40), nullable=False),
    Column("by", Text, nullable=False),
    Column("to", Text, nullable=False),
    Column("reason", Text, nullable=False),
)

cylinder_use = Table(
    "cylinder_use",
    metadata,
    Column("visit", ForeignKey("visit.visit"), primary_key=True),
    Column("cylinder", Text, primary_key=True),
    Column("gas", Text, nullable=False),
    Column("level_ppm", Double, nullable=True),
    Column("u_ppm", Double, nullable=True),
    Column("certificate", Text, nullable=False),
    Column("expires", Date, nullable=True),
    Column("pressure_before_pa", Double, nullable=True),
    Column("pressure_after_pa", Double, nullable=True),
)

adjustment = Table(
    "adjustment",
    metadata,
    Column("visit", ForeignKey("visit.visit"), primary_key=True),
    Column("number", Integer, primary_key=True),
    Column("tag", String(40), nullable=False),
    Column("what", String(16), nullable=False),  # zero, span, sensor
    Column("at", String(40), nullable=False),
    Column("by", Text, nullable=False),
)

ADDED_PER_VISIT = (test, finding, effect_line, inhibit, cylinder_use, adjustment)
"""What a visit brings with it, once."""
