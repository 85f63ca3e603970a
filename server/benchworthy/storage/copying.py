"""A copy of a database while others write to it, and what is asked of a copy before it is trusted."""

import sqlite3
from contextlib import closing
from pathlib import Path
from urllib.parse import quote

from benchworthy.errors import FileUnreadable, WriteFailed

_WAIT_SECONDS = 30.0


def path_of(url: str) -> Path:
    """The file of a database URL sqlite:///PATH. Raises FileUnreadable when it is not there."""
    path = Path(url.removeprefix("sqlite:///"))
    if not path.is_file():
        raise FileUnreadable(f"There is no database {path}; BENCHWORTHY_DATA names the directory it lies in.")
    return path


def open_file(path: Path, *, readonly: bool = False) -> sqlite3.Connection:
    """A connection to a database that is there; it is never made."""
    mode = "ro" if readonly else "rw"
    return sqlite3.connect(f"file:{quote(str(path))}?mode={mode}", uri=True, timeout=_WAIT_SECONDS, isolation_level=None)


def copy(database: Path, into: Path) -> None:
    """Copy by SQLite's backup API, all pages in one step: one moment of the record, and nobody who writes has to wait.

    Page by page, each write in between would start the copy again. Raises WriteFailed when the copy is not sound.
    """
    with closing(open_file(database)) as source, closing(sqlite3.connect(into, isolation_level=None)) as target:
        source.backup(target, pages=-1)
        target.execute("PRAGMA journal_mode=DELETE")  # one file, with nothing beside it
        if wrong := unsound(target):
            raise WriteFailed(f"The copy of {database} is not sound, so the database itself may be damaged: {wrong}.")


def unsound(connection: sqlite3.Connection) -> str:
    """What integrity_check and foreign_key_check find, in a phrase; empty when nothing."""
    told = [str(row[0]) for row in connection.execute("PRAGMA integrity_check(3)")]
    if told != ["ok"]:
        return "; ".join(told)
    broken = connection.execute("PRAGMA foreign_key_check").fetchall()
    return f"{len(broken)} foreign keys lead nowhere, the first in {broken[0][0]}" if broken else ""


def schema_of(connection: sqlite3.Connection) -> str:
    """The revision of the schema; empty for a database without one."""
    there = connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'alembic_version'").fetchone()
    row = connection.execute("SELECT version_num FROM alembic_version").fetchone() if there else None
    return str(row[0]) if row else ""
