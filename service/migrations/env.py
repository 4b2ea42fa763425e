"""Alembic's entry: the steps run on the connection and in the transaction that `service.store.schema` hands over."""

from alembic import context

from service.store.access_tables import metadata  # with it come the tables of access, which share the metadata

context.configure(connection=context.config.attributes["connection"], target_metadata=metadata, transactional_ddl=True)
context.run_migrations()
