"""The ledger read as it lies there, for the audit: heads, whole chains, and what the chains name.

Whoever edits a database by hand may leave any kind of value in any column; reading on is what an audit is for.
"""

import json
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any

from sqlalchemy import Connection, Text, cast, func, select

from benchworthy.history.heads import Head
from benchworthy.history.ledger import Entry
from benchworthy.storage import tables as t


@contextmanager
def any_text(connection: Connection) -> Iterator[None]:
    """Read texts that are not UTF-8, too, for as long as the block lasts. Only SQLite lets somebody put one in."""
    driver = connection.connection.dbapi_connection
    if not isinstance(driver, sqlite3.Connection):
        yield
        return
    factory = driver.text_factory
    driver.text_factory = lambda octets: octets.decode("utf-8", "surrogateescape")
    try:
        yield
    finally:
        driver.text_factory = factory


def heads(connection: Connection) -> dict[str, Head]:
    """The last entry of every chain."""
    c = t.ledger.c
    last = select(c.chain, func.max(c.position).label("position")).group_by(c.chain).subquery()
    query = select(c.chain, c.position, c.hash).join(last, (c.chain == last.c.chain) & (c.position == last.c.position))
    return {row.chain: Head(row.position, row.hash) for row in connection.execute(query.order_by(c.chain))}


def latest(connection: Connection) -> str | None:
    """The latest time in the whole ledger; this reads all of it."""
    return connection.execute(select(func.max(t.ledger.c.at))).scalar()


def names(connection: Connection) -> set[str]:
    """Every chain, and every board that something is on record of, whether or not it has one."""
    columns = (t.ledger.c.chain, t.boards.c.serial, t.evidence.c.serial, t.certificates.c.serial)
    return {name for column in columns for name in connection.execute(select(column).distinct()).scalars()}


def entries(connection: Connection, chain: str) -> list[Entry]:
    """A chain in order. What is no JSON any more is handed on as text, and then does not fit its hash."""
    c = t.ledger.c
    facts = cast(c.facts, Text).label("facts")
    query = select(*[facts if column.name == "facts" else column for column in c]).where(c.chain == chain)
    return [Entry(**{**row._mapping, "facts": _facts(row.facts)}) for row in connection.execute(query.order_by(c.position))]


def evidence(connection: Connection, serial: str) -> Iterator[tuple[str, bytes]]:
    """Digest and bytes of a board's evidence, as it is on record."""
    c = t.evidence.c
    query = select(c.digest, c.raw).where(c.serial == serial).execution_options(yield_per=500)
    return ((row.digest, _octets(row.raw)) for row in connection.execute(query))


def texts(connection: Connection) -> Iterator[tuple[str, str, bytes]]:
    """Kind, SHA-256 and content of what is kept under its own hash."""
    documents = select(t.documents.c.sha256, t.documents.c.body).execution_options(yield_per=100)
    remarks = select(t.texts.c.hash, t.texts.c.text).execution_options(yield_per=100)
    for kind, query in (("results document", documents), ("text", remarks)):
        yield from ((kind, row[0], _octets(row[1])) for row in connection.execute(query))


def certificates(connection: Connection, serial: str) -> list[tuple[str, str]]:
    """Id and token of a board's certificates."""
    query = select(t.certificates.c.id, t.certificates.c.token).where(t.certificates.c.serial == serial)
    return [(row.id, str(row.token)) for row in connection.execute(query)]


def _octets(value: object) -> bytes:
    return value if isinstance(value, bytes) else str(value).encode("utf-8", "surrogateescape")


def _facts(text: Any) -> Mapping[str, Any]:
    try:
        facts = json.loads(text)
    except (ValueError, TypeError):
        facts = None
    return facts if isinstance(facts, dict) else {"no JSON object": text}
