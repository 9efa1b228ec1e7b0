"""Where Alembic starts: it is handed an open connection and works in that connection's transaction."""

from alembic import context

from kerfmark.storage.schema import Base

connection = context.config.attributes["connection"]
context.configure(connection=connection, target_metadata=Base.metadata, render_as_batch=True)
context.run_migrations()
