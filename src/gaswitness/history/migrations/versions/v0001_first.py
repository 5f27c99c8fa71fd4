"""The first schema: evidence as it came in, the index made from it, and triggers that keep both from being changed."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

TABLES = (
    "evidence",
    "site_description",
    "visit",
    "shown_by",
    "correction",
    "certificate",
    "test",
    "finding",
    "effect_line",
    "inhibit",
    "cylinder_use",
    "adjustment",
)
WORDS = "nothing that was kept is ever changed or removed"


def upgrade() -> None:
    """Make the tables, and have the database itself refuse to change or remove a row."""
    op.create_table(
        "evidence",
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("kind", sa.String(length=16), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("kept_at", sa.String(length=32), nullable=False),
        sa.Column("data", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("sha256"),
    )
    op.create_table(
        "site_description",
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("document", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("sha256"),
    )
    op.create_table(
        "visit",
        sa.Column("visit", sa.String(length=64), nullable=False),
        sa.Column("kind", sa.String(length=16), nullable=False),
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("run_id", sa.Text(), nullable=False),
        sa.Column("started", sa.String(length=40), nullable=False),
        sa.Column("ended", sa.String(length=40), nullable=False),
        sa.Column("operator", sa.Text(), nullable=False),
        sa.Column("simulated", sa.Boolean(), nullable=False),
        sa.Column("complete", sa.Boolean(), nullable=False),
        sa.Column("interrupted", sa.Boolean(), nullable=False),
        sa.Column("outcome", sa.String(length=16), nullable=False),
        sa.Column("software", sa.Text(), nullable=False),
        sa.Column("site_sha256", sa.String(length=64), nullable=True),
        sa.Column("kept_at", sa.String(length=32), nullable=False),
        sa.ForeignKeyConstraint(
            ["site_sha256"],
            ["site_description.sha256"],
        ),
        sa.PrimaryKeyConstraint("visit"),
    )
    op.create_index(op.f("ix_visit_site"), "visit", ["site"], unique=False)
    op.create_table(
        "adjustment",
        sa.Column("visit", sa.String(length=64), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("tag", sa.String(length=40), nullable=False),
        sa.Column("what", sa.String(length=16), nullable=False),
        sa.Column("at", sa.String(length=40), nullable=False),
        sa.Column("by", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["visit"],
            ["visit.visit"],
        ),
        sa.PrimaryKeyConstraint("visit", "number"),
    )
    op.create_table(
        "certificate",
        sa.Column("evidence_sha256", sa.String(length=64), nullable=False),
        sa.Column("certificate_id", sa.Text(), nullable=False),
        sa.Column("visit", sa.String(length=64), nullable=False),
        sa.Column("signer", sa.Text(), nullable=False),
        sa.Column("vouched_for", sa.Boolean(), nullable=False),
        sa.Column("issued", sa.String(length=40), nullable=False),
        sa.Column("issued_by", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["evidence_sha256"],
            ["evidence.sha256"],
        ),
        sa.ForeignKeyConstraint(
            ["visit"],
            ["visit.visit"],
        ),
        sa.PrimaryKeyConstraint("evidence_sha256"),
    )
    op.create_index(op.f("ix_certificate_visit"), "certificate", ["visit"], unique=False)
    op.create_table(
        "correction",
        sa.Column("first", sa.String(length=64), nullable=False),
        sa.Column("by", sa.String(length=64), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["by"],
            ["visit.visit"],
        ),
        sa.ForeignKeyConstraint(
            ["first"],
            ["visit.visit"],
        ),
        sa.PrimaryKeyConstraint("first", "by"),
    )
    op.create_table(
        "cylinder_use",
        sa.Column("visit", sa.String(length=64), nullable=False),
        sa.Column("cylinder", sa.Text(), nullable=False),
        sa.Column("gas", sa.Text(), nullable=False),
        sa.Column("level_ppm", sa.Double(), nullable=True),
        sa.Column("u_ppm", sa.Double(), nullable=True),
        sa.Column("certificate", sa.Text(), nullable=False),
        sa.Column("expires", sa.Date(), nullable=True),
        sa.Column("pressure_before_pa", sa.Double(), nullable=True),
        sa.Column("pressure_after_pa", sa.Double(), nullable=True),
        sa.ForeignKeyConstraint(
            ["visit"],
            ["visit.visit"],
        ),
        sa.PrimaryKeyConstraint("visit", "cylinder"),
    )
    op.create_table(
        "effect_line",
        sa.Column("visit", sa.String(length=64), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("cause", sa.Text(), nullable=False),
        sa.Column("effect", sa.Text(), nullable=False),
        sa.Column("delay_s", sa.Double(), nullable=True),
        sa.Column("u_s", sa.Double(), nullable=True),
        sa.Column("within_s", sa.Double(), nullable=False),
        sa.Column("seen_by", sa.String(length=16), nullable=False),
        sa.Column("outcome", sa.String(length=16), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["visit"],
            ["visit.visit"],
        ),
        sa.PrimaryKeyConstraint("visit", "number"),
    )
    op.create_table(
        "finding",
        sa.Column("visit", sa.String(length=64), nullable=False),
        sa.Column("criterion", sa.String(length=200), nullable=False),
        sa.Column("tag", sa.String(length=40), nullable=True),
        sa.Column("kind", sa.String(length=24), nullable=False),
        sa.Column("as_left", sa.Boolean(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("value", sa.Double(), nullable=True),
        sa.Column("u", sa.Double(), nullable=True),
        sa.Column("unit", sa.String(length=8), nullable=False),
        sa.Column("target", sa.Double(), nullable=True),
        sa.Column("lower", sa.Double(), nullable=True),
        sa.Column("upper", sa.Double(), nullable=True),
        sa.Column("rule", sa.String(length=16), nullable=False),
        sa.Column("outcome", sa.String(length=16), nullable=False),
        sa.Column("margin", sa.Double(), nullable=True),
        sa.Column("p_conform", sa.Double(), nullable=True),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("budget", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["visit"],
            ["visit.visit"],
        ),
        sa.PrimaryKeyConstraint("visit", "criterion"),
    )
    op.create_index("finding_by_kind", "finding", ["visit", "tag", "kind"], unique=False)
    op.create_table(
        "inhibit",
        sa.Column("visit", sa.String(length=64), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("effect", sa.Text(), nullable=False),
        sa.Column("state", sa.String(length=16), nullable=False),
        sa.Column("at", sa.String(length=40), nullable=False),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("to", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["visit"],
            ["visit.visit"],
        ),
        sa.PrimaryKeyConstraint("visit", "number"),
    )
    op.create_table(
        "shown_by",
        sa.Column("visit", sa.String(length=64), nullable=False),
        sa.Column("evidence_sha256", sa.String(length=64), nullable=False),
        sa.ForeignKeyConstraint(
            ["evidence_sha256"],
            ["evidence.sha256"],
        ),
        sa.ForeignKeyConstraint(
            ["visit"],
            ["visit.visit"],
        ),
        sa.PrimaryKeyConstraint("visit", "evidence_sha256"),
    )
    op.create_index(op.f("ix_shown_by_evidence_sha256"), "shown_by", ["evidence_sha256"], unique=False)
    op.create_table(
        "test",
        sa.Column("visit", sa.String(length=64), nullable=False),
        sa.Column("tag", sa.String(length=40), nullable=False),
        sa.Column("gas", sa.Text(), nullable=False),
        sa.Column("sensor", sa.Text(), nullable=False),
        sa.Column("outcome", sa.String(length=16), nullable=False),
        sa.Column("as_found", sa.String(length=16), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("alarmed", sa.Boolean(), nullable=True),
        sa.Column("expected_t90_s", sa.Double(), nullable=True),
        sa.Column("adjusted_zero", sa.Boolean(), nullable=False),
        sa.Column("adjusted_span", sa.Boolean(), nullable=False),
        sa.Column("sensor_exchanged", sa.Boolean(), nullable=False),
        sa.Column("cylinder", sa.Text(), nullable=True),
        sa.Column("cylinder_certificate", sa.Text(), nullable=True),
        sa.Column("note", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["visit"],
            ["visit.visit"],
        ),
        sa.PrimaryKeyConstraint("visit", "tag"),
    )

    if op.get_bind().dialect.name == "postgresql":
        op.execute(
            f"CREATE FUNCTION gaswitness_refuse() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "
            f"RAISE EXCEPTION '{WORDS}'; END $$"
        )
        for table in TABLES:
            op.execute(
                f"CREATE TRIGGER {table}_stays BEFORE UPDATE OR DELETE OR TRUNCATE ON {table} "
                "FOR EACH STATEMENT EXECUTE FUNCTION gaswitness_refuse()"
            )
        return
    inspector = sa.inspect(op.get_bind())
    for table in TABLES:
        # INSERT OR REPLACE removes a row without asking the trigger on DELETE
        keys = inspector.get_pk_constraint(table)["constrained_columns"]
        same = " AND ".join(f'"{key}" = NEW."{key}"' for key in keys)
        there = f"SELECT 1 FROM {table} WHERE {same}"  # noqa: S608 - names of our own tables
        op.execute(
            f"CREATE TRIGGER {table}_no_replace BEFORE INSERT ON {table} WHEN EXISTS ({there}) "
            f"BEGIN SELECT RAISE(ABORT, '{WORDS}'); END"
        )
        for act in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER {table}_no_{act.lower()} BEFORE {act} ON {table} "
                f"BEGIN SELECT RAISE(ABORT, '{WORDS}'); END"
            )
