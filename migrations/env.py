"""What Alembic runs to reach the database: the connection is opened, locked and committed by whoever calls Alembic."""

from alembic import context
from sqlalchemy import Connection


def _run() -> None:
    connection = context.config.attributes.get("connection")
    if not isinstance(connection, Connection):
        # Alembic by itself would skip the backup, the lock and the checks around a migration.
        raise SystemExit("Run `tiedown migrate`.")
    context.configure(connection=connection)
    with context.begin_transaction():
        context.run_migrations()


_run()
