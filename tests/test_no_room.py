"""The disk is full: a report is refused with a code, nothing of it is stored, and the next one is taken once there is room."""

import contextlib
import json
import resource
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from pathlib import Path

import paho.mqtt.client as paho
import pytest
import requests
from sqlalchemy import text
from sqlalchemy.exc import OperationalError

from benchworthy.errors import StorageFull
from benchworthy.keeping import audit
from benchworthy.storage import copying
from benchworthy.storage.engine import open_engine, reading, writing
from benchworthy.storage.migrate import upgrade
from services import absent, reports
from services.keeping import COMMAND, command, evidence, send, served, sums
from services.mosquitto import running_mosquitto, topic, until
from services.service import environment, trial


@contextmanager
def no_room_for(process: int) -> Iterator[None]:
    """No file of this process may grow or be written beyond its first pages: as on a full disk, for one process only."""
    if not hasattr(resource, "prlimit"):
        absent("no prlimit on this system")
    hard = resource.prlimit(process, resource.RLIMIT_FSIZE)[1]
    resource.prlimit(process, resource.RLIMIT_FSIZE, (4096, hard))
    try:
        yield
    finally:
        with contextlib.suppress(ProcessLookupError):
            resource.prlimit(process, resource.RLIMIT_FSIZE, (hard, hard))


def child_of(service_log: Path, url: str) -> int:
    """The web process, found by the port that it listens on."""
    port = int(url.rpartition(":")[2])
    needle = f":{port:04X} "
    inode = next(
        line.split()[9]
        for line in Path("/proc/net/tcp").read_text().splitlines()[1:]
        if needle in line.split()[1] + " " and line.split()[3] == "0A"
    )
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            with contextlib.suppress(OSError):
                if any(link.readlink() == Path(f"socket:[{inode}]") for link in (entry / "fd").iterdir()):
                    return int(entry.name)
    raise AssertionError(service_log.read_text())


def test_a_report_without_room_is_503_and_the_next_one_is_taken(tmp_path: Path) -> None:
    """By HTTP, on the real service: 503, `storage-full`, Retry-After; no row more or less; reading goes on; then 201."""
    with served(tmp_path) as (made, service, _):
        enrolled = made.enrol("FULL1")
        serial, key = enrolled["serial"], enrolled["field_key"]
        database = tmp_path / "data" / "benchworthy.sqlite3"
        web = child_of(tmp_path / "serve.log", service.url)
        assert send(service.url, reports.field(serial, key, seq=1)).status_code == 201
        before = sums(database)
        with no_room_for(web):
            for number in range(2, 6):
                answer = send(service.url, reports.field(serial, key, seq=number))
                assert (answer.status_code, answer.json()["code"]) == (503, "storage-full"), answer.text
                assert int(answer.headers["Retry-After"]) >= 1
                assert answer.headers["Content-Type"] == "application/problem+json"
            seen = requests.get(
                f"{service.url}/api/v1/boards/{serial}",
                headers={"Authorization": f"Bearer {made.secrets['reader']}"},
                timeout=10,
            )
            assert seen.status_code == 200, "reading needs no room"
            assert requests.get(f"{service.url}/health/live", timeout=10).status_code == 200
        assert sums(database) == before, "something of a refused report was stored"
        assert send(service.url, reports.field(serial, key, seq=2)).status_code == 201
        assert send(service.url, reports.field(serial, key, seq=1)).status_code == 200
        assert audit.audit(made.house.database.engine).faults == ()
    with closing(sqlite3.connect(database)) as connection:
        assert copying.unsound(connection) == ""
    assert "Traceback" not in (tmp_path / "serve.log").read_text()


def test_an_act_without_room_is_503_and_its_key_is_good_for_it_later(tmp_path: Path) -> None:
    """With an Idempotency-Key: not a row of the act, of its entry, its number or its kept answer; and then all of them."""
    with served(tmp_path) as (made, service, _):
        serial = made.enrol("FULL3")["serial"]
        database = tmp_path / "data" / "benchworthy.sqlite3"
        web = child_of(tmp_path / "serve.log", service.url)

        def act() -> requests.Response:
            headers = {"Authorization": f"Bearer {made.secrets['desk']}", "Idempotency-Key": "one-defect"}
            where = f"{service.url}/api/v1/boards/{serial}/defects"
            return requests.post(where, json={"seen": "smells of smoke " * 20}, headers=headers, timeout=20)

        before, rows = sums(database), made.rows()
        with no_room_for(web):
            for _attempt in range(3):
                answer = act()
                assert (answer.status_code, answer.json()["code"]) == (503, "storage-full"), answer.text
                assert int(answer.headers["Retry-After"]) >= 1
        assert sums(database) == before, "something of a refused act was stored"
        first, again = act(), act()
        assert (first.status_code, again.status_code) == (201, 201) and first.text == again.text
        assert "Idempotency-Replayed" not in first.headers and "Idempotency-Replayed" in again.headers
        added = {name: count - rows[name] for name, count in made.rows().items() if count != rows[name]}
        assert added == {"defects": 1, "holds": 1, "ledger": 1, "changes": 1, "texts": 1, "answers": 1}
        assert audit.audit(made.house.database.engine).faults == ()
    assert "Traceback" not in (tmp_path / "serve.log").read_text()


def test_the_listener_without_room_keeps_reports_with_the_broker(tmp_path: Path) -> None:
    """By MQTT: no receipt while there is no room, none lost, and the receipt comes when there is some again."""
    with running_mosquitto(tmp_path, {}) as broker, trial(tmp_path / "data") as made:
        enrolled = made.enrol("FULL2")
        serial, key = enrolled["serial"], enrolled["field_key"]
        broker.boards[serial] = enrolled["broker_password"]
        broker.reload()
        log = tmp_path / "listener.log"
        with log.open("wb") as out:
            process = subprocess.Popen(
                [sys.executable, "-m", "benchworthy.serve.listener"], env=environment(tmp_path / "data", broker), stderr=out
            )
        board = paho.Client(paho.CallbackAPIVersion.VERSION2, serial, clean_session=False)
        board.username_pw_set(serial, enrolled["broker_password"])
        receipts: list[str] = []
        board.on_message = lambda _c, _d, message: receipts.append(json.loads(message.payload)["report"])
        board.on_connect = lambda *_: board.subscribe(topic(serial, "receipt"), qos=1)
        try:
            assert until(lambda: "connected to the broker" in log.read_text(), 30), log.read_text()
            board.connect("127.0.0.1", broker.port)
            board.loop_start()
            with no_room_for(process.pid):
                for number in range(3):
                    board.publish(topic(serial, "report"), reports.field(serial, key, seq=number), qos=1)
                assert not until(lambda: bool(receipts), 3), "a receipt for what is not stored"
                assert made.rows()["evidence"] == 0 and process.poll() is None, log.read_text()
            assert until(lambda: len(set(receipts)) == 3, 20), log.read_text()
            assert made.rows()["evidence"] == 3 and made.rows()["refusals"] == 0
        finally:
            board.disconnect()
            board.loop_stop()
            process.send_signal(signal.SIGTERM)
            assert process.wait(15) == 0


def test_sqlites_own_word_for_a_full_disk_is_told_as_such(tmp_path: Path) -> None:
    """SQLITE_FULL, inside the block and at its end; nothing is left, and the same connection serves the next write."""
    engine = open_engine(f"sqlite:///{tmp_path}/small.sqlite3")
    upgrade(engine)
    with reading(engine) as connection:
        pages = connection.execute(text("PRAGMA page_count")).scalar_one()
    with engine.connect() as connection:  # the pool hands out this one connection again
        connection.exec_driver_sql(f"PRAGMA max_page_count={pages}")
    for _ in range(2):
        with pytest.raises(StorageFull) as caught, writing(engine) as connection:
            connection.execute(text("INSERT INTO texts VALUES (hex(randomblob(32)), hex(randomblob(100000)))"))
        assert caught.value.facts["retry_after"] >= 1
    with engine.connect() as connection:
        connection.exec_driver_sql("PRAGMA max_page_count=1000000")
    with writing(engine) as connection:
        connection.execute(text("INSERT INTO texts VALUES ('a', 'there is room again')"))
    with reading(engine) as connection:
        assert connection.execute(text("SELECT count(*) FROM texts")).scalar_one() == 1
    engine.dispose()


def test_another_fault_of_the_database_is_not_told_as_a_full_disk(tmp_path: Path) -> None:
    """A mistake of ours stays one."""
    engine = open_engine(f"sqlite:///{tmp_path}/any.sqlite3")
    with pytest.raises(OperationalError, match="no such table"), writing(engine) as connection:
        connection.execute(text("INSERT INTO nowhere VALUES (1)"))
    engine.dispose()


def without_room(*words: str, settings: Mapping[str, str], limit: int) -> "subprocess.CompletedProcess[str]":
    """A command in a process that may not write any file beyond `limit` bytes."""
    return subprocess.run(
        [*COMMAND, *words],
        env=dict(settings),
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (limit, resource.RLIM_INFINITY)),
    )


def test_a_backup_without_room_leaves_nothing(tmp_path: Path) -> None:
    """Exit 2, a sentence, no half file."""
    with trial(tmp_path / "data") as made:
        made.enrol("FULL3")
    (tmp_path / "out").mkdir()
    done = without_room("backup", str(tmp_path / "out"), settings=environment(tmp_path / "data", None), limit=65536)
    assert done.returncode == 2 and "[write-failed]" in done.stderr and "Traceback" not in done.stderr, done.stderr
    assert list((tmp_path / "out").iterdir()) == []


def test_a_restore_without_room_leaves_nothing(tmp_path: Path) -> None:
    """The directory is as it was: not there."""
    with trial(tmp_path / "data") as made:
        made.enrol("FULL4")
    settings = environment(tmp_path / "data", None)
    command("backup", tmp_path / "kept", settings=settings)
    done = without_room("restore", str(tmp_path / "kept"), "--data", str(tmp_path / "back"), settings=settings, limit=65536)
    assert done.returncode == 2 and "[write-failed]" in done.stderr and "Traceback" not in done.stderr, done.stderr
    assert not (tmp_path / "back").exists()


@pytest.mark.parametrize("there", [True, False], ids=["a database that is there", "a new database"])
def test_serve_without_room_says_so(tmp_path: Path, there: bool) -> None:
    """At the start: exit 2 and the code, no traceback; and what was there is whole."""
    if there:
        with trial(tmp_path / "data") as made:
            made.enrol("FULL5")
    done = without_room("serve", settings=environment(tmp_path / "data", None), limit=8192)
    assert done.returncode == 2 and "[storage-full]" in done.stderr and "Traceback" not in done.stderr, done.stderr
    if there:
        assert len(evidence(tmp_path / "data" / "benchworthy.sqlite3")) == 0
