"""A database made by the first schema, with rows in every table, comes through every later migration with its rows."""

import json
import sqlite3
from collections.abc import Mapping
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine

from benchworthy.errors import SettingsInvalid
from benchworthy.storage import copying, migrate
from benchworthy.storage.engine import open_engine
from benchworthy.storage.migrate import upgrade
from services.keeping import head, plant_migration

AT = "2026-11-25T12:00:00.000000+00:00"
RUN, BENCH, DIGEST, SHA = "r-0001", "b" * 43, "d" * 32, "a" * 64

# Every table of the first schema, parents first. `site` and `serial` of each row lead to the rows above.
ROWS: Mapping[str, list[dict[str, Any]]] = {
    "sites": [{"name": "trial", "added_at": AT}, {"name": "annexe", "added_at": AT}],
    "boards": [
        {"serial": "OLD1A", "site": "trial", "design": "tarn-b", "virtual": 1, "epoch": 2, "kit_lot": "K-7",
         "inventory_ref": "INV 9", "enrolled_at": AT, "version": 3},
        {"serial": "OLD2B", "site": "annexe", "design": "tarn-b", "virtual": 0, "epoch": 1, "kit_lot": None,
         "inventory_ref": None, "enrolled_at": AT, "version": 1},
    ],
    "modules": [
        {"serial": "OLD1A", "epoch": 1, "module": "e661", "bound_by_run": RUN, "since": AT},
        {"serial": "OLD1A", "epoch": 2, "module": None, "bound_by_run": None, "since": AT},
    ],
    "benches": [{"thumbprint": BENCH, "site": "trial", "name": "Bench 1", "jwk": "{}", "holder": "C1", "added_at": AT,
                 "revoked_at": None}],
    "tokens": [{"fingerprint": "f" * 64, "site": "trial", "role": "tester", "holder": "T4", "created_at": AT, "expires_at": None,
                "revoked_at": AT}],
    "fixtures": [{"serial": "TP4-0007", "site": "trial", "kind": "TP-4", "added_at": AT, "check_due": None}],
    "runs": [{"id": RUN, "serial": "OLD1A", "site": "trial", "test_set": "first", "design": "tarn-b", "judging": SHA,
              "guide": SHA, "bench": BENCH, "scanned": "OLD1A", "nonce": "0" * 32, "opened_by": "T4", "opened_at": AT,
              "expires_at": AT,
              "closed_at": AT, "closed_by": "T4", "summary": json.dumps({"verdict": "in limits", "ä": [1, 2.5, None]})}],
    "run_fixtures": [{"run": RUN, "fixture": "TP4-0007"}],
    "draws": [{"run": RUN, "test": "LED-SEE", "number": 1, "stimulus": '{"count": 4}', "drawn_at": AT}],
    "evidence": [
        {"digest": DIGEST, "serial": "OLD1A", "run": RUN, "author": "board", "part": 1, "evidence_class": "bench",
         "kid": f"r.{RUN}", "holder": "T4", "raw": b"\x00\xff token", "module": "e661", "epoch": 1, "boot": 1, "seq": 1,
         "arrival": "http", "received_at": AT, "receipt": "{}"},
        {"digest": "e" * 32, "serial": "OLD2B", "run": None, "author": "board", "part": None, "evidence_class": "field",
         "kid": "f.OLD2B.1", "holder": "field", "raw": b"t", "module": None, "epoch": None, "boot": None, "seq": None,
         "arrival": "mqtt", "received_at": AT, "receipt": "{}"},
    ],
    "verdicts": [
        {"digest": DIGEST, "test": "PWR-V5", "quantity": "V5", "verdict": "in limits", "value": "4.98", "expanded": "0.05",
         "unit": "V", "judging": SHA},
        {"digest": DIGEST, "test": "KEY-IDLE", "quantity": "", "verdict": "not run", "value": None, "expanded": None,
         "unit": None, "judging": SHA},
    ],
    "findings": [{"id": 7, "serial": "OLD1A", "run": RUN, "digest": DIGEST, "code": "foreign-test", "text": "Ünlike", "at": AT}],
    "ledger": [{"chain": "OLD1A", "position": 1, "at": "2026-11-25T12:00:00+00:00", "kind": "enrolled", "holder": "T4",
                "facts": '{"design": "tarn-b"}', "text_hash": SHA, "previous": "0" * 64, "hash": "1" * 64}],
    "texts": [{"hash": SHA, "text": "a remark, with ☂ and\na second line"}],
    "documents": [{"sha256": SHA, "body": '{"results": []}'}],
    "certificates": [{"id": "c-1", "serial": "OLD1A", "site": "trial", "run": RUN, "token": "a.b.c", "results": SHA,
                      "issued_at": AT, "valid_until": AT, "issued_by": "T4", "lapse": "LAPSE-REPAIR", "lapsed_at": AT}],
    "holds": [{"id": 3, "serial": "OLD2B", "code": "staff", "reason": "smells", "by": "C1", "since": AT, "released_at": None}],
    "loans": [{"id": "l-1", "serial": "OLD1A", "borrower": "B-88", "lent_by": "D1", "lent_at": AT, "due": AT, "returned_at": AT}],
    "check_ins": [{"id": 2, "serial": "OLD1A", "run": RUN, "outcome": "fit", "sentence": "All in limits.", "by": "D1", "at": AT}],
    "outbox": [{"id": 5, "site": "trial", "topic": "benchworthy/v1/trial/OLD1A/receipt", "payload": "{}", "queued_at": AT,
                "sent_at": None}],
    "refusals": [{"id": 4, "site": "trial", "arrival": "mqtt", "digest": "0" * 32, "size": 12, "code": "report-not-json",
                  "at": AT}],
    "leases": [{"name": "listener of site trial", "owner": "pid 1 start 1 on old", "until": AT}],
}  # fmt: skip
# What a later migration changes on purpose: (table, column) to what became of each value. Anything else has to stay.
CHANGED: Mapping[tuple[str, str], Mapping[Any, Any]] = {}


def first(path: Path) -> Engine:
    """A database as the first version left it."""
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(migrate._FOLDER))
    engine = open_engine(f"sqlite:///{path}")
    with engine.connect() as connection:
        connection.exec_driver_sql("BEGIN IMMEDIATE")
        config.attributes["connection"] = connection
        command.upgrade(config, "0001")
        for table, rows in ROWS.items():
            for row in rows:
                names, marks = ", ".join(f'"{n}"' for n in row), ", ".join("?" * len(row))
                connection.exec_driver_sql(f"INSERT INTO {table} ({names}) VALUES ({marks})", tuple(row.values()))
        connection.exec_driver_sql("COMMIT")
    return engine


def kept(path: Path) -> dict[str, list[dict[str, Any]]]:
    """The first schema's tables and columns as they are now, in the order of ROWS."""
    with closing(sqlite3.connect(path)) as connection:
        connection.row_factory = sqlite3.Row
        found = {}
        for table, rows in ROWS.items():
            names = ", ".join(f'"{name}"' for name in rows[0])
            found[table] = [dict(row) for row in connection.execute(f'SELECT {names} FROM "{table}"')]
    return found


def expected() -> dict[str, list[dict[str, Any]]]:
    return {
        table: [{name: CHANGED.get((table, name), {}).get(value, value) for name, value in row.items()} for row in rows]
        for table, rows in ROWS.items()
    }


def same(found: Mapping[str, list[dict[str, Any]]], wanted: Mapping[str, list[dict[str, Any]]]) -> bool:
    order = lambda rows: sorted(rows, key=repr)  # noqa: E731  # a rebuilt table may give its rows in another order
    return {name: order(rows) for name, rows in found.items()} == {name: order(rows) for name, rows in wanted.items()}


def sound(path: Path) -> str:
    with closing(sqlite3.connect(path)) as connection:
        return copying.unsound(connection)


def test_every_table_of_the_first_schema_has_a_row_here(tmp_path: Path) -> None:
    """A table without one would prove nothing; and the rows do not lead nowhere."""
    first(tmp_path / "old.sqlite3").dispose()
    with closing(sqlite3.connect(tmp_path / "old.sqlite3")) as connection:
        tables = {row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        for table, rows in ROWS.items():
            assert {row[1] for row in connection.execute(f"PRAGMA table_info({table})")} == set(rows[0]), table
    assert tables - {"alembic_version"} == set(ROWS)
    assert sound(tmp_path / "old.sqlite3") == ""


def test_the_first_schemas_rows_come_through_every_migration(tmp_path: Path) -> None:
    """Equal in every column of theirs, sound by SQLite's own checks, and at this version's schema."""
    engine = first(tmp_path / "old.sqlite3")
    upgrade(engine)
    engine.dispose()
    assert same(kept(tmp_path / "old.sqlite3"), expected())
    assert sound(tmp_path / "old.sqlite3") == ""
    with closing(sqlite3.connect(tmp_path / "old.sqlite3")) as connection:
        assert copying.schema_of(connection) == head()


REBUILDS = """
with op.batch_alter_table("boards") as batch:
    batch.add_column(sa.Column("planted", sa.String(32), nullable=False, server_default="shelf"))
    batch.alter_column("kit_lot", type_=sa.String(128))
with op.batch_alter_table("runs") as batch:
    batch.drop_constraint("fk_runs_bench", type_="foreignkey")
with op.batch_alter_table("evidence") as batch:
    batch.create_check_constraint("ck_evidence_author", "author <> ''")
"""


def test_a_migration_that_rebuilds_parents_keeps_their_children(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """SQLite rebuilds a table by dropping it; with foreign keys on, that would empty everything that refers to it."""
    revision = plant_migration(tmp_path / "later", monkeypatch, REBUILDS)
    engine = first(tmp_path / "old.sqlite3")
    upgrade(engine)
    engine.dispose()
    assert same(kept(tmp_path / "old.sqlite3"), expected())
    assert sound(tmp_path / "old.sqlite3") == ""
    with closing(sqlite3.connect(tmp_path / "old.sqlite3")) as connection:
        assert copying.schema_of(connection) == revision
        assert {row[0] for row in connection.execute("SELECT planted FROM boards")} == {"shelf"}


@pytest.mark.parametrize(
    ("body", "raised"),
    [
        ("op.execute(\"DELETE FROM boards WHERE serial = 'OLD1A'\")", SettingsInvalid),
        ('op.execute("DELETE FROM ledger")\nraise RuntimeError("planted")', RuntimeError),
    ],
)
def test_a_migration_that_would_lose_something_changes_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, body: str, raised: type[Exception]
) -> None:
    """Rows that lead nowhere, or a fault in the middle: all is as it was, the schema's number included."""
    was = head()
    plant_migration(tmp_path / "later", monkeypatch, body)
    engine = first(tmp_path / "old.sqlite3")
    with pytest.raises(raised):
        upgrade(engine)
    engine.dispose()
    assert same(kept(tmp_path / "old.sqlite3"), {name: list(rows) for name, rows in ROWS.items()})
    with closing(sqlite3.connect(tmp_path / "old.sqlite3")) as connection:
        assert copying.schema_of(connection) in ("0001", was)


def test_a_lost_row_would_be_seen() -> None:
    """The comparison has been seen red."""
    wanted = expected()
    wanted["texts"] = [{**wanted["texts"][0], "text": "another"}]
    assert not same({name: list(rows) for name, rows in ROWS.items()}, wanted)
    wanted["texts"] = []
    assert not same({name: list(rows) for name, rows in ROWS.items()}, wanted)
