"""What SQLite says when a write cannot be done, as errors of ours: busy (try again soon) or no room (make some first)."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

from sqlalchemy import Connection
from sqlalchemy.exc import OperationalError

from benchworthy.errors import StorageBusy, StorageFull

FULL_RETRY_SECONDS: Final = 30
_PRIMARY: Final = 0xFF  # the low byte of an extended result code
_BUSY: Final = frozenset({sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED})
# No room shows as FULL; a quota, a file size limit or a failing card as an I/O error; CANTOPEN when not even the log can be made.
_NO_ROOM: Final = frozenset({sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR, sqlite3.SQLITE_CANTOPEN})


@contextmanager
def told_plainly() -> Iterator[None]:
    """Let the block's OperationalError out as StorageBusy or StorageFull where it is one of these."""
    try:
        yield
    except OperationalError as fault:
        if isinstance(fault.orig, sqlite3.Error) and (error := in_our_words(fault.orig)) is not None:
            raise error from fault
        raise


def in_our_words(fault: sqlite3.Error) -> StorageBusy | None:
    """StorageBusy, StorageFull, or None when it is neither."""
    code = getattr(fault, "sqlite_errorcode", 0) & _PRIMARY
    if code in _BUSY:
        return StorageBusy("The database is locked by another write.", retry_after=1)
    if code in _NO_ROOM:
        return StorageFull(f"The database cannot be written ({fault}).", retry_after=FULL_RETRY_SECONDS)
    return None


def roll_back(connection: Connection) -> None:
    """End the transaction. When a write failed for want of room, SQLite has ended it already."""
    driver = connection.connection.dbapi_connection
    if isinstance(driver, sqlite3.Connection) and driver.in_transaction:
        connection.exec_driver_sql("ROLLBACK")
