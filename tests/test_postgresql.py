"""The record in a real PostgreSQL: migrations, writers at once, reads of one moment, and what its server says, in our words."""

import multiprocessing
import re
import sys
import threading
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from sqlalchemy import Engine, insert, inspect, text
from sqlalchemy.exc import IntegrityError, InternalError

from benchworthy.errors import PartMissing, SettingsInvalid, StorageBusy, StorageFull
from benchworthy.storage import engine as engines
from benchworthy.storage import faults, migrate, postgresql
from benchworthy.storage.migrate import upgrade
from benchworthy.storage.tables import metadata
from services.keeping import plant_migration
from services.postgres import DRAWN, Cluster, running_postgres

WRITERS, TIMES = 4, 50
NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
STORAGE = Path(postgresql.__file__).parent
# These know one database each, and are asked for it only.
OF_ONE_DATABASE = {"engine.py", "migrate.py", "copying.py", "checksums.py", "moving.py", "postgresql.py"}
SQLITE_ALONE = re.compile(r"\b(?:rowid|sqlite_master|PRAGMA|INSERT OR|json_extract|strftime|GLOB|julianday)\b", re.IGNORECASE)


@pytest.fixture(scope="module")
def cluster() -> Iterator[Cluster]:
    with running_postgres() as running:
        yield running


@pytest.fixture
def url(cluster: Cluster) -> str:
    return cluster.new()


@pytest.fixture
def engine(url: str) -> Iterator[Engine]:
    opened = engines.open_engine(url)
    upgrade(opened)
    yield opened
    opened.dispose()


def test_migrating_from_empty_gives_the_tables_and_twice_is_once(engine: Engine) -> None:
    """The declared tables and columns; a second upgrade finds nothing to do, and changes nothing."""

    def schema() -> list[tuple[object, ...]]:
        with engines.reading(engine) as connection:
            query = "SELECT table_name, column_name, data_type, collation_name, is_nullable FROM information_schema.columns"
            return [tuple(row) for row in connection.execute(text(f"{query} WHERE table_schema = 'public' ORDER BY 1, 2"))]

    before = schema()
    assert set(inspect(engine).get_table_names()) == set(metadata.tables) | {"alembic_version"}
    for name, table in metadata.tables.items():
        found = {column["name"]: column for column in inspect(engine).get_columns(name)}
        assert set(found) == set(table.columns.keys()), name
        assert {c: found[c]["nullable"] for c in found} == {c.name: c.nullable for c in table.columns}, name
        led = {key["constrained_columns"][0]: key["referred_table"] for key in inspect(engine).get_foreign_keys(name)}
        assert led == {key.parent.name: key.column.table.name for key in table.foreign_keys}, name
    upgrade(engine)
    assert schema() == before


def test_every_migration_finds_what_the_one_before_left(url: str) -> None:
    """One at a time, as a service that was never behind: the end is the same as at once."""
    opened = engines.open_engine(url)
    for revision in sorted(migrate.known_revisions()):
        upgrade(opened, revision)
        if revision == "0001":
            with engines.writing(opened) as connection:
                connection.execute(insert(metadata.tables["sites"]).values(name="main", added_at=NOW))
                facts = {"chain": "main", "position": 1, "at": "x", "kind": "k", "holder": "h", "facts": {"a": 1}}
                connection.execute(insert(metadata.tables["ledger"]).values(**facts, previous="0", hash="1"))
    with engines.reading(opened) as connection:
        assert connection.execute(text("SELECT name, added_at FROM sites")).all() == [
            ("main", "2026-11-25T12:00:00.000000+00:00")
        ]
        assert connection.execute(text("SELECT chain, position FROM changes")).all() == [("main", 1)]
    opened.dispose()


def test_text_sorts_by_code_point_and_numbers_have_64_bits_in_any_database(cluster: Cluster) -> None:
    """Most servers sort by a language's rules, where a comes before B; pages and checksums ask for one order."""
    opened = engines.open_engine(cluster.new_in_english_order())
    with engines.reading(opened) as connection:
        assert connection.execute(text("SELECT 'a' < 'B'")).scalar_one() is True, "this server does not sort by a language"
    upgrade(opened)
    sites, boards, findings = (metadata.tables[name] for name in ("sites", "boards", "findings"))
    with engines.writing(opened) as connection:
        connection.execute(insert(sites), [{"name": name, "added_at": NOW} for name in ("a", "B", "é", "Z" * 200)])
        board = {"serial": "T1", "site": "a", "design": "d", "virtual": True, "epoch": 2**53, "enrolled_at": NOW, "version": 1}
        connection.execute(insert(boards).values(**board))
        found = {"serial": "T1", "code": "c" * 100, "text": "x\0y", "at": NOW}
        connection.execute(insert(findings).values(**found))
    with engines.reading(opened) as connection:
        assert list(connection.execute(sites.select().order_by(sites.c.name)).scalars()) == ["B", "Z" * 200, "a", "é"]
        assert connection.execute(boards.select().where(boards.c.epoch == 2**53)).one().epoch == 2**53
        assert connection.execute(findings.select().where(findings.c.id < 2**53)).one().text == "x\u2400y"
    opened.dispose()


def test_a_database_that_cannot_hold_every_text_is_refused(cluster: Cluster) -> None:
    opened = engines.open_engine(cluster.new("C", "LATIN1"))
    with pytest.raises(SettingsInvalid, match="UTF8"):
        upgrade(opened)
    assert inspect(opened).get_table_names() == []
    opened.dispose()


def test_a_migration_that_fails_changes_nothing(engine: Engine, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Tables and rows are as they were, the schema's number included."""
    with engines.writing(engine) as connection:
        connection.execute(insert(metadata.tables["sites"]).values(name="main", added_at=NOW))
    plant_migration(
        tmp_path / "later", monkeypatch, 'op.execute("DELETE FROM sites")\nop.drop_table("texts")\nraise RuntimeError'
    )
    with pytest.raises(RuntimeError):
        upgrade(engine)
    with engines.reading(engine) as connection:
        assert connection.execute(text("SELECT name FROM sites")).scalar_one() == "main"
        assert connection.execute(text("SELECT version_num FROM alembic_version")).scalar_one() != "9001"
    assert "texts" in inspect(engine).get_table_names()


def _count_up(url: str, start: "multiprocessing.synchronize.Barrier") -> None:
    """Read, wait a moment, write back: without one lock over both, increments are lost."""
    opened = engines.open_engine(url)
    start.wait()
    for _ in range(TIMES):
        with engines.writing(opened) as connection:
            value = connection.execute(text("SELECT value FROM counter")).scalar_one()
            time.sleep(0.0005)
            connection.execute(text("UPDATE counter SET value = :value"), {"value": value + 1})
    opened.dispose()


def _open_and_upgrade(url: str, start: "multiprocessing.synchronize.Barrier") -> None:
    start.wait()
    opened = engines.open_engine(url)
    upgrade(opened)
    opened.dispose()


def _all_end_well(work: Callable[..., None], url: str, processes: int) -> None:
    context = multiprocessing.get_context("spawn")
    start = context.Barrier(processes)
    running = [context.Process(target=work, args=(url, start)) for _ in range(processes)]
    for process in running:
        process.start()
    for process in running:
        process.join(90)
    assert [process.exitcode for process in running] == [0] * processes


def test_concurrent_writers_lose_no_increment(url: str) -> None:
    """Four processes add one fifty times each, all at once; the end is 200."""
    opened = engines.open_engine(url)
    with engines.writing(opened) as connection:
        connection.execute(text("CREATE TABLE counter (value INTEGER NOT NULL)"))
        connection.execute(text("INSERT INTO counter VALUES (0)"))
    _all_end_well(_count_up, url, WRITERS)
    with engines.reading(opened) as connection:
        assert connection.execute(text("SELECT value FROM counter")).scalar_one() == WRITERS * TIMES
    opened.dispose()


def test_processes_that_migrate_at_once_all_end_well(url: str) -> None:
    """Web and listener of two sites start together on an empty database."""
    _all_end_well(_open_and_upgrade, url, 3)
    opened = engines.open_engine(url)
    assert set(inspect(opened).get_table_names()) >= set(metadata.tables)
    opened.dispose()


def test_a_read_sees_one_moment_and_writes_nothing(engine: Engine) -> None:
    """What is committed in between shows in the next read, not in this one."""
    sites = metadata.tables["sites"]
    with engines.reading(engine) as connection:
        assert connection.execute(text("SELECT count(*) FROM sites")).scalar_one() == 0
        with engines.writing(engine) as writer:  # and nobody who writes waits for a reader
            writer.execute(insert(sites).values(name="main", added_at=NOW))
        assert connection.execute(text("SELECT count(*) FROM sites")).scalar_one() == 0
        with pytest.raises(InternalError, match="read-only"):
            connection.execute(insert(sites).values(name="other", added_at=NOW))
    with engines.reading(engine) as connection:
        assert connection.execute(text("SELECT name FROM sites")).scalar_one() == "main"


def test_a_write_sees_what_the_one_before_it_committed(engine: Engine) -> None:
    """Also when it had to wait: what it reads is read after the lock, not before."""
    sites, seen = metadata.tables["sites"], []

    def second() -> None:
        with engines.writing(engine) as connection:
            seen.append(connection.execute(text("SELECT count(*) FROM sites")).scalar_one())

    with engines.writing(engine) as connection:
        waiting = threading.Thread(target=second)
        waiting.start()
        time.sleep(0.3)
        assert seen == [] and waiting.is_alive()
        connection.execute(insert(sites).values(name="main", added_at=NOW))
    waiting.join(10)
    assert seen == [1]


def test_a_held_lock_becomes_storage_busy(url: str, engine: Engine, monkeypatch: pytest.MonkeyPatch) -> None:
    """The wait is bounded, the error says when to come back, and the lock's end ends it; readers do not wait."""
    monkeypatch.setattr(engines, "BUSY_MS", 200)
    with engines.writing(engine):
        began = time.monotonic()
        with pytest.raises(StorageBusy, match="another write") as caught, engines.writing(engine):
            pass
        assert 0.1 < time.monotonic() - began < 3 and caught.value.facts == {"retry_after": 1}
        with engines.reading(engine) as connection:
            assert connection.execute(text("SELECT count(*) FROM sites")).scalar_one() == 0
    with engines.writing(engine) as connection:
        connection.execute(text("SELECT 1"))


def test_a_block_that_raises_leaves_nothing_behind_and_foreign_keys_hold(engine: Engine) -> None:
    """All or nothing; a board of a site that does not exist is refused."""
    row = {"serial": "T1", "site": "nowhere", "design": "d", "virtual": True, "epoch": 1, "enrolled_at": NOW, "version": 1}
    with pytest.raises(RuntimeError), engines.writing(engine) as connection:
        connection.execute(insert(metadata.tables["sites"]).values(name="main", added_at=NOW))
        raise RuntimeError
    with pytest.raises(IntegrityError, match="foreign key"), engines.writing(engine) as connection:
        connection.execute(insert(metadata.tables["boards"]).values(**row))
    with engines.reading(engine) as connection:
        assert connection.execute(text("SELECT count(*) FROM sites")).scalar_one() == 0


@pytest.mark.parametrize(
    ("state", "error", "seconds"),
    [("53100", StorageFull, 30), ("57P01", StorageBusy, 5), ("40P01", StorageBusy, 1), ("53300", StorageBusy, 5)],
)
def test_what_the_server_says_is_told_in_our_words(engine: Engine, state: str, error: type[StorageBusy], seconds: int) -> None:
    """A server that raises these states itself: disk full, shutting down, two that wait for each other, too many clients."""
    with pytest.raises(error) as caught, engines.writing(engine) as connection:
        connection.exec_driver_sql(f"DO $$ BEGIN RAISE EXCEPTION 'planted' USING ERRCODE = '{state}'; END $$")
    assert type(caught.value) is error and caught.value.facts["retry_after"] == seconds
    with engines.writing(engine) as connection:
        connection.execute(text("SELECT 1"))


def test_a_connection_cut_in_the_middle_of_a_write_leaves_nothing(engine: Engine) -> None:
    """The server ends the session, as it does when a machine is lost: busy, not a fault of ours; and the next write is done."""
    for begun in (engines.writing, engines.reading):
        with pytest.raises(StorageBusy, match="does not answer"), begun(engine) as connection:
            if begun is engines.writing:
                connection.execute(insert(metadata.tables["sites"]).values(name="main", added_at=NOW))
            number = connection.execute(text("SELECT pg_backend_pid()")).scalar_one()
            with engine.connect() as other:
                other.execute(text(f"SELECT pg_terminate_backend({number})"))
            connection.execute(text("SELECT 1"))
    with engines.writing(engine) as connection:
        assert connection.execute(text("SELECT count(*) FROM sites")).scalar_one() == 0


def test_an_account_that_may_not_make_tables_is_told_so(cluster: Cluster) -> None:
    url = cluster.new()
    name = url.rpartition("/")[2]
    cluster.ask(name, f"CREATE ROLE guest LOGIN PASSWORD '{DRAWN}'")
    opened = engines.open_engine(url.replace("//postgres:", "//guest:"))
    with pytest.raises(SettingsInvalid, match="may not make tables"):
        upgrade(opened)
    opened.dispose()


def test_what_a_lost_machine_must_not_hold_up_is_set(engine: Engine) -> None:
    """A receipt that went out is on the disk even where the server's default is faster; a transaction left alone ends."""
    with engines.reading(engine) as connection:
        found = {name: connection.execute(text(f"SHOW {name}")).scalar_one() for name in postgresql._SESSION}
        assert found["idle_in_transaction_session_timeout"] == "1min" and found["tcp_keepalives_idle"] == "15"
        database = connection.execute(text("SELECT current_database()")).scalar_one()
    with engines.writing(engine) as connection:
        connection.execute(text(f"ALTER DATABASE {database} SET synchronous_commit = off"))
    engine.dispose()
    with engines.reading(engine) as connection:
        assert connection.execute(text("SHOW synchronous_commit")).scalar_one() == "on"


def test_another_fault_is_not_told_as_a_busy_database(engine: Engine) -> None:
    """A mistake of ours has to show as one."""
    with pytest.raises(InternalError), faults.told_plainly(), engines.writing(engine) as connection:
        connection.exec_driver_sql("DO $$ BEGIN RAISE EXCEPTION 'planted' USING ERRCODE = 'XX000'; END $$")


def test_settings_are_told_by_name_when_the_driver_is_missing(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever asks for PostgreSQL is told which extra brings it."""
    monkeypatch.setitem(sys.modules, "psycopg", None)
    with pytest.raises(PartMissing, match=r"benchworthy\[postgresql\]"):
        engines.open_engine("postgresql+psycopg://u@h/x")


def _for_sqlite_alone(source: str) -> list[str]:
    return SQLITE_ALONE.findall(source)


def test_no_statement_of_the_record_is_for_sqlite_alone() -> None:
    """Also in migrations. Seen red: the newest of two certificates was once found by `certificates.rowid`."""
    files = [file for file in STORAGE.rglob("*.py") if file.name not in OF_ONE_DATABASE]
    assert len(files) > 12
    assert {file.name: found for file in files if (found := _for_sqlite_alone(file.read_text()))} == {}
    assert _for_sqlite_alone('literal_column("certificates.rowid", Integer)') == ["rowid"]
