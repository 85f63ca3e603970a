"""A backup of either database restores into the other, equal by the checksum of every table, or not at all."""

import contextlib
import json
import sqlite3
import tarfile
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest
from sqlalchemy import text

from benchworthy.errors import RestoreRefused, SettingsInvalid, WriteFailed
from benchworthy.keeping import archive, restoring
from benchworthy.serve.demo.house import ServiceProcess
from benchworthy.storage import engine as engines
from benchworthy.storage import moving
from services import reports
from services.keeping import Traffic, command, flowing, raw, send
from services.mosquitto import until
from services.postgres import Cluster, running_postgres
from services.service import environment, trial

AT = datetime(2026, 11, 25, 12, tzinfo=UTC)


@pytest.fixture(scope="module")
def cluster() -> Iterator[Cluster]:
    with running_postgres() as running:
        yield running


@pytest.fixture(scope="module")
def data(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A data directory with an SQLite record: a certified board, one in doubt, remarks in several scripts, an answer kept."""
    place = tmp_path_factory.mktemp("kept") / "data"
    with trial(place) as made:
        serial, other = made.enrol("MOVE1", kit_lot="Ж-7 ☂")["serial"], made.enrol("MOVE2")["serial"]
        made.whole_run(serial)
        assert made.certify(serial).status_code == 201
        headers = {"Authorization": f"Bearer {made.secrets['desk']}", "Idempotency-Key": "once"}
        body = {"seen": "smells, with a \\ and 'quotes'\tand\nlines; naïve, 𝛀"}
        assert made.client.post(f"/api/v1/boards/{other}/defects", json=body, headers=headers).status_code == 201
    return place


def back_up(source: Path | str, data: Path, target: Path) -> archive.Backup:
    return archive.make(source, data, target, "trial", AT, with_secrets=True)


def rows_of(url: str) -> int:
    """All rows of all tables, the schema's own left out; 0 where there is no table."""
    engine = engines.open_engine(url)
    with engines.reading(engine) as connection:
        names = connection.execute(text("SELECT relname FROM pg_stat_user_tables WHERE relname <> 'alembic_version'")).scalars()
        found = sum(connection.execute(text(f'SELECT count(*) FROM "{name}"')).scalar_one() for name in list(names))
    engine.dispose()
    return found


def test_there_and_back_every_table_is_the_same(data: Path, tmp_path: Path, cluster: Cluster) -> None:
    """From SQLite into PostgreSQL, backed up there, and back into SQLite: one checksum for each table all the way."""
    first = back_up(data / archive.DATABASE, data, tmp_path / "first")
    url = cluster.new_in_english_order()
    restoring.restore(first.path, tmp_path / "there", url)
    assert not (tmp_path / "there" / archive.DATABASE).exists()
    assert (tmp_path / "there" / "site.secret").read_bytes() == (data / "site.secret").read_bytes()

    second = back_up(url, tmp_path / "there", tmp_path / "second")
    assert second.manifest["tables"] == first.manifest["tables"]
    assert sum(table["rows"] for table in first.manifest["tables"].values()) > 150
    assert all(first.manifest["tables"][name]["rows"] for name in ("answers", "changes", "defects", "certificates", "verdicts"))

    back = restoring.restore(second.path, tmp_path / "back")
    assert back.manifest["tables"] == first.manifest["tables"]
    third = back_up(tmp_path / "back" / archive.DATABASE, tmp_path / "back", tmp_path / "third")
    assert third.manifest["tables"] == first.manifest["tables"]


def test_the_service_goes_on_where_it_was(data: Path, tmp_path: Path, cluster: Cluster) -> None:
    """By the commands, on the restored database: tokens, certificates and chains hold, and new rows take new numbers."""
    told = json.loads(command("backup", tmp_path / "kept", "--with-secrets", "--json", settings=environment(data, None)).stdout)
    url, place = cluster.new(), tmp_path / "data"
    settings = environment(place, None, url)
    back = command("restore", tmp_path / "kept", "--data", place, settings=settings)
    assert "equal by the checksum" in back.stderr and "everything holds" in command("audit", settings=settings).stdout
    (place / "bench.jwk").unlink()  # the trial's own bench is another one
    with trial(place, database=url) as made:
        serials = [board["serial"] for board in made.get("/boards")["boards"]]
        assert [made.get(f"/boards/{serial}/fitness")["state"] for serial in serials] == ["fit", "held"]
        before = made.rows()
        assert before["evidence"] == told["tables"]["evidence"]["rows"]
        for seen in ("one more", "and another"):
            made.post(f"/boards/{serials[1]}/defects", {"seen": seen}, "desk")
        assert made.rows()["defects"] == before["defects"] + 2 and made.rows()["changes"] == before["changes"] + 2
        numbers = [change["number"] for change in made.get("/changes")["changes"]]
        assert numbers == sorted(set(numbers))
    assert "everything holds" in command("audit", settings=settings).stdout


def test_a_backup_of_postgresql_under_traffic_is_of_one_moment(tmp_path: Path, cluster: Cluster) -> None:
    """Reports come all the while; nobody waits, and what had its receipt before is in it."""
    url = cluster.new()
    settings = environment(tmp_path / "data", None, url)
    with trial(tmp_path / "data", database=url) as made:
        enrolled = made.enrol("LIVE1")
        service = ServiceProcess(settings, tmp_path / "serve.log")
        service.start()
        traffic = Traffic(service.url, enrolled["serial"], enrolled["field_key"])
        try:
            with flowing([traffic]):
                assert until(lambda: len(traffic.receipted) >= 5, 30)
                before = set(traffic.receipted)
                command("backup", tmp_path / "kept", "--with-secrets", settings=settings)
                mark = len(traffic.receipted)
                assert until(lambda: len(traffic.receipted) > mark, 30)
            assert traffic.answers == {201}
            token = reports.field(enrolled["serial"], enrolled["field_key"], seq=1)
            assert send(service.url, token).status_code == 200
        finally:
            service.stop()
    restoring.restore(tmp_path / "kept", tmp_path / "back")
    with closing(sqlite3.connect(tmp_path / "back" / archive.DATABASE)) as connection:
        kept = {row[0] for row in connection.execute("SELECT digest FROM evidence")}
        entries = connection.execute("SELECT count(*) FROM ledger WHERE kind = 'evidence'").fetchone()[0]
    assert before <= kept and entries == len(kept)


def test_only_an_empty_database_is_restored_into(data: Path, tmp_path: Path, cluster: Cluster) -> None:
    """Tables without rows are empty; one row is not. What was there stays, and the data directory is as it was."""
    kept, url = back_up(data / archive.DATABASE, data, tmp_path / "kept"), cluster.new()
    engine = engines.open_engine(url)
    moving.upgrade(engine)
    with engines.writing(engine) as connection:
        connection.execute(text("INSERT INTO sites VALUES ('ours', '2026-11-25')"))
    settings = environment(tmp_path / "place", None, url)
    said = command("restore", kept.path, "--data", tmp_path / "place", settings=settings, code=2).stderr
    assert "[restore-refused]" in said and "rows in sites" in said
    assert rows_of(url) == 1 and not (tmp_path / "place").exists()
    with engines.writing(engine) as connection:
        connection.execute(text("DELETE FROM sites"))
    engine.dispose()
    restoring.restore(kept.path, tmp_path / "place", url)
    assert rows_of(url) > 100


@pytest.mark.parametrize(
    ("statement", "said"),
    [
        ("UPDATE texts SET text = 'a' || char(0) || 'b'", "does not take the rows"),
        ("UPDATE boards SET epoch = 'many' WHERE serial LIKE 'MOVE2%'", "does not take the rows"),
        ("UPDATE texts SET text = CAST(x'ff41' AS TEXT)", "UTF-8"),
        ("UPDATE ledger SET facts = 'no json' WHERE position = 1", "does not take the rows"),
    ],
)
def test_rows_that_postgresql_cannot_keep_are_refused_and_nothing_is_left(
    data: Path, tmp_path: Path, cluster: Cluster, statement: str, said: str
) -> None:
    """SQLite keeps whatever somebody puts in by hand. Not a row stays, and no secret."""
    with contextlib.closing(sqlite3.connect(data / archive.DATABASE)) as source:
        source.execute("VACUUM INTO ?", (str(tmp_path / "edited"),))
    assert raw(tmp_path / "edited", statement) > 0
    kept, url = back_up(tmp_path / "edited", data, tmp_path / "kept"), cluster.new()
    with pytest.raises(RestoreRefused, match=said):
        restoring.restore(kept.path, tmp_path / "place", url)
    assert not (tmp_path / "place").exists() and rows_of(url) == 0


def test_a_record_with_strange_tables_is_not_backed_up_as_if_it_were_whole(data: Path, tmp_path: Path, cluster: Cluster) -> None:
    """What the copy could not hold is named, and no file is left."""
    kept, url = back_up(data / archive.DATABASE, data, tmp_path / "kept"), cluster.new()
    restoring.restore(kept.path, tmp_path / "place", url)
    engine = engines.open_engine(url)
    with engines.writing(engine) as connection:
        connection.execute(text("CREATE TABLE notes (note text)"))
    with pytest.raises(WriteFailed, match="notes"):
        back_up(url, tmp_path / "place", tmp_path / "again")
    with engines.writing(engine) as connection:
        connection.execute(text("DROP TABLE notes"))
        connection.execute(text("ALTER TABLE texts ADD note text"))
    engine.dispose()
    with pytest.raises(WriteFailed, match="other columns in texts"):
        back_up(url, tmp_path / "place", tmp_path / "again")
    assert sorted(file.name for file in tmp_path.iterdir()) == ["kept", "place"]


def test_commands_on_an_empty_database_make_nothing(tmp_path: Path, cluster: Cluster) -> None:
    """There is no record to back up or to audit, and that is what is said."""
    url = cluster.new()
    settings = environment(tmp_path / "data", None, url)
    for words in (("backup", str(tmp_path / "kept")), ("audit",)):
        said = command(*words, settings=settings, code=2).stderr
        assert "[settings-invalid]" in said and "holds no record yet" in said
    assert rows_of(url) == 0 and not (tmp_path / "kept").exists()


def test_a_schema_of_a_later_version_is_not_touched(tmp_path: Path, cluster: Cluster) -> None:
    url = cluster.new()
    engine = engines.open_engine(url)
    moving.upgrade(engine)
    with engines.writing(engine) as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9001'"))
    engine.dispose()
    with pytest.raises(SettingsInvalid, match="schema 9001"):
        moving.out(url, tmp_path / "file")


def test_a_backup_made_on_postgresql_says_what_is_in_it(data: Path, tmp_path: Path, cluster: Cluster) -> None:
    """The same file as ever: a manifest first, an SQLite file, the secrets; mode 0600."""
    kept, url = back_up(data / archive.DATABASE, data, tmp_path / "kept"), cluster.new()
    restoring.restore(kept.path, tmp_path / "place", url)
    second = back_up(url, tmp_path / "place", tmp_path / "second")
    with tarfile.open(second.path) as tar:
        names = tar.getnames()
    assert names[0] == "manifest.json" and names[-1] == archive.DATABASE and "secrets/site.secret" in names
    assert second.path.stat().st_mode & 0o777 == 0o600 and second.manifest["schema"] == kept.manifest["schema"]
