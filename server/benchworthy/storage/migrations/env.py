"""Run by Alembic: migrates the connection it is handed, inside that connection's own transaction."""

from alembic import context

from benchworthy.storage import (  # noqa: F401  their tables join the others
    fixture_tables,
    lapse_tables,
    lending_tables,
    life_tables,
    standing_tables,
    waiver_tables,
)
from benchworthy.storage.tables import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    render_as_batch=True,
    transactional_ddl=False,
)
context.run_migrations()
