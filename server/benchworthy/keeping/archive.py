"""A backup: one file (tar, gzip) with the database, the signed lists of heads, and a manifest that says what is in it.

The secrets stay out unless asked for: whoever has them can sign as any board and as the site. A backup has mode 0600 in
either case, as it names borrowers' codes and holds everybody's remarks.
"""

import hashlib
import io
import json
import os
import shutil
import sqlite3
import tarfile
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from sqlalchemy.exc import SQLAlchemyError

from benchworthy import __version__
from benchworthy.errors import WriteFailed
from benchworthy.keeping.daily import FOLDER as HEADS
from benchworthy.storage import checksums, copying, moving

FORMAT: Final = 1
MANIFEST: Final = "manifest.json"
DATABASE: Final = "benchworthy.sqlite3"
SECRETS: Final = "secrets"
SECRET_NAMES: Final = ("*.secret", "*.jwk")


@dataclass(frozen=True, slots=True)
class Backup:
    """The file that was made, and its manifest."""

    path: Path
    manifest: Mapping[str, Any]


def make(database: Path | str, data: Path, target: Path, site: str, at: datetime, *, with_secrets: bool) -> Backup:
    """Write a backup to `target`, or into it under a name with the date when it is a directory. Raises WriteFailed.

    `database` is an SQLite file or the URL of a PostgreSQL database; the backup holds an SQLite file in either case. It appears
    under its name only when it is whole, and never in place of another.
    """
    path = target / f"benchworthy-{site}-{at:%Y%m%dT%H%M%SZ}.tar.gz" if target.is_dir() else target
    if path.exists():
        raise WriteFailed(f"{path} is there already.")
    try:
        with _workshop(path.parent) as room:
            moving.out(database, room / DATABASE) if isinstance(database, str) else copying.copy(database, room / DATABASE)
            extras = _extras(data, with_secrets)
            manifest = _manifest(room / DATABASE, extras, site, at, with_secrets)
            _pack(room / "finished", room / DATABASE, extras, manifest)
            os.link(room / "finished", path)
            sync_directory(path.parent)
    except (OSError, sqlite3.Error, SQLAlchemyError) as fault:
        raise WriteFailed(f"{path} could not be made: {fault}.") from fault
    return Backup(path, manifest)


@contextmanager
def _workshop(beside: Path) -> Iterator[Path]:
    """A directory that nobody else reads, on the same file system as the finished file; gone at the end."""
    room = Path(tempfile.mkdtemp(prefix=".benchworthy-backup-", dir=beside))
    try:
        yield room
    finally:
        shutil.rmtree(room, ignore_errors=True)


def _extras(data: Path, with_secrets: bool) -> dict[str, bytes]:
    """What lies beside the database: name in the backup to content."""
    found = {f"{HEADS}/{file.name}": file.read_bytes() for file in sorted((data / HEADS).glob("*.jws"))}
    if with_secrets:
        secrets = sorted({file for name in SECRET_NAMES for file in data.glob(name) if file.is_file()})
        found |= {f"{SECRETS}/{file.name}": file.read_bytes() for file in secrets}
    return found


def _manifest(copied: Path, extras: Mapping[str, bytes], site: str, at: datetime, with_secrets: bool) -> dict[str, Any]:
    with closing(copying.open_file(copied)) as connection:
        tables = checksums.of_database(connection)
        schema = copying.schema_of(connection)
    return {
        "format": FORMAT,
        "site": site,
        "made_at": at.isoformat(timespec="seconds"),
        "package": __version__,
        "schema": schema,
        "tables": {name: asdict(table) for name, table in tables.items()},
        "files": {name: hashlib.sha256(content).hexdigest() for name, content in extras.items()},
        "with_secrets": with_secrets,
    }


def _pack(into: Path, copied: Path, extras: Mapping[str, bytes], manifest: Mapping[str, Any]) -> None:
    """The manifest comes first: a reader knows what to expect before it unpacks anything."""
    descriptor = os.open(into, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
    with os.fdopen(descriptor, "wb") as file:
        with tarfile.open(fileobj=file, mode="w:gz", compresslevel=6) as tar:
            _add(tar, MANIFEST, (json.dumps(manifest, indent=1) + "\n").encode())
            for name, content in extras.items():
                _add(tar, name, content)
            with copied.open("rb") as database:
                tar.addfile(_info(DATABASE, copied.stat().st_size), database)
        file.flush()
        os.fsync(file.fileno())


def _add(tar: tarfile.TarFile, name: str, content: bytes) -> None:
    tar.addfile(_info(name, len(content)), io.BytesIO(content))


def _info(name: str, size: int) -> tarfile.TarInfo:
    info = tarfile.TarInfo(name)
    info.size, info.mode = size, 0o600
    return info


def sync_directory(directory: Path) -> None:
    """After a power cut the names in it are there."""
    descriptor = os.open(directory, os.O_RDONLY | os.O_CLOEXEC)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
