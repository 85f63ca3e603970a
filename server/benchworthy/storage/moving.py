"""The whole record between an SQLite file and a PostgreSQL database, row for row; checksums of every table say it is the same.

A backup is an SQLite file wherever the record lives, so that one made on either restores into the other.
"""

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from sqlalchemy import Connection, Engine, MetaData
from sqlalchemy.exc import DBAPIError

from benchworthy.errors import RestoreRefused, SettingsInvalid, WriteFailed
from benchworthy.storage import checksums, copying, postgresql
from benchworthy.storage.checksums import TableSum
from benchworthy.storage.engine import open_engine, reading, writing
from benchworthy.storage.migrate import known_revisions, upgrade

_REVISION: Final = "alembic_version"
_AT_ONCE: Final = 1000


@dataclass(frozen=True, slots=True)
class _Shape:
    """One table as both databases have it: `flags` are PostgreSQL's booleans, 0 and 1 in SQLite; `notes` its JSON, text there."""

    name: str
    columns: tuple[str, ...]
    key: tuple[str, ...]
    flags: frozenset[int]
    notes: frozenset[str]


def on_postgresql(url: str) -> bool:
    return url.startswith(postgresql.SCHEME)


def require(url: str) -> None:
    """Raises FileUnreadable or SettingsInvalid where no record is kept under a database URL; makes none."""
    if not on_postgresql(url):
        copying.path_of(url)
        return
    engine = open_engine(url)
    try:
        with reading(engine) as connection:
            revision(connection)
    finally:
        engine.dispose()


def out(url: str, into: Path) -> None:
    """Copy a PostgreSQL record, as it is at one moment, into a new SQLite file. Raises WriteFailed when they are not the same."""
    engine = open_engine(url)
    try:
        with reading(engine) as source:
            _like(into, revision(source))
            with closing(copying.open_file(into)) as target:
                written = _write_file(source, target)
                if wrong := copying.unsound(target):
                    raise WriteFailed(f"The copy of the record is not sound, so the record itself may be damaged: {wrong}.")
                if differing := _differing(written, checksums.of_database(target)):
                    raise WriteFailed(f"The copy of {differing} is not the same as in the database.")
    finally:
        engine.dispose()


def into(file: Path, url: str) -> None:
    """Copy an SQLite record of this version's schema into an empty PostgreSQL database: all of it, or nothing.

    Raises RestoreRefused where something is kept in the database, or where it does not take the rows.
    """
    engine = open_engine(url)
    driver_error = engine.dialect.loaded_dbapi.Error
    try:
        _refuse_unless_empty(engine)
        upgrade(engine)
        with closing(copying.open_file(file)) as source, writing(engine) as target:
            source.text_factory = str
            shapes = _shapes(target, source)
            for shape in shapes:
                _fill(source, target, shape)
            _count_on(target)
            found = {shape.name: checksums.of_rows(shape.name, shape.columns, _sorted_rows(target, shape)) for shape in shapes}
            if differing := _differing(found, checksums.of_database(source)):
                raise RestoreRefused(f"PostgreSQL does not keep {differing} as it was backed up.")
    except (DBAPIError, driver_error) as fault:
        told = str(fault.orig if isinstance(fault, DBAPIError) else fault).splitlines()
        raise RestoreRefused(f"PostgreSQL does not take the rows: {' '.join(told[:2])}") from fault
    except (sqlite3.OperationalError, UnicodeDecodeError) as fault:
        raise RestoreRefused(f"The backup holds a text that is no UTF-8, which PostgreSQL does not take: {fault}.") from fault
    finally:
        engine.dispose()


def revision(connection: Connection) -> str:
    """The schema of a PostgreSQL record. Raises SettingsInvalid where there is none, or one of a later version."""
    there = connection.exec_driver_sql(f"SELECT to_regclass('{_REVISION}') IS NOT NULL").scalar_one()
    found = connection.exec_driver_sql(f"SELECT version_num FROM {_REVISION}").scalar() if there else None
    if found is None:
        raise SettingsInvalid("The database that BENCHWORTHY_DATABASE names holds no record yet.")
    if found not in known_revisions():
        raise SettingsInvalid(f"The database has schema {found}, which this version does not know.")
    return str(found)


def _like(file: Path, schema: str) -> None:
    """A new SQLite file with that schema and without rows."""
    engine = open_engine(f"sqlite:///{file}")
    try:
        upgrade(engine, schema)
    finally:
        engine.dispose()
    with closing(copying.open_file(file)) as connection:
        connection.execute("PRAGMA journal_mode=DELETE")  # one file, with nothing beside it
        connection.execute(f"DELETE FROM {_REVISION}")


def _write_file(source: Connection, target: sqlite3.Connection) -> dict[str, TableSum]:
    """All rows into the file; gives the checksums of what was read."""
    target.execute("PRAGMA synchronous=OFF")  # a draft until it is packed
    target.execute("BEGIN")
    sums = {}
    for shape in _shapes(source, target):
        marks = ", ".join("?" * len(shape.columns))
        insert = f"INSERT INTO {_name(shape.name)} ({_names(shape.columns)}) VALUES ({marks})"
        sums[shape.name] = checksums.of_rows(shape.name, shape.columns, _writing_along(source, target, shape, insert))
    target.execute("COMMIT")
    return sums


def _writing_along(source: Connection, target: sqlite3.Connection, shape: _Shape, insert: str) -> Iterator[Sequence[Any]]:
    for row in _sorted_rows(source, shape):
        target.execute(insert, row)
        yield row


def _shapes(postgres: Connection, file: sqlite3.Connection) -> list[_Shape]:
    """Every table, those first that others lead to. Raises WriteFailed where the two have not the same tables and columns."""
    described = MetaData()
    described.reflect(postgres)
    names = checksums.tables(file)
    if {table.name for table in described.sorted_tables} != set(names):
        strange = sorted({table.name for table in described.sorted_tables} ^ set(names))
        raise WriteFailed(f"The database holds other tables than its schema has: {', '.join(strange)}.")
    return [_shape(table.name, described, file) for table in described.sorted_tables]


def _shape(name: str, described: MetaData, file: sqlite3.Connection) -> _Shape:
    columns, key = checksums.shape(file, name)
    there = described.tables[name].columns
    if {column.name for column in there} != set(columns):
        raise WriteFailed(f"The database has other columns in {name} than its schema.")
    flags = frozenset(place for place, column in enumerate(columns) if str(there[column].type) == "BOOLEAN")
    notes = frozenset(column for column in columns if str(there[column].type) == "JSON")
    return _Shape(name, tuple(columns), tuple(key), flags, notes)


def _sorted_rows(source: Connection, shape: _Shape) -> Iterator[Sequence[Any]]:
    """As SQLite would give them."""
    wanted = ", ".join(f"{_name(column)}::text" if column in shape.notes else _name(column) for column in shape.columns)
    query = f"SELECT {wanted} FROM {_name(shape.name)} ORDER BY {_names(shape.key)}"
    streamed = source.execution_options(stream_results=True, max_row_buffer=_AT_ONCE).exec_driver_sql(query)
    for row in streamed:
        yield tuple(int(value) if place in shape.flags and value is not None else value for place, value in enumerate(row))


def _fill(source: sqlite3.Connection, target: Connection, shape: _Shape) -> None:
    driver: Any = target.connection.driver_connection
    rows = source.execute(f"SELECT {_names(shape.columns)} FROM {_name(shape.name)}")
    if shape.name == _REVISION:
        return  # the schema was made by migrating to the same one
    with driver.cursor() as cursor, cursor.copy(f"COPY {_name(shape.name)} ({_names(shape.columns)}) FROM STDIN") as copy:
        for row in rows:
            copy.write_row([bool(v) if place in shape.flags and v is not None else v for place, v in enumerate(row)])


def _count_on(target: Connection) -> None:
    """The next number of each table follows the highest that is there."""
    found = target.exec_driver_sql(
        "SELECT quote_ident(r.relname), quote_ident(a.attname), pg_get_serial_sequence(quote_ident(r.relname), a.attname) "
        "FROM pg_attribute a JOIN pg_class r ON r.oid = a.attrelid "
        "WHERE r.relkind = 'r' AND r.relnamespace = current_schema()::regnamespace AND a.attnum > 0 AND NOT a.attisdropped "
        "AND pg_get_serial_sequence(quote_ident(r.relname), a.attname) IS NOT NULL"
    ).all()
    for table, column, sequence in found:
        highest = f"(SELECT COALESCE(MAX({column}), 0) + 1 FROM {table})"
        target.exec_driver_sql(f"SELECT setval('{sequence}', {highest}, false)")


def _refuse_unless_empty(engine: Engine) -> None:
    with reading(engine) as connection:
        described = MetaData()
        described.reflect(connection)
        for table in described.sorted_tables:
            query = f"SELECT EXISTS (SELECT 1 FROM {_name(table.name)})"
            if table.name != _REVISION and connection.exec_driver_sql(query).scalar_one():
                raise RestoreRefused(f"The database of BENCHWORTHY_DATABASE is not empty: there are rows in {table.name}.")


def _differing(one: dict[str, TableSum], other: dict[str, TableSum]) -> str:
    return ", ".join(sorted(name for name in {*one, *other} if one.get(name) != other.get(name)))


def _name(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'


def _names(names: Sequence[str]) -> str:
    return ", ".join(map(_name, names))
