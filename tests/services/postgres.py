"""A real PostgreSQL server of the tests' own: a cluster in a temporary directory, on a free port of 127.0.0.1."""

import os
import pwd
import secrets
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from itertools import count
from pathlib import Path

from benchworthy.serve.demo.house import free_port
from benchworthy.storage.postgresql import SCHEME
from services import absent

USER, DRAWN = "postgres", secrets.token_hex(12)
_PATIENCE = 60


def programs() -> Path:
    """Where initdb and pg_ctl lie: Debian keeps each version's apart, and none of them on PATH."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda path: int(path.parts[4]))
    on_path = shutil.which("initdb")
    if not found and on_path is None:
        absent("no PostgreSQL: apt-get install postgresql")
    return found[-1].parent if found else Path(str(on_path)).parent


@dataclass
class Cluster:
    """The server's files and port; every test takes a database of its own."""

    folder: Path
    port: int = field(default_factory=free_port)
    numbers: Iterator[int] = field(default_factory=lambda: count(1))

    def url(self, database: str) -> str:
        return f"{SCHEME}{USER}:{DRAWN}@127.0.0.1:{self.port}/{database}"

    def new(self, locale: str = "C.UTF-8", encoding: str = "UTF8") -> str:
        """A new empty database's URL. By default with a locale whose order is not asked for by anybody."""
        name = f"record{next(self.numbers)}"
        self.ask("postgres", f"CREATE DATABASE {name} TEMPLATE template0 ENCODING '{encoding}' LOCALE '{locale}'")
        return self.url(name)

    def new_in_english_order(self) -> str:
        """As most servers are: a database that sorts by the rules of a language, here by ICU's."""
        name = f"record{next(self.numbers)}"
        order = "LOCALE_PROVIDER icu ICU_LOCALE 'en-US' LOCALE 'C.UTF-8'"
        self.ask("postgres", f"CREATE DATABASE {name} TEMPLATE template0 ENCODING 'UTF8' {order}")
        return self.url(name)

    def ask(self, database: str, statement: str) -> list[tuple[object, ...]]:
        """One statement by the driver alone, past everything of ours."""
        import psycopg

        with psycopg.connect(self.url(database).replace(SCHEME, "postgresql://"), autocommit=True) as connection:
            cursor = connection.execute(statement.encode())
            return cursor.fetchall() if cursor.description else []

    def start(self) -> None:
        self._run("pg_ctl", "-D", str(self.folder / "data"), "-l", str(self.folder / "log"), "-w", "-o", self._options(), "start")

    def stop(self, mode: str = "immediate") -> None:
        self._run("pg_ctl", "-D", str(self.folder / "data"), "-w", "-m", mode, "stop")

    def make(self) -> None:
        word = self.folder / "word"
        word.write_text(DRAWN)
        word.chmod(0o644)
        self._run(
            "initdb", "-D", str(self.folder / "data"), "-U", USER, "-E", "UTF8", "--locale=C.UTF-8", "-N",
            "--auth=scram-sha-256", f"--pwfile={word}",
        )  # fmt: skip

    def _options(self) -> str:
        """Nothing here has to outlive a power cut of the machine, so the disk is not waited for."""
        return f"-h 127.0.0.1 -p {self.port} -k {self.folder} -c fsync=off -c max_connections=60"

    def _run(self, name: str, *words: str) -> None:
        """The server refuses to run as root, so root runs it as the account that Debian's package made."""
        command = [str(programs() / name), *words]
        if os.geteuid() == 0:
            command = ["runuser", "-u", USER, "--", *command]
        with (self.folder / "said").open("ab") as said:
            done = subprocess.run(command, stdout=said, stderr=said, cwd="/", timeout=_PATIENCE, check=False)
        told = [path.read_text() for path in (self.folder / "said", self.folder / "log") if path.is_file()]
        assert done.returncode == 0, f"{name} ended with {done.returncode}: {told}"


@contextmanager
def running_postgres() -> Iterator[Cluster]:
    """A server for as long as the block lasts. Not below a test's own directory, which other accounts may not enter."""
    programs()
    folder = Path(tempfile.mkdtemp(prefix="bw-pg-"))
    if os.geteuid() == 0:
        account = pwd.getpwnam(USER)
        os.chown(folder, account.pw_uid, account.pw_gid)
    cluster = Cluster(folder)
    try:
        cluster.make()
        cluster.start()
        try:
            yield cluster
        finally:
            cluster.stop()
    finally:
        shutil.rmtree(folder)


# Set where tests run with --postgresql: gives a data directory its database.
everywhere: Callable[[Path], str] | None = None


@contextmanager
def for_every_data_directory() -> Iterator[None]:
    """Every service that a test starts keeps its record in a database of its own on one server, not in SQLite."""
    global everywhere
    with running_postgres() as cluster:
        known: dict[Path, str] = {}
        everywhere = lambda data: known[data] if data in known else known.setdefault(data, cluster.new())  # noqa: E731
        try:
            yield
        finally:
            everywhere = None


def kept_in(data: Path, database: str | None) -> dict[str, str]:
    """The setting that says where the record of `data` lies; none for SQLite."""
    said = database or (everywhere(data) if everywhere else None)
    return {"BENCHWORTHY_DATABASE": said} if said else {}
