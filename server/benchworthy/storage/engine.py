"""The database engine: one write after another, reads of one moment, what was told is on the disk; busy becomes StorageBusy.

SQLite: one BEGIN IMMEDIATE per write, WAL, foreign keys, synchronous FULL. What PostgreSQL needs for it is in postgresql.py.
"""

import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event, text

from benchworthy.errors import SettingsInvalid, StorageBusy
from benchworthy.storage import postgresql
from benchworthy.storage.faults import in_our_words, roll_back, told_plainly

BUSY_MS = 5000


def open_engine(url: str) -> Engine:
    """An engine for a database URL. Raises SettingsInvalid for a database this version does not know."""
    if url.startswith(postgresql.SCHEME):
        return postgresql.open_engine(url)
    if not url.startswith("sqlite:///"):
        raise SettingsInvalid(
            f"BENCHWORTHY_DATABASE is {url.split(':')[0]!r}; data are kept in sqlite:///PATH or {postgresql.SCHEME}HOST/NAME."
        )
    Path(url.removeprefix("sqlite:///")).parent.mkdir(parents=True, exist_ok=True)
    engine = create_engine(url, connect_args={"timeout": BUSY_MS / 1000, "isolation_level": None})
    event.listen(engine, "connect", _prepare)
    return engine


def _prepare(connection: sqlite3.Connection, _: Any) -> None:
    """`isolation_level=None` hands every BEGIN to us; a reader upgraded to a writer would not wait for the lock."""
    connection.execute(f"PRAGMA busy_timeout={BUSY_MS}")
    _use_wal(connection)
    for pragma in ("foreign_keys=ON", "synchronous=FULL"):
        connection.execute(f"PRAGMA {pragma}")


def _use_wal(connection: sqlite3.Connection) -> None:
    """Turning a new database to WAL does not wait for the lock as other statements do, so the waiting is done here."""
    deadline = time.monotonic() + BUSY_MS / 1000
    while True:
        try:
            connection.execute("PRAGMA journal_mode=WAL")
            return
        except sqlite3.OperationalError as fault:
            if "locked" not in str(fault) or time.monotonic() >= deadline:
                raise (in_our_words(fault) or StorageBusy("The database cannot be opened now.", retry_after=1)) from fault
            time.sleep(0.02)


@contextmanager
def writing(engine: Engine) -> Iterator[Connection]:
    """One write transaction: committed when the block ends, rolled back when it raises. Raises StorageBusy or StorageFull."""
    with _connected(engine) as connection:
        with told_plainly():
            _begin_write(connection)
        try:
            with told_plainly():
                yield connection
                _commit(connection)
        except BaseException:
            roll_back(connection)
            raise


@contextmanager
def reading(engine: Engine) -> Iterator[Connection]:
    """One consistent read: several queries see the same state. Raises StorageBusy where no connection can be had."""
    with _connected(engine) as connection:
        if postgresql.is_it(connection):
            postgresql.begin_read(connection)
        else:
            connection.exec_driver_sql("BEGIN")
        try:
            with told_plainly() if postgresql.is_it(connection) else nullcontext():  # a server may go away while it is read
                yield connection
        finally:
            roll_back(connection)


@contextmanager
def _connected(engine: Engine) -> Iterator[Connection]:
    with told_plainly():
        connection = engine.connect()
    with connection:
        yield connection


def _begin_write(connection: Connection) -> None:
    if postgresql.is_it(connection):
        postgresql.begin_write(connection, BUSY_MS)
    else:
        connection.execute(text("BEGIN IMMEDIATE"))


def _commit(connection: Connection) -> None:
    if postgresql.is_it(connection):
        connection.commit()
    else:
        connection.exec_driver_sql("COMMIT")
