"""Bring a database to this version's schema. Foreign keys are off while tables are rebuilt and checked afterwards."""

from pathlib import Path
from typing import Final

from sqlalchemy import Connection, Engine
from sqlalchemy.exc import ProgrammingError

from benchworthy.errors import SettingsInvalid
from benchworthy.storage import postgresql
from benchworthy.storage.faults import roll_back, told_plainly

_FOLDER = Path(__file__).parent / "migrations"
_PATIENCE_MS: Final = 60_000  # another process of this release may be at it
_NOT_ALLOWED: Final = "42501"


def known_revisions() -> frozenset[str]:
    """Every schema that this version can bring to its own."""
    from alembic.script import ScriptDirectory  # heavy, as below

    return frozenset(script.revision for script in ScriptDirectory(str(_FOLDER)).walk_revisions())


def upgrade(engine: Engine, to: str = "head") -> None:
    """Apply every missing migration, up to the one named: all of it or nothing.

    Raises SettingsInvalid if the result breaks a foreign key or the database cannot hold the record; StorageBusy; StorageFull.
    """
    with told_plainly(), engine.connect() as connection:
        (_on_postgresql if postgresql.is_it(connection) else _on_sqlite)(connection, to)


def _on_sqlite(connection: Connection, to: str) -> None:
    connection.exec_driver_sql("PRAGMA foreign_keys=OFF")
    connection.exec_driver_sql("BEGIN IMMEDIATE")
    try:
        _migrate(connection, to)
        broken = connection.exec_driver_sql("PRAGMA foreign_key_check").all()
    except BaseException:
        roll_back(connection)
        raise
    if broken:
        roll_back(connection)
        raise SettingsInvalid(f"The database breaks {len(broken)} foreign keys after the migration; restore a backup.")
    connection.exec_driver_sql("COMMIT")
    connection.exec_driver_sql("PRAGMA foreign_keys=ON")


def _on_postgresql(connection: Connection, to: str) -> None:
    """Foreign keys hold all the while; what a migration does to tables is undone with the rest of its transaction."""
    postgresql.refuse_unfit(connection)
    try:
        postgresql.begin_write(connection, _PATIENCE_MS)
        _migrate(connection, to)
        postgresql.make_alike(connection)
        connection.commit()
    except ProgrammingError as fault:
        if getattr(fault.orig, "sqlstate", None) != _NOT_ALLOWED:
            raise
        raise SettingsInvalid(f"The database's account may not make tables ({fault.orig}); make it the owner.") from fault


def _migrate(connection: Connection, to: str) -> None:
    from alembic import command  # heavy; only needed at start
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(_FOLDER).replace("%", "%%"))
    config.attributes["connection"] = connection
    command.upgrade(config, to)
