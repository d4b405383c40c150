"""Webhooks and the log of what was delivered to them."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

Counter = sa.BigInteger().with_variant(sa.Integer, "sqlite")


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "webhook",
        sa.Column("id", sa.String(32), primary_key=True),
        sa.Column("url", sa.String(2000), nullable=False),
        sa.Column("events", sa.String(200), nullable=False),
        sa.Column("secret", sa.String(200), nullable=False),
        sa.Column("made_us", sa.BigInteger, nullable=False),
        sa.Column("stopped_us", sa.BigInteger),
    )
    op.create_table(
        "delivery",
        sa.Column("number", Counter, primary_key=True, autoincrement=True),
        sa.Column("webhook_id", sa.String(32), sa.ForeignKey("webhook.id"), nullable=False),
        sa.Column("event_id", sa.String(64), nullable=False),
        sa.Column("event", sa.String(64), nullable=False),
        sa.Column("case_id", sa.String(32), nullable=False),
        sa.Column("body", sa.Text, nullable=False),
        sa.Column("state", sa.String(16), nullable=False),
        sa.Column("tries", sa.Integer, nullable=False),
        sa.Column("next_us", sa.BigInteger, nullable=False),
        sa.Column("made_us", sa.BigInteger, nullable=False),
        sa.Column("ended_us", sa.BigInteger),
        sa.Column("last_status", sa.Integer),
        sa.Column("last_error", sa.String(300)),
    )
    op.create_index("delivery_by_state", "delivery", ["state", "next_us"])


def downgrade() -> None:
    """Drop the tables: webhooks and what was not yet delivered are lost."""
    op.drop_table("delivery")
    op.drop_table("webhook")
