"""Photographs of a case."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the table."""
    op.create_table(
        "photograph",
        sa.Column("id", sa.String(32), primary_key=True),
        sa.Column("case_id", sa.String(32), sa.ForeignKey("case_file.id"), nullable=False),
        sa.Column("point", sa.String(64)),
        sa.Column("caption", sa.String(300)),
        sa.Column("at_us", sa.BigInteger, nullable=False),
        sa.Column("who", sa.String(200)),
        sa.Column("key_id", sa.String(32)),
        sa.Column("width", sa.Integer, nullable=False),
        sa.Column("height", sa.Integer, nullable=False),
        sa.Column("image", sa.LargeBinary, nullable=False),
        sa.Column("small", sa.LargeBinary, nullable=False),
    )
    op.create_index("ix_photograph_case_id", "photograph", ["case_id"])


def downgrade() -> None:
    """Drop the table: the photographs are lost."""
    op.drop_table("photograph")
