"""What tests of backup, audit and disk share: a real service without a broker, senders of field reports, raw SQL, migrations."""

import contextlib
import json
import os
import queue
import shutil
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import paho.mqtt.client as paho
import pytest
import requests

from benchworthy.keys.verifier import code
from benchworthy.reports import receipt
from benchworthy.reports.token import digest
from benchworthy.serve.demo.house import ServiceProcess
from benchworthy.storage import checksums, migrate
from services import reports
from services.mosquitto import topic
from services.service import Trial, environment, trial

COMMAND = [sys.executable, "-m", "benchworthy.cli.main"]


@contextmanager
def served(directory: Path) -> Iterator[tuple[Trial, ServiceProcess, dict[str, str]]]:
    """`benchworthy serve` without a broker, the same record in a trial, and the settings of both."""
    settings = environment(directory / "data", None)
    with trial(directory / "data") as made:
        service = ServiceProcess(settings, directory / "serve.log")
        try:
            service.start()
            yield made, service, settings
        finally:
            service.stop()


def command(*words: str | Path, settings: Mapping[str, str], code: int = 0) -> "subprocess.CompletedProcess[str]":
    """Run one command in a process of its own; AssertionError with all it said when it ends with another code."""
    done = subprocess.run(
        [*COMMAND, *map(str, words)], env=dict(settings), capture_output=True, text=True, timeout=90, check=False
    )
    assert done.returncode == code, f"exit {done.returncode}\n{done.stdout}\n{done.stderr}"
    return done


def send(url: str, token: bytes, seconds: float = 20) -> requests.Response:
    return requests.post(f"{url}/api/v1/reports", data=token, headers={"Content-Type": "application/jose"}, timeout=seconds)


@dataclass
class Traffic:
    """Sends field reports of one board over HTTP until stopped, each until it has its receipt."""

    url: str
    serial: str
    key: str
    receipted: list[str] = field(default_factory=list)
    answers: set[int] = field(default_factory=set)
    ending: threading.Event = field(default_factory=threading.Event)

    def run(self) -> None:
        number = 0
        while not self.ending.is_set():
            number += 1
            token = reports.field(self.serial, self.key, seq=number)
            while not self.ending.is_set() and not self._delivered(token):
                self.ending.wait(0.05)

    def _delivered(self, token: bytes) -> bool:
        try:
            answer = send(self.url, token)
        except requests.RequestException:
            return False  # the service is being started again; nobody knows whether the report was stored
        self.answers.add(answer.status_code)
        if answer.status_code in (200, 201):
            self.receipted.append(digest(token))
            return True
        return False


@contextmanager
def flowing(traffic: "Sequence[Traffic | Wireless]") -> Iterator[None]:
    threads = [threading.Thread(target=one.run, daemon=True) for one in traffic]
    for thread in threads:
        thread.start()
    try:
        yield
    finally:
        for one in traffic:
            one.ending.set()
        for thread in threads:
            thread.join(30)


def sums(database: Path) -> dict[str, checksums.TableSum]:
    with closing(sqlite3.connect(database, timeout=10)) as connection:
        return checksums.of_database(connection)


def raw(database: Path, statement: str, *values: object) -> int:
    """One statement behind the service's back, without its foreign keys; how many rows it changed."""
    with closing(sqlite3.connect(database, timeout=10, isolation_level=None)) as connection:
        return connection.execute(statement, values).rowcount


def evidence(database: Path) -> set[str]:
    with closing(sqlite3.connect(database, timeout=10)) as connection:
        return {row[0] for row in connection.execute("SELECT digest FROM evidence")}


LATER = '''"""Planted by a test: what a later version might do.

Revision: {revision}, after {head}
"""

import sqlalchemy as sa
from alembic import op

revision = "{revision}"
down_revision = "{head}"
branch_labels = None
depends_on = None


def upgrade() -> None:
{body}
'''


def plant_migration(place: Path, patch: pytest.MonkeyPatch, body: str, revision: str = "9001") -> str:
    """Let this process believe in a later version with one more migration; its revision."""
    shutil.copytree(migrate._FOLDER, place, ignore=shutil.ignore_patterns("__pycache__"))
    lines = "\n".join(f"    {line}" for line in body.splitlines())
    text = LATER.format(revision=revision, head=head(), body=lines)
    (place / "versions" / f"{revision}_planted.py").write_text(text)
    patch.setattr(migrate, "_FOLDER", place)
    return revision


def head() -> str:
    from alembic.script import ScriptDirectory

    found = ScriptDirectory(str(migrate._FOLDER)).get_current_head()
    assert found is not None
    return found


def as_service(patch: pytest.MonkeyPatch, data: Path) -> None:
    """Commands in this process are those of the service on `data`."""
    for name in [name for name in os.environ if name.startswith("BENCHWORTHY_")]:
        patch.delenv(name)
    patch.setenv("BENCHWORTHY_DATA", str(data))
    patch.setenv("BENCHWORTHY_SITE", "trial")


@dataclass
class Wireless:
    """A board at the broker: sends one field report after the other, each again and again until its receipt has come."""

    serial: str
    key: str
    password: str
    port: int
    receipted: list[str] = field(default_factory=list)
    false_receipts: list[bytes] = field(default_factory=list)
    arrived: "queue.SimpleQueue[str]" = field(default_factory=queue.SimpleQueue)
    ending: threading.Event = field(default_factory=threading.Event)

    def run(self) -> None:
        client = paho.Client(paho.CallbackAPIVersion.VERSION2, self.serial, clean_session=False)
        client.username_pw_set(self.serial, self.password)
        client.reconnect_delay_set(1, 2)
        client.on_message = lambda _client, _data, message: self._take(message.payload)
        client.on_connect = lambda *_: client.subscribe(topic(self.serial, "receipt"), qos=1)
        client.connect("127.0.0.1", self.port)
        client.loop_start()
        number = 0
        while not self.ending.is_set():
            number += 1
            token = reports.field(self.serial, self.key, seq=number)
            while not self.ending.is_set() and not self._delivered(client, token):
                pass
        client.disconnect()
        client.loop_stop()

    def _take(self, octets: bytes) -> None:
        """Only a receipt with this board's own code is one."""
        said = json.loads(octets)
        honest = code(bytes.fromhex(self.key), receipt.message(said["report"], said["verdict"]))
        if said["mac"] == honest:
            self.arrived.put(said["report"])
        else:
            self.false_receipts.append(octets)

    def _delivered(self, client: paho.Client, token: bytes) -> bool:
        client.publish(topic(self.serial, "report"), token, qos=1)
        deadline = time.monotonic() + 2.0
        while not self.ending.is_set() and time.monotonic() < deadline:
            with contextlib.suppress(queue.Empty):
                if self.arrived.get(timeout=0.1) == digest(token):
                    self.receipted.append(digest(token))
                    return True
        return False
