"""Alembic's entry: the steps run on the connection and in the transaction that `service.store.schema` hands over."""

from alembic import context

from service.store.tables import metadata

context.configure(connection=context.config.attributes["connection"], target_metadata=metadata, transactional_ddl=True)
context.run_migrations()
