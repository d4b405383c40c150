"""Runs migrations on the engine that `api.storage.migrate` hands over."""

from __future__ import annotations

from alembic import context

from api.storage.tables import Base

with context.config.attributes["engine"].connect() as connection:
    context.configure(
        connection=connection,
        target_metadata=Base.metadata,
        render_as_batch=True,
        transactional_ddl=True,
        transaction_per_migration=False,
    )
    with context.begin_transaction():
        context.run_migrations()
