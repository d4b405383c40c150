"""API keys and logins at the desk."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "api_key",
        sa.Column("id", sa.String(32), primary_key=True),
        sa.Column("name", sa.String(200), nullable=False),
        sa.Column("secret_hash", sa.String(64), nullable=False),
        sa.Column("scopes", sa.String(200), nullable=False),
        sa.Column("per_minute", sa.Integer),
        sa.Column("max_body_bytes", sa.Integer),
        sa.Column("made_us", sa.BigInteger, nullable=False),
        sa.Column("revoked_us", sa.BigInteger),
    )
    op.create_table(
        "desk_session",
        sa.Column("token_hash", sa.String(64), primary_key=True),
        sa.Column("key_id", sa.String(32), sa.ForeignKey("api_key.id"), nullable=False),
        sa.Column("made_us", sa.BigInteger, nullable=False),
        sa.Column("expires_us", sa.BigInteger, nullable=False),
    )


def downgrade() -> None:
    """Drop the tables: all keys and logins are lost."""
    op.drop_table("desk_session")
    op.drop_table("api_key")
