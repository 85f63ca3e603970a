"""What a PostgreSQL database needs to behave as the record expects: the ways in which it differs from SQLite end here.

Writes come one after another under one advisory lock, as behind SQLite's: decisions rest on what was read before, and numbers
of entries are given in the order of commits. Reads are REPEATABLE READ: one moment for several queries.
"""

from collections.abc import Mapping
from typing import Any, Final

from sqlalchemy import Connection, Engine, Integer, create_engine, event, make_url
from sqlalchemy.exc import ArgumentError

from benchworthy.errors import PartMissing, SettingsInvalid

SCHEME: Final = "postgresql+psycopg://"
WRITE_LOCK: Final = 0x62656E6368  # "bench"; advisory locks are kept apart by database
_CONNECT_SECONDS: Final = 5
# A machine that lost its power in the middle of a write must not keep the others from writing for hours.
_SESSION: Final[Mapping[str, str]] = {
    "idle_in_transaction_session_timeout": "60s",
    "tcp_keepalives_idle": "15",
    "tcp_keepalives_interval": "5",
    "tcp_keepalives_count": "3",
}
_NUL, _SHOWN_NUL = "\0", "\u2400"


def is_it(connection: Connection | Engine) -> bool:
    return connection.dialect.name == "postgresql"


def open_engine(url: str) -> Engine:
    """Raises SettingsInvalid for a URL that cannot be read, PartMissing without the driver; connects to nobody yet."""
    try:
        parsed = make_url(url)
        engine = create_engine(
            parsed,
            pool_pre_ping=True,  # the server may have been started again meanwhile
            connect_args={"connect_timeout": _CONNECT_SECONDS, "prepare_threshold": None} | dict(parsed.query),
        )
    except (ArgumentError, ValueError):  # its text would hold the password
        raise SettingsInvalid(f"BENCHWORTHY_DATABASE cannot be read; write {SCHEME}USER@HOST:PORT/NAME.") from None
    except ModuleNotFoundError as fault:
        raise PartMissing("A PostgreSQL database needs its driver: pip install 'benchworthy[postgresql]'.") from fault
    # Whole numbers go out as large as they are: the cast to 32 bits would refuse a cursor or a counter that is only higher.
    engine.dialect.colspecs = {kind: own for kind, own in engine.dialect.colspecs.items() if kind is not Integer}
    event.listen(engine, "connect", _prepare)
    event.listen(engine, "before_cursor_execute", _without_nul, retval=True)
    return engine


def begin_write(connection: Connection, busy_ms: int) -> None:
    """Wait for the lock that all writes take. Each later statement sees what was committed until then: READ COMMITTED."""
    connection.exec_driver_sql(f"SET LOCAL lock_timeout = {int(busy_ms)}")
    connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({WRITE_LOCK})")


def begin_read(connection: Connection) -> None:
    connection.exec_driver_sql("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY")


def make_alike(connection: Connection) -> None:
    """Give every column the kind that it has in SQLite, whatever the database's own locale is: text that sorts by code point
    and has no length, and whole numbers of 64 bits. Pages, cursors and checksums rest on one order."""
    wanted: dict[str, list[str]] = {}
    for table, column, kind in connection.exec_driver_sql(_UNLIKE):
        wanted.setdefault(table, []).append(f"ALTER COLUMN {column} TYPE {kind}")
    for table, changes in wanted.items():
        connection.exec_driver_sql(f"ALTER TABLE {table} {', '.join(changes)}")


_UNLIKE: Final = """
SELECT quote_ident(r.relname), quote_ident(a.attname),
       CASE WHEN a.atttypid = 'integer'::regtype THEN 'bigint' ELSE 'text COLLATE "C"' END
FROM pg_attribute a JOIN pg_class r ON r.oid = a.attrelid
WHERE r.relkind = 'r' AND r.relnamespace = current_schema()::regnamespace AND r.relname <> 'alembic_version'
  AND a.attnum > 0 AND NOT a.attisdropped
  AND (a.atttypid IN ('integer'::regtype, 'character varying'::regtype)
       OR (a.atttypid = 'text'::regtype AND a.attcollation <> '"C"'::regcollation))
ORDER BY 1, a.attnum
"""


def refuse_unfit(connection: Connection) -> None:
    """Raises SettingsInvalid for a database that cannot hold every text."""
    encoding = connection.exec_driver_sql("SHOW server_encoding").scalar_one()
    if encoding != "UTF8":
        raise SettingsInvalid(f"The database is in {encoding}; make one in UTF8: createdb -E UTF8 -T template0 NAME.")


def _prepare(connection: Any, _: Any) -> None:
    with connection.cursor() as cursor:
        for name, value in _SESSION.items():
            cursor.execute(f"SET {name} = '{value}'")
        cursor.execute("SELECT current_setting('synchronous_commit')")
        if cursor.fetchone()[0] == "off":  # a receipt that went out is on the disk; stricter settings stay as they are
            cursor.execute("SET synchronous_commit = on")
    connection.commit()


def _without_nul(_: Any, __: Any, statement: str, parameters: Any, *___: Any) -> tuple[str, Any]:
    """No text of PostgreSQL holds the character NUL. What a board sent stays in its token as received; what is told of it, or
    looked for, has the sign for NUL instead. Texts that are hashed never hold one: a body with it is refused at the door."""
    if isinstance(parameters, Mapping):
        return statement, _shown(parameters)
    if isinstance(parameters, list):
        return statement, [_shown(one) if isinstance(one, Mapping) else one for one in parameters]
    return statement, parameters


def _shown(values: Mapping[str, Any]) -> Mapping[str, Any]:
    if not any(isinstance(value, str) and _NUL in value for value in values.values()):
        return values
    return {name: value.replace(_NUL, _SHOWN_NUL) if isinstance(value, str) else value for name, value in values.items()}
