"""Cases, their entries, answers, persons, and calls made once."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

Counter = sa.BigInteger().with_variant(sa.Integer, "sqlite")


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "case_file",
        sa.Column("number", Counter, primary_key=True, autoincrement=True),
        sa.Column("id", sa.String(32), nullable=False, unique=True),
        sa.Column("reference", sa.String(200)),
        sa.Column("state", sa.String(16), nullable=False),
        sa.Column("verdict", sa.String(32)),
        sa.Column("entries", sa.Integer, nullable=False),
        sa.Column("revision", sa.Integer, nullable=False),
        sa.Column("created_us", sa.BigInteger, nullable=False),
        sa.Column("changed_us", sa.BigInteger, nullable=False),
    )
    op.create_index("case_file_by_reference", "case_file", ["reference"])
    op.create_table(
        "entry",
        sa.Column("case_id", sa.String(32), sa.ForeignKey("case_file.id"), primary_key=True),
        sa.Column("number", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("kind", sa.String(16), nullable=False),
        sa.Column("at_us", sa.BigInteger, nullable=False),
        sa.Column("who", sa.String(200)),
        sa.Column("door", sa.String(16), nullable=False),
        sa.Column("key_id", sa.String(32)),
        sa.Column("body", sa.Text, nullable=False),
    )
    op.create_table(
        "decision",
        sa.Column("digest", sa.String(64), primary_key=True),
        sa.Column("decision_id", sa.String(32), nullable=False),
        sa.Column("kb_hash", sa.String(64), nullable=False),
        sa.Column("kb_version", sa.String(32), nullable=False),
        sa.Column("verdict", sa.String(32), nullable=False),
        sa.Column("given_us", sa.BigInteger, nullable=False),
        sa.Column("facts", sa.Text, nullable=False),
        sa.Column("body", sa.LargeBinary, nullable=False),
    )
    op.create_index("decision_by_id", "decision", ["decision_id"])
    op.create_table(
        "answer",
        sa.Column("case_id", sa.String(32), sa.ForeignKey("case_file.id"), primary_key=True),
        sa.Column("entry", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("kb_hash", sa.String(64), primary_key=True),
        sa.Column("digest", sa.String(64), sa.ForeignKey("decision.digest"), nullable=False),
        sa.Column("given_us", sa.BigInteger, nullable=False),
    )
    op.create_table(
        "person",
        sa.Column("case_id", sa.String(32), sa.ForeignKey("case_file.id"), primary_key=True),
        sa.Column("name", sa.String(200)),
        sa.Column("telephone", sa.String(100)),
        sa.Column("plate", sa.String(50)),
        sa.Column("changed_us", sa.BigInteger, nullable=False),
    )
    op.create_table(
        "once",
        sa.Column("owner", sa.String(32), primary_key=True),
        sa.Column("key", sa.String(255), primary_key=True),
        sa.Column("asked", sa.String(64), nullable=False),
        sa.Column("status", sa.Integer, nullable=False),
        sa.Column("headers", sa.Text, nullable=False),
        sa.Column("body", sa.LargeBinary, nullable=False),
        sa.Column("made_us", sa.BigInteger, nullable=False),
    )
    op.create_index("once_by_age", "once", ["made_us"])


def downgrade() -> None:
    """Drop the tables with all that they hold."""
    for table in ("once", "person", "answer", "decision", "entry", "case_file"):
        op.drop_table(table)
