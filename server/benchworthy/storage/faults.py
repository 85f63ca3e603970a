"""What a database says when a write cannot be done, as errors of ours: busy (try again soon) or no room (make some first)."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

from sqlalchemy import Connection
from sqlalchemy.exc import OperationalError

from benchworthy.errors import StorageBusy, StorageFull

FULL_RETRY_SECONDS: Final = 30
AWAY_RETRY_SECONDS: Final = 5
_PRIMARY: Final = 0xFF  # the low byte of an extended result code
_BUSY: Final = frozenset({sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED})
# No room shows as FULL; a quota, a file size limit or a failing card as an I/O error; CANTOPEN when not even the log can be made.
_NO_ROOM: Final = frozenset({sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR, sqlite3.SQLITE_CANTOPEN})
# PostgreSQL's SQLSTATE (its manual, appendix A): another holds the lock, or two would wait for each other.
_LOCKED: Final = frozenset({"55P03", "40P01", "40001"})
_AWAY: Final = ("08", "57P", "53300", "25P03")  # no connection, shut down, too many clients, ended for want of news
_DISK_FULL: Final = frozenset({"53100", "53200"})


@contextmanager
def told_plainly() -> Iterator[None]:
    """Let the block's OperationalError out as StorageBusy or StorageFull where it is one of these."""
    try:
        yield
    except OperationalError as fault:
        told = in_our_words(fault.orig) if isinstance(fault.orig, sqlite3.Error) else _by_state(fault)
        if told is not None:
            raise told from fault
        raise


def in_our_words(fault: sqlite3.Error) -> StorageBusy | None:
    """StorageBusy, StorageFull, or None when it is neither."""
    code = getattr(fault, "sqlite_errorcode", 0) & _PRIMARY
    if code in _BUSY:
        return StorageBusy("The database is locked by another write.", retry_after=1)
    if code in _NO_ROOM:
        return StorageFull(f"The database cannot be written ({fault}).", retry_after=FULL_RETRY_SECONDS)
    return None


def _by_state(fault: OperationalError) -> StorageBusy | None:
    """By the state that a PostgreSQL server sends along; there is none where no connection could be had."""
    state = getattr(fault.orig, "sqlstate", None)
    if state in _LOCKED:
        return StorageBusy("The database is locked by another write.", retry_after=1)
    if state in _DISK_FULL:
        return StorageFull(f"The database cannot be written ({_first_line(fault)}).", retry_after=FULL_RETRY_SECONDS)
    if state is None or state.startswith(_AWAY) or fault.connection_invalidated:
        return StorageBusy(f"The database does not answer ({_first_line(fault)}).", retry_after=AWAY_RETRY_SECONDS)
    return None


def _first_line(fault: OperationalError) -> str:
    return (str(fault.orig).splitlines() or [type(fault.orig).__name__])[0][:200]


def roll_back(connection: Connection) -> None:
    """End the transaction. When a write failed for want of room, SQLite has ended it already."""
    if connection.dialect.name != "sqlite":
        connection.rollback()
        return
    driver = connection.connection.dbapi_connection
    if isinstance(driver, sqlite3.Connection) and driver.in_transaction:
        connection.exec_driver_sql("ROLLBACK")
