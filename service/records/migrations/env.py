"""Alembic's entry: migrations run on the connection that `Store.migrate` hands over."""

from alembic import context

import service.records.shop_tables
import service.records.tables  # noqa: F401  (both fill the metadata)
from service.records.columns import Base

context.configure(
    connection=context.config.attributes["connection"], target_metadata=Base.metadata, render_as_batch=True
)
with context.begin_transaction():
    context.run_migrations()
