"""Bring a database to this version's schema. Foreign keys are off while tables are rebuilt and checked afterwards."""

from pathlib import Path

from sqlalchemy import Engine

from benchworthy.errors import SettingsInvalid
from benchworthy.storage.faults import roll_back, told_plainly

_FOLDER = Path(__file__).parent / "migrations"


def known_revisions() -> frozenset[str]:
    """Every schema that this version can bring to its own."""
    from alembic.script import ScriptDirectory  # heavy, as below

    return frozenset(script.revision for script in ScriptDirectory(str(_FOLDER)).walk_revisions())


def upgrade(engine: Engine, to: str = "head") -> None:
    """Apply every missing migration, up to the one named. SettingsInvalid if the result breaks a foreign key; StorageFull."""
    from alembic import command  # heavy; only needed at start
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(_FOLDER).replace("%", "%%"))
    with told_plainly(), engine.connect() as connection:
        connection.exec_driver_sql("PRAGMA foreign_keys=OFF")
        connection.exec_driver_sql("BEGIN IMMEDIATE")
        config.attributes["connection"] = connection
        try:
            command.upgrade(config, to)
            broken = connection.exec_driver_sql("PRAGMA foreign_key_check").all()
        except BaseException:
            roll_back(connection)
            raise
        if broken:
            roll_back(connection)
            raise SettingsInvalid(f"The database breaks {len(broken)} foreign keys after the migration; restore a backup.")
        connection.exec_driver_sql("COMMIT")
        connection.exec_driver_sql("PRAGMA foreign_keys=ON")
