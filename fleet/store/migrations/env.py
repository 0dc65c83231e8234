"""What alembic runs a migration in: the connection and transaction of `fleet.store.migrate`."""

from alembic import context

from fleet.store.migrate import VERSION_TABLE
from fleet.store.tables import Row

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=Row.metadata,
    version_table=VERSION_TABLE,
    render_as_batch=True,  # SQLite alters a table by copying it
)
context.run_migrations()
