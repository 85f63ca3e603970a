"""A backup taken in the middle of traffic comes back equal, row for row, or not at all."""

import gzip
import hashlib
import io
import json
import shutil
import sqlite3
import stat
import tarfile
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from benchworthy.desk.fixtures import Fixture
from benchworthy.errors import BackupInvalid, RestoreRefused, WriteFailed
from benchworthy.keeping import archive, restoring
from benchworthy.serve.demo.house import ServiceProcess
from services import reports
from services.keeping import Traffic, command, evidence, flowing, plant_migration, raw, send, served, sums
from services.mosquitto import until
from services.service import environment, trial

AT = datetime(2026, 11, 25, 12, tzinfo=UTC)


def test_a_backup_under_traffic_comes_back_equal_in_another_process(tmp_path: Path) -> None:
    """The real service takes reports all the while; what had its receipt before is in; the restored service knows it."""
    with served(tmp_path) as (made, service, settings):
        enrolled = [made.enrol(f"KEEP{n}") for n in range(3)]
        traffic = [Traffic(service.url, one["serial"], one["field_key"]) for one in enrolled]
        with flowing(traffic):
            assert until(lambda: all(len(one.receipted) >= 5 for one in traffic), 30)
            before = {name for one in traffic for name in one.receipted}
            told = command("backup", tmp_path / "kept.tar.gz", "--with-secrets", "--json", settings=settings)
            after = sum(len(one.receipted) for one in traffic)
            assert until(lambda: sum(len(one.receipted) for one in traffic) > after, 30), "the traffic stopped"
        assert {answer for one in traffic for answer in one.answers} == {201}, "somebody had to wait for the backup"
        manifest = json.loads(told.stdout)
    command("restore", tmp_path / "kept.tar.gz", "--data", tmp_path / "elsewhere" / "data", settings=settings)

    database = tmp_path / "elsewhere" / "data" / archive.DATABASE
    found = {name: {"rows": table.rows, "sha256": table.sha256} for name, table in sums(database).items()}
    assert found == manifest["tables"]
    kept = evidence(database)
    assert before <= kept < evidence(tmp_path / "data" / archive.DATABASE)

    again = environment(tmp_path / "elsewhere" / "data", None)
    service = ServiceProcess(again, tmp_path / "elsewhere" / "serve.log")
    service.start()
    try:  # the first report of the first board, byte for byte, and one that came after the backup is new
        serial, key = enrolled[0]["serial"], enrolled[0]["field_key"]
        assert send(service.url, reports.field(serial, key, seq=1)).status_code == 200
        assert send(service.url, reports.field(serial, key, seq=100_000)).status_code == 201
    finally:
        service.stop()


def test_nobody_who_writes_waits_for_a_backup(tmp_path: Path) -> None:
    """The copy is one read of one moment: a writer that holds the lock does not hold it up, and is not held up."""
    with trial(tmp_path / "data") as made:
        made.enrol("WAIT1")
        with made.house.database.writing() as work:
            began = time.monotonic()
            kept = archive.make(
                tmp_path / "data" / archive.DATABASE, tmp_path / "data", tmp_path, "trial", AT, with_secrets=False
            )
            assert time.monotonic() - began < 5
            work.fixtures.enrol(Fixture("meter:MM-99", "meter", "trial", AT), {}, "", "T4")
    assert kept.manifest["tables"]["boards"]["rows"] == 1
    assert kept.manifest["tables"]["fixtures"]["rows"] == 0


@pytest.fixture
def data(tmp_path: Path) -> Iterator[Path]:
    """A data directory with a little of everything, and no service on it."""
    with trial(tmp_path / "data") as made:
        serial = made.enrol("SMALL1")["serial"]
        made.whole_run(serial)
        assert made.certify(serial).status_code == 201
    yield tmp_path / "data"


def back_up(data: Path, target: Path, *, with_secrets: bool = False) -> archive.Backup:
    return archive.make(data / archive.DATABASE, data, target, "trial", AT, with_secrets=with_secrets)


def names(file: Path) -> set[str]:
    with tarfile.open(file) as tar:
        return set(tar.getnames())


def test_secrets_are_in_a_backup_only_when_asked_for(data: Path, tmp_path: Path) -> None:
    """And nobody else may read the file, whether or not they are in it."""
    without, along = back_up(data, tmp_path / "without"), back_up(data, tmp_path / "along", with_secrets=True)
    assert names(without.path) == {"manifest.json", "benchworthy.sqlite3"}
    assert {"secrets/site.secret", "secrets/signing.jwk"} <= names(along.path)
    assert {stat.S_IMODE(one.path.stat().st_mode) for one in (without, along)} == {0o600}
    secret = (data / "site.secret").read_bytes()
    assert secret not in gzip.decompress(without.path.read_bytes())
    assert secret in gzip.decompress(along.path.read_bytes())


def test_the_command_says_what_is_not_in_it(data: Path, tmp_path: Path) -> None:
    """The file's name is the only thing on stdout, and bears the date; restoring says what to fetch before the start."""
    settings = environment(data, None)
    made = command("backup", tmp_path, settings=settings)
    file = Path(made.stdout.strip())
    assert file.parent == tmp_path and file.name.startswith("benchworthy-trial-20") and file.is_file()
    assert "NOT in it" in made.stderr
    back = command("restore", file, "--data", tmp_path / "back", settings=settings)
    assert "copy site.secret and signing.jwk" in back.stderr
    assert not (tmp_path / "back" / "site.secret").exists()


def test_a_record_without_its_secret_is_not_served(data: Path, tmp_path: Path) -> None:
    """A new secret in its place would make every board's key worthless, and nobody would notice before the next report."""
    kept = back_up(data, tmp_path / "kept")
    restoring.restore(kept.path, tmp_path / "back")
    settings = environment(tmp_path / "back", None)
    for words in (("serve",), ("token", "create", "C9", "--first")):
        said = command(*words, settings=settings, code=2).stderr
        assert "[settings-invalid]" in said and "site.secret" in said
    assert not (tmp_path / "back" / "site.secret").exists()
    for name in ("site.secret", "signing.jwk"):
        shutil.copy2(data / name, tmp_path / "back" / name)
    service = ServiceProcess(settings, tmp_path / "serve.log")
    service.start()
    service.stop()


def test_restored_secrets_are_those_that_were_backed_up(data: Path, tmp_path: Path) -> None:
    """Same bytes, mode 0600, in a directory of mode 0700."""
    kept = back_up(data, tmp_path / "kept", with_secrets=True)
    restoring.restore(kept.path, tmp_path / "back")
    for name in ("site.secret", "signing.jwk"):
        assert (tmp_path / "back" / name).read_bytes() == (data / name).read_bytes()
        assert stat.S_IMODE((tmp_path / "back" / name).stat().st_mode) == 0o600
    assert stat.S_IMODE((tmp_path / "back").stat().st_mode) == 0o700


def test_a_backup_takes_the_place_of_nothing(data: Path, tmp_path: Path) -> None:
    """Neither of a file that is there, nor of a failed attempt's leavings."""
    back_up(data, tmp_path / "kept")
    was = (tmp_path / "kept").read_bytes()
    with pytest.raises(WriteFailed, match="is there already"):
        back_up(data, tmp_path / "kept")
    with pytest.raises(WriteFailed, match="could not be made"):
        back_up(data, tmp_path / "nowhere" / "kept")
    assert (tmp_path / "kept").read_bytes() == was
    assert sorted(entry.name for entry in tmp_path.iterdir()) == ["data", "kept"]


def test_a_damaged_database_is_not_backed_up_as_if_it_were_sound(data: Path, tmp_path: Path) -> None:
    """Pages overwritten in the middle of the file are found by the copy's check."""
    database = data / archive.DATABASE
    octets = bytearray(database.read_bytes())
    for page in range(8, 30, 3):
        octets[page * 4096 + 100 : page * 4096 + 3000] = b"\x7f" * 2900
    database.write_bytes(octets)
    with pytest.raises(WriteFailed):
        back_up(data, tmp_path / "kept")
    assert not (tmp_path / "kept").exists()


def test_only_an_empty_directory_is_restored_into(data: Path, tmp_path: Path) -> None:
    """An empty one will do, a used one or a file is refused and left as it was."""
    kept = back_up(data, tmp_path / "kept")
    with pytest.raises(RestoreRefused):
        restoring.restore(kept.path, data)
    with pytest.raises(RestoreRefused):
        restoring.restore(kept.path, kept.path)
    (tmp_path / "empty").mkdir()
    restoring.restore(kept.path, tmp_path / "empty")
    assert sums(tmp_path / "empty" / archive.DATABASE) == sums(data / archive.DATABASE)


def rewritten(file: Path, change: Callable[[dict[str, bytes]], None]) -> None:
    """The same backup with its members changed by hand."""
    with tarfile.open(file) as tar:
        members = {m.name: opened.read() for m in tar if (opened := tar.extractfile(m)) is not None}
    change(members)
    with tarfile.open(file, "w:gz") as tar:
        for name, content in members.items():
            info = tarfile.TarInfo(name)
            info.size = len(content)
            tar.addfile(info, io.BytesIO(content))


def edit_manifest(members: dict[str, bytes], **changes: object) -> None:
    members["manifest.json"] = json.dumps({**json.loads(members["manifest.json"]), **changes}).encode()


def edit_a_row(members: dict[str, bytes], place: Path) -> None:
    place.write_bytes(members["benchworthy.sqlite3"])
    assert raw(place, "UPDATE verdicts SET verdict = 'in limits', value = '1'") > 0
    members["benchworthy.sqlite3"] = place.read_bytes()


def orphan_a_row(members: dict[str, bytes], place: Path) -> None:
    """A row whose board is gone, with a manifest that was made to fit."""
    place.write_bytes(members["benchworthy.sqlite3"])
    raw(place, "DELETE FROM boards")
    members["benchworthy.sqlite3"] = place.read_bytes()
    edit_manifest(members, tables={n: {"rows": t.rows, "sha256": t.sha256} for n, t in sums(place).items()})


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (edit_a_row, "The rows of verdicts"),
        (orphan_a_row, "foreign keys lead nowhere"),
        (lambda members, _: edit_manifest(members, schema="9999", package="9.0.0"), "version 9.0.0 with schema 9999"),
        (lambda members, _: edit_manifest(members, format=2), "this version does not know"),
        (lambda members, _: members.pop("manifest.json"), "does not begin with a manifest"),
        (lambda members, _: members.pop("benchworthy.sqlite3"), "holds no database"),
        (lambda members, _: members.update({"secrets/site.secret": b"x" * 32}), "is not what its manifest says"),
        (lambda members, _: members.update({"../outside": b"x"}), "not in its manifest"),
        (lambda members, _: members.update({"extra": b"x"}), "not in its manifest"),
        (lambda members, _: members.update({"manifest.json": b"{}"}), "manifest is damaged"),
        (lambda members, _: members.update({"benchworthy.sqlite3": b"no database at all" * 400}), "is damaged"),
    ],
)  # fmt: skip
def test_a_backup_that_was_changed_is_refused_and_nothing_is_left(
    data: Path, tmp_path: Path, change: Callable[[dict[str, bytes], Path], object], told: str
) -> None:
    """Each is named, and the directory is as it was: not there."""
    kept = back_up(data, tmp_path / "kept", with_secrets=True)
    rewritten(kept.path, lambda members: change(members, tmp_path / "edited.sqlite3"))
    with pytest.raises(BackupInvalid, match=told):
        restoring.restore(kept.path, tmp_path / "back")
    assert not (tmp_path / "back").exists() and not (tmp_path / "outside").exists()


@pytest.mark.parametrize("share", [0.0, 0.3, 0.95])
def test_half_a_backup_is_refused_and_nothing_is_left(data: Path, tmp_path: Path, share: float) -> None:
    """A copy that was cut short on its way; an empty directory stays, and stays empty."""
    kept = back_up(data, tmp_path / "kept")
    octets = kept.path.read_bytes()
    kept.path.write_bytes(octets[: int(len(octets) * share)])
    (tmp_path / "back").mkdir()
    with pytest.raises(BackupInvalid):
        restoring.restore(kept.path, tmp_path / "back")
    assert list((tmp_path / "back").iterdir()) == []


def test_a_backup_of_an_older_version_is_migrated(data: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The rows are checked as they were, and then brought to this version's schema."""
    kept = back_up(data, tmp_path / "kept")
    revision = plant_migration(tmp_path / "later", monkeypatch, 'op.add_column("fixtures", sa.Column("note", sa.Text()))')
    back = restoring.restore(kept.path, tmp_path / "back")
    assert back.manifest["schema"] != back.schema == revision
    assert raw(tmp_path / "back" / archive.DATABASE, "UPDATE fixtures SET note = 'there'") >= 1
    was, now = sums(data / archive.DATABASE), sums(tmp_path / "back" / archive.DATABASE)
    assert {name for name in was if was[name] != now[name]} == {"alembic_version", "fixtures"}


def test_a_migration_that_fails_restores_nothing(data: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Half migrated is not restored."""
    kept = back_up(data, tmp_path / "kept")
    plant_migration(tmp_path / "later", monkeypatch, 'raise RuntimeError("planted")')
    with pytest.raises(RuntimeError, match="planted"):
        restoring.restore(kept.path, tmp_path / "back")
    assert not (tmp_path / "back").exists()


def test_users_mistakes_get_a_sentence(tmp_path: Path) -> None:
    """No database, no file: exit 2, a code in brackets, and no traceback; and no database is made by looking for one."""
    settings = environment(tmp_path / "data", None)
    assert "[file-unreadable]" in command("backup", tmp_path, settings=settings, code=2).stderr
    assert "[backup-invalid]" in command("restore", tmp_path / "none", "--data", tmp_path / "x", settings=settings, code=2).stderr
    assert list(tmp_path.iterdir()) == []


def test_the_manifest_is_over_the_whole_record(data: Path, tmp_path: Path) -> None:
    """Every table that SQLite knows is in it, with its rows counted by somebody else."""
    kept = back_up(data, tmp_path / "kept")
    with tarfile.open(kept.path) as tar:
        members = {m.name: opened.read() for m in tar if (opened := tar.extractfile(m)) is not None}
    assert json.loads(members["manifest.json"]) == kept.manifest
    (tmp_path / "copy").write_bytes(members["benchworthy.sqlite3"])
    connection = sqlite3.connect(tmp_path / "copy")
    tables = {row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    counted = {name: connection.execute(f'SELECT count(*) FROM "{name}"').fetchone()[0] for name in tables}
    connection.close()
    assert {name: table["rows"] for name, table in kept.manifest["tables"].items()} == counted
    assert hashlib.sha256(b"").hexdigest() not in {table["sha256"] for table in kept.manifest["tables"].values()}
