"""`benchworthy serve` as real processes: a child that dies is started again, and what was begun is ended before it ends."""

import contextlib
import os
import signal
import socket
import sqlite3
import subprocess
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import pytest
import requests

from benchworthy.keeping import audit
from benchworthy.serve import lifeline, supervisor
from benchworthy.serve.supervisor import LONGEST_WAIT, SHORTEST_WAIT, SOUND_SECONDS, Child
from services import reports
from services.keeping import COMMAND, Traffic, Wireless, evidence, flowing, send
from services.mosquitto import Mosquitto, running_mosquitto, until
from services.service import Trial, environment, trial
from services.serving import Serve, children, gone, serving


@contextmanager
def whole(tmp_path: Path) -> Iterator[tuple[Trial, Mosquitto, Serve]]:
    with (
        running_mosquitto(tmp_path, {}) as broker,
        trial(tmp_path / "data") as made,
        serving(environment(tmp_path / "data", broker), tmp_path / "serve.log") as serve,
    ):
        yield made, broker, serve


def kill_and_see(serve: Serve, victim: str, times: int) -> None:
    """SIGKILL one child; `/health/ready` shows that it is away, and then that it is back, by another process."""
    before = children(serve.process.pid)
    os.kill(before[victim], signal.SIGKILL)
    seen: list[tuple[int, Any]] = []

    def away() -> bool:
        seen.append(serve.ready())
        return seen[-1][0] != 200

    assert until(away, 10), "it was never shown that a part is away"
    if victim == "listener":
        status, body = seen[-1]
        assert (status, body["code"]) == (503, "not-ready") and "listener" in body["detail"], body
        assert body["parts"]["listener"]["state"] != "up" and body["parts"]["web"]["state"] == "up"
    serve.wait_ready()
    after = children(serve.process.pid)
    assert after[victim] != before[victim] and {n: p for n, p in after.items() if n != victim}.items() <= before.items()
    assert serve.restarts()[victim] == times


@pytest.mark.parametrize("rounds", [3, pytest.param(20, marks=pytest.mark.long)])
def test_each_child_is_started_again_under_traffic_and_nothing_is_half_done(tmp_path: Path, rounds: int) -> None:
    """Web and listener killed as many times each, with reports coming by HTTP and by MQTT all the while."""
    with whole(tmp_path) as (made, broker, serve):
        http, mqtt = made.enrol("SERVE1"), made.enrol("SERVE2")
        broker.boards[mqtt["serial"]] = mqtt["broker_password"]
        broker.reload()
        traffic = Traffic(serve.url, http["serial"], http["field_key"])
        wireless = Wireless(mqtt["serial"], mqtt["field_key"], mqtt["broker_password"], broker.port)

        def goes_on() -> bool:
            """Another receipt comes to each."""
            mark = len(traffic.receipted), len(wireless.receipted)
            return until(lambda: len(traffic.receipted) > mark[0] and len(wireless.receipted) > mark[1], 30)

        with flowing([traffic, wireless]):
            for number in range(1, rounds + 1):
                for victim in ("web", "listener"):
                    assert goes_on(), serve.log.read_text()
                    kill_and_see(serve, victim, number)
            assert goes_on(), serve.log.read_text()
        stored = evidence(tmp_path / "data" / "benchworthy.sqlite3")
        assert {*traffic.receipted, *wireless.receipted} <= stored, "a receipt for what is not stored"
        assert audit.audit(made.house.database.engine).faults == ()
        log = serve.log.read_text()
        for victim in ("web", "listener"):
            assert log.count(f"{victim} ended with -9; starting it again") == rounds, log
        serve.process.terminate()
        assert serve.process.wait(20) == 0


@contextmanager
def locked(database: Path) -> Iterator[sqlite3.Connection]:
    """Hold the database's write lock: every write waits, as behind a long one of somebody else's."""
    with closing(sqlite3.connect(database, isolation_level=None, timeout=10)) as holder:
        holder.execute("BEGIN IMMEDIATE")
        yield holder


def test_requests_in_flight_end_before_the_process_does(tmp_path: Path) -> None:
    """Twelve writes wait for the lock, four of them for a thread; SIGTERM; nobody new is let in; each gets its 201."""
    with trial(tmp_path / "data") as made, serving(environment(tmp_path / "data", None), tmp_path / "serve.log") as serve:
        enrolled = made.enrol("DRAIN1")
        tokens = [reports.field(enrolled["serial"], enrolled["field_key"], seq=number) for number in range(12)]
        with locked(tmp_path / "data" / "benchworthy.sqlite3") as holder, ThreadPoolExecutor(12) as pool:
            answers = [pool.submit(send, serve.url, token) for token in tokens]
            time.sleep(0.7)
            assert not any(answer.done() for answer in answers)
            serve.process.terminate()
            assert until(lambda: not _lets_in(serve.url), 5), "it still lets new ones in"
            time.sleep(0.3)
            assert serve.process.poll() is None and not any(answer.done() for answer in answers)
            holder.execute("ROLLBACK")
            assert [answer.result(20).status_code for answer in answers] == [201] * 12
        assert serve.process.wait(10) == 0, serve.log.read_text()
        assert made.rows()["evidence"] == 12


def _lets_in(url: str) -> bool:
    host, _, port = url.removeprefix("http://").partition(":")
    with closing(socket.socket()) as probe:
        return probe.connect_ex((host, int(port))) == 0


def test_a_report_still_on_the_wire_is_answered(tmp_path: Path) -> None:
    """Half of the body had come when SIGTERM came; the other half is waited for."""
    with trial(tmp_path / "data") as made, serving(environment(tmp_path / "data", None), tmp_path / "serve.log") as serve:
        enrolled = made.enrol("DRAIN2")
        token = reports.field(enrolled["serial"], enrolled["field_key"], seq=1)
        host, _, port = serve.url.removeprefix("http://").partition(":")
        with closing(socket.create_connection((host, int(port)), timeout=10)) as wire:
            head = f"POST /api/v1/reports HTTP/1.1\r\nHost: x\r\nContent-Type: application/jose\r\nContent-Length: {len(token)}"
            wire.sendall(head.encode() + b"\r\n\r\n" + token[:200])
            time.sleep(0.3)
            serve.process.terminate()
            time.sleep(0.7)
            wire.sendall(token[200:])
            assert wire.recv(4096).startswith(b"HTTP/1.1 201 ")
        assert serve.process.wait(10) == 0
        assert made.rows()["evidence"] == 1


@pytest.mark.parametrize("rounds", [2, pytest.param(10, marks=pytest.mark.long)])
def test_no_act_and_no_report_is_lost_by_ending_in_order(tmp_path: Path, rounds: int) -> None:
    """SIGTERM in full traffic, and a new start, again and again: whatever was done at the desk was answered, and every answer is
    true; whatever had its receipt is stored, and what waits goes on its way with the next start."""
    data = tmp_path / "data"
    with running_mosquitto(tmp_path, {}) as broker, trial(data) as made:
        enrolled, at_desk = made.enrol("TERM0"), [made.enrol(f"DESK{n}")["serial"] for n in range(4)]
        broker.boards[enrolled["serial"]] = enrolled["broker_password"]
        broker.reload()
        wireless = Wireless(enrolled["serial"], enrolled["field_key"], enrolled["broker_password"], broker.port)
        answered = dict.fromkeys(at_desk, 0)
        with flowing([wireless]):
            for _ in range(rounds):
                with serving(environment(data, broker), tmp_path / "serve.log") as serve, ThreadPoolExecutor(4) as pool:
                    acting = [pool.submit(_report_defects, serve.url, serial, made, answered) for serial in at_desk]
                    mark = len(wireless.receipted)
                    assert until(lambda mark=mark: len(wireless.receipted) > mark + 2 and all(answered.values()), 60)
                    serve.process.terminate()
                    assert [one.result(30) for one in acting] == [None] * 4
                    assert serve.process.wait(20) == 0, serve.log.read_text()
                assert "Traceback" not in serve.log.read_text()
                for serial, count in answered.items():
                    with made.house.database.reading() as work:
                        kinds = [entry.kind for entry in work.ledger.entries(serial)]
                    assert kinds.count("defect-reported") == count, "an act that was done had no answer"
        assert set(wireless.receipted) <= evidence(data / "benchworthy.sqlite3") and not wireless.false_receipts
        assert audit.audit(made.house.database.engine).faults == ()


def _report_defects(url: str, serial: str, made: Trial, answered: dict[str, int]) -> None:
    """Without a key and without a second try, until the service lets nobody in any more."""
    headers = {"Authorization": f"Bearer {made.secrets['desk']}"}
    while True:
        try:
            answer = requests.post(f"{url}/api/v1/boards/{serial}/defects", json={"seen": "loose"}, headers=headers, timeout=20)
        except requests.ConnectionError:
            return
        assert answer.status_code == 201, answer.text
        answered[serial] += 1


def test_who_says_nothing_does_not_hold_up_the_end(tmp_path: Path) -> None:
    """An idle connection is closed at once; one that never sends the rest of its request is waited for no longer than allowed."""
    with trial(tmp_path / "data"), serving(environment(tmp_path / "data", None), tmp_path / "serve.log") as serve:
        host, _, port = serve.url.removeprefix("http://").partition(":")
        with closing(socket.create_connection((host, int(port)), timeout=20)) as idle, requests.Session() as session:
            assert session.get(f"{serve.url}/health/live", timeout=5).status_code == 200  # kept open by both sides
            time.sleep(0.3)
            began = time.monotonic()
            serve.process.terminate()
            assert idle.recv(1) == b"" and serve.process.wait(10) == 0
            assert time.monotonic() - began < 7


def test_the_listener_takes_its_leave_of_the_broker(tmp_path: Path) -> None:
    """SIGTERM: a DISCONNECT, not a lost connection; and the lease is given back, so the next start is served at once."""
    with whole(tmp_path) as (made, broker, serve):
        assert until(lambda: "as benchworthy-listener-trial" in broker.log(), 20)
        serve.process.terminate()
        assert serve.process.wait(20) == 0, serve.log.read_text()
        assert until(lambda: "Client benchworthy-listener-trial disconnected." in broker.log(), 5), broker.log()
        assert made.rows()["leases"] == 0


def test_children_do_not_outlive_a_killed_supervisor(tmp_path: Path) -> None:
    """SIGKILL to serve itself: both end by themselves, in order, and the port is free."""
    with whole(tmp_path) as (made, broker, serve):
        below = children(serve.process.pid)
        assert set(below) == {"web", "listener"}
        serve.process.kill()
        serve.process.wait(10)
        assert until(lambda: all(gone(pid) for pid in below.values()), 15), below
        assert not _lets_in(serve.url)
        assert until(lambda: "Client benchworthy-listener-trial disconnected." in broker.log(), 5), broker.log()
        assert made.rows()["leases"] == 0


def test_a_part_that_cannot_start_ends_serve_with_its_reason(tmp_path: Path) -> None:
    """The port is taken: exit 2 and the setting to change, at once and not again and again."""
    settings = environment(tmp_path / "data", None)
    host, _, port = settings["BENCHWORTHY_HTTP"].partition(":")
    with closing(socket.socket()) as holder:
        holder.bind((host, int(port)))
        holder.listen()
        done = subprocess.run([*COMMAND, "serve"], env=settings, capture_output=True, text=True, timeout=30, check=False)
    assert done.returncode == 2
    assert "Set BENCHWORTHY_HTTP to another port" in done.stderr and "starting it again" not in done.stderr


def test_serve_leaves_nothing_outside_its_data_directory(tmp_path: Path) -> None:
    """A read-only home is enough: no socket, cache or file in the home, the working or the temporary directory."""
    places = {name: tmp_path / name for name in ("HOME", "TMPDIR", "XDG_RUNTIME_DIR", "XDG_CACHE_HOME")}
    work = tmp_path / "work"
    for place in (*places.values(), work):
        place.mkdir()
    settings = environment(tmp_path / "data", None) | {name: str(place) for name, place in places.items()}
    with trial(tmp_path / "data"), contextlib.chdir(work), serving(settings, tmp_path / "serve.log") as serve:
        assert serve.ready()[0] == 200
    assert [file for place in (*places.values(), work) for file in place.rglob("*")] == []


def _dead() -> "subprocess.Popen[bytes]":
    process = subprocess.Popen(["true"], stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    process.wait(10)
    return process


def test_what_fails_again_and_again_is_tried_less_often(capsys: pytest.CaptureFixture[str]) -> None:
    """The pause doubles up to a bound; who was killed from outside, or did well for a while, comes back at once."""
    child, now, waits = Child("web"), 0.0, []
    for _ in range(10):
        child.process, child.started_at = _dead(), now
        supervisor._plan_restart(child, 1, now + 0.5)
        waits.append(child.wait)
        now = child.next_start
    assert waits == sorted(waits) and waits[0] < 1 and waits[-1] == LONGEST_WAIT
    child.ever_up = True
    child.process, child.started_at = _dead(), now
    supervisor._plan_restart(child, -9, now + 0.5)
    assert child.wait == SHORTEST_WAIT
    child.process, child.started_at = _dead(), now
    supervisor._plan_restart(child, 1, now + 0.5)
    assert child.wait > SHORTEST_WAIT
    child.process, child.started_at = _dead(), now
    supervisor._plan_restart(child, 1, now + SOUND_SECONDS)
    assert child.wait == SHORTEST_WAIT
    assert "web ended with 1; starting it again in 30.0 s" in capsys.readouterr().err


def test_a_child_that_reads_nothing_does_not_stop_the_supervisor() -> None:
    """Its pipe is full, or it is gone: it is told nothing, and nobody waits."""
    reader, writer = os.pipe()
    os.set_blocking(writer, False)
    done = threading.Event()

    def tell() -> None:
        for _ in range(2000):
            lifeline.tell(writer, {"web": {"state": "up" * 50}})
        os.close(reader)
        lifeline.tell(writer, {})
        done.set()

    threading.Thread(target=tell, daemon=True).start()
    assert done.wait(10)
    os.close(writer)
