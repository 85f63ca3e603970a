"""A checksum of every table that depends on its rows alone: not on the file, its pages, the order of writing or the database."""

import hashlib
import sqlite3
import struct
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class TableSum:
    """How many rows a table has, and SHA-256 over its name, its columns and its rows."""

    rows: int
    sha256: str


def of_database(connection: sqlite3.Connection) -> dict[str, TableSum]:
    """Every table of the database, by name. `connection` is the caller's and is left as it was."""
    factory = connection.text_factory
    connection.text_factory = _text
    try:
        return {table: _table(connection, table) for table in tables(connection)}
    finally:
        connection.text_factory = factory


def tables(connection: sqlite3.Connection) -> list[str]:
    """By name."""
    query = "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite@_%' ESCAPE '@' ORDER BY name"
    return [row[0] for row in connection.execute(query)]


def _table(connection: sqlite3.Connection, table: str) -> TableSum:
    columns, key = shape(connection, table)
    return of_rows(table, columns, _ordered(connection, table, columns, key))


def shape(connection: sqlite3.Connection, table: str) -> tuple[list[str], list[str]]:
    """A table's columns, and those that its rows are sorted by."""
    described = connection.execute(f"PRAGMA table_info({_name(table)})").fetchall()
    columns = [row[1] for row in described]
    return columns, [row[1] for row in sorted(described, key=lambda row: int(row[5])) if row[5]] or columns


def of_rows(table: str, columns: Sequence[str], ordered: Iterable[Sequence[object]]) -> TableSum:
    """The checksum of a table whose rows come sorted by its key."""
    total, rows = hashlib.sha256(), 0
    total.update(_row([table, *columns]))
    for values in ordered:
        total.update(_row(values))
        rows += 1
    return TableSum(rows, total.hexdigest())


def _ordered(connection: sqlite3.Connection, table: str, columns: list[str], key: list[str]) -> Iterator[Sequence[object]]:
    """By primary key: two databases with the same rows give the same sequence, however these came in."""
    wanted, order = (", ".join(map(_name, names)) for names in (columns, key))
    return connection.execute(f"SELECT {wanted} FROM {_name(table)} ORDER BY {order}")


def _row(values: Sequence[object]) -> bytes:
    """Kind and length stand before each value, so that no two rows are written alike."""
    return b"(" + b"".join(map(_value, values)) + b")"


def _value(value: object) -> bytes:
    match value:
        case None:
            return b"n;"
        case int():
            return b"i%d;" % value
        case float():
            return b"r" + struct.pack(">d", value)
        case str():
            octets = value.encode("utf-8", "surrogateescape")
            return b"t%d:" % len(octets) + octets
        case bytes():
            return b"b%d:" % len(value) + value
    raise TypeError(f"No column holds a {type(value).__name__}")


def _text(octets: bytes) -> str:
    """Also a text that is not UTF-8 has a checksum."""
    return octets.decode("utf-8", "surrogateescape")


def _name(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'
