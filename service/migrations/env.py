"""Alembic's entry: the steps run on the connection and in the transaction that `service.store.schema` hands over."""

from alembic import context

import service.store.delivery_tables  # imported for the tables that it adds to the metadata
import service.store.export_tables
import service.store.subscription_tables  # noqa: F401 - as the lines above
from service.store.access_tables import clients  # with it come all tables: those of access share their metadata

context.configure(
    connection=context.config.attributes["connection"], target_metadata=clients.metadata, transactional_ddl=True
)
context.run_migrations()
