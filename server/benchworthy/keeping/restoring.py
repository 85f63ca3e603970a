"""A backup back into an empty data directory: unpacked aside, checked against its manifest, migrated, and then moved in."""

import hashlib
import json
import os
import shutil
import sqlite3
import tarfile
import zlib
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final

from sqlalchemy.exc import SQLAlchemyError

from benchworthy.errors import BackupInvalid, RestoreRefused, WriteFailed
from benchworthy.keeping.archive import DATABASE, FORMAT, MANIFEST, SECRET_NAMES, SECRETS, sync_directory
from benchworthy.keeping.daily import FOLDER as HEADS
from benchworthy.storage import checksums, copying, moving
from benchworthy.storage.engine import open_engine
from benchworthy.storage.migrate import known_revisions, upgrade

_ASIDE: Final = ".restoring"
_LARGEST_MANIFEST: Final = 16 * 1024 * 1024


@dataclass(frozen=True, slots=True)
class Restored:
    """What came back: the manifest, the schema it has now, and the names of the secrets that came with it."""

    manifest: Mapping[str, Any]
    schema: str
    secrets: tuple[str, ...]


def restore(archive: Path, data: Path, database: str | None = None) -> Restored:
    """Restore into `data`, which is empty or not there. Raises RestoreRefused, BackupInvalid or WriteFailed.

    With `database`, the URL of an empty PostgreSQL database, the record goes there and the rest into `data`. Whatever is
    raised, `data` is left as it was, and no row is in the database.
    """
    if data.exists() and (not data.is_dir() or any(data.iterdir())):
        raise RestoreRefused(f"{data} is not an empty directory.")
    try:
        with _aside(data) as room:
            manifest = _unpack(archive, room)
            _check(room, manifest)
            schema = _migrate(room / DATABASE)
            secrets = _move_in(room, data, database)
    except (OSError, sqlite3.Error, SQLAlchemyError) as fault:
        raise WriteFailed(f"{archive} could not be restored into {data}: {fault}.") from fault
    return Restored(manifest, schema, secrets)


@contextmanager
def _aside(data: Path) -> Iterator[Path]:
    """A directory inside `data`, as that one may be a mounted volume. A failure takes away what was made here."""
    made = not data.exists()
    data.mkdir(parents=True, exist_ok=True, mode=0o700)
    room = data / _ASIDE
    room.mkdir(mode=0o700)
    try:
        yield room
    except BaseException:
        for name in (_ASIDE, HEADS):
            shutil.rmtree(data / name, ignore_errors=True)
        for moved in [data / DATABASE, *(file for name in SECRET_NAMES for file in data.glob(name))]:
            moved.unlink(missing_ok=True)
        if made:
            data.rmdir()
        raise
    shutil.rmtree(room)
    sync_directory(data)


def _unpack(archive: Path, room: Path) -> dict[str, Any]:
    """Only what a backup has is taken out, under names of our own choosing; anything else is refused."""
    try:
        with tarfile.open(archive, "r:gz") as tar:
            manifest = _manifest(tar)
            for member in tar:
                if member.name != MANIFEST:
                    _take_out(tar, member, manifest, room)
    except (tarfile.TarError, EOFError, zlib.error) as fault:
        raise BackupInvalid(f"{archive} is no backup, or not all of it is there ({fault}).") from fault
    except FileNotFoundError as fault:
        raise BackupInvalid(f"{archive} cannot be read ({fault.strerror}).") from fault
    return manifest


def _manifest(tar: tarfile.TarFile) -> dict[str, Any]:
    """Raises BackupInvalid for another format, or a schema that this version does not know."""
    first = tar.next()
    file = tar.extractfile(first) if first is not None and first.name == MANIFEST and first.isreg() else None
    if file is None:
        raise BackupInvalid("The file does not begin with a manifest; it is no backup of Benchworthy.")
    try:
        manifest = json.loads(file.read(_LARGEST_MANIFEST))
        form, schema, package = manifest["format"], manifest["schema"], manifest["package"]
        names = {*manifest["files"], *manifest["tables"]}
    except (ValueError, TypeError, KeyError) as fault:
        raise BackupInvalid("The backup's manifest is damaged.") from fault
    if form != FORMAT or schema not in known_revisions() or not names:
        raise BackupInvalid(f"The backup was made by version {package} with schema {schema}, which this version does not know.")
    found: dict[str, Any] = manifest
    return found


def _take_out(tar: tarfile.TarFile, member: tarfile.TarInfo, manifest: Mapping[str, Any], room: Path) -> None:
    folder, _, name = member.name.rpartition("/")
    plain = member.isreg() and name not in ("", ".", "..")
    if (member.name != DATABASE and not (folder in (HEADS, SECRETS) and member.name in manifest["files"])) or not plain:
        raise BackupInvalid(f"The backup holds {member.name[:80]!r}, which is not in its manifest.")
    source = tar.extractfile(member)
    assert source is not None
    target = room / folder / name
    target.parent.mkdir(exist_ok=True, mode=0o700)
    descriptor = os.open(target, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
    with os.fdopen(descriptor, "wb") as file:
        shutil.copyfileobj(source, file, 1024 * 1024)
        file.flush()
        os.fsync(descriptor)


def _check(room: Path, manifest: Mapping[str, Any]) -> None:
    """Every file and every table is what the manifest says. Raises BackupInvalid naming what is not."""
    for name, expected in manifest["files"].items():
        file = room / name
        if not file.is_file() or hashlib.sha256(file.read_bytes()).hexdigest() != expected:
            raise BackupInvalid(f"{name} in the backup is not what its manifest says.")
    if not (room / DATABASE).is_file():
        raise BackupInvalid("The backup holds no database.")
    try:
        with closing(copying.open_file(room / DATABASE)) as connection:
            wrong = copying.unsound(connection)
            found = {} if wrong else {name: asdict(table) for name, table in checksums.of_database(connection).items()}
            schema = copying.schema_of(connection)
    except sqlite3.DatabaseError as fault:
        raise BackupInvalid(f"The database in the backup is damaged ({fault}).") from fault
    if wrong:
        raise BackupInvalid(f"The database in the backup is not sound: {wrong}.")
    if schema != manifest["schema"]:
        raise BackupInvalid(f"The database has schema {schema}, its manifest says {manifest['schema']}.")
    if found != manifest["tables"]:
        names = sorted(name for name in {*found, *manifest["tables"]} if found.get(name) != manifest["tables"].get(name))
        raise BackupInvalid(f"The rows of {', '.join(names)} are not those that the manifest was written over.")


def _migrate(database: Path) -> str:
    """Bring it to this version's schema, and leave one file. Returns the schema it has then."""
    engine = open_engine(f"sqlite:///{database}")
    try:
        upgrade(engine)
    finally:
        engine.dispose()
    with closing(copying.open_file(database)) as connection:
        connection.execute("PRAGMA journal_mode=DELETE")
        return copying.schema_of(connection)


def _move_in(room: Path, data: Path, database: str | None) -> tuple[str, ...]:
    """The database last: what is cut short in the middle has none, and so is never taken for a restored record."""
    secrets = sorted((room / SECRETS).iterdir()) if (room / SECRETS).is_dir() else []
    for file in secrets:
        file.rename(data / file.name)
    if (room / HEADS).is_dir():
        (room / HEADS).rename(data / HEADS)
    if database is None:
        (room / DATABASE).rename(data / DATABASE)
    else:
        moving.into(room / DATABASE, database)
    return tuple(file.name for file in secrets)
