"""`benchworthy serve` with the broker inside: labelled, enough for two thousand reports, and started again when it dies."""

import contextlib
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
import requests

from benchworthy.serve.demo.house import ServiceProcess, free_port
from services.brokers import embedded_environment
from services.mosquitto import until
from services.senders import Sender, sending
from services.service import Trial, trial

COMMAND = [sys.executable, "-m", "benchworthy.cli.main"]
BOARDS, EACH, KILLS = 4, 500, 3
ALL = BOARDS * EACH


@contextmanager
def serving(directory: Path, **changes: str) -> Iterator[tuple[Trial, ServiceProcess, dict[str, str], Path]]:
    """The whole service on a directory, the same record in a trial, its settings and its log."""
    settings, log = embedded_environment(directory / "data") | changes, directory / "serve.log"
    with trial(directory / "data") as made:
        service = ServiceProcess(settings, log)
        try:
            service.start()
            yield made, service, settings, log
        finally:
            service.stop()
    assert "Traceback" not in log.read_text(), log.read_text()


def ready(service: ServiceProcess) -> dict:
    return requests.get(f"{service.url}/health/ready", timeout=5).json()


def child(service: ServiceProcess, name: str) -> int:
    """The process of that name below the supervisor."""
    process = service._process
    assert process is not None
    for pid in Path(f"/proc/{process.pid}/task/{process.pid}/children").read_text().split():
        with contextlib.suppress(OSError):
            if f"benchworthy.serve.{name}" in Path(f"/proc/{pid}/cmdline").read_text():
                return int(pid)
    raise AssertionError(name)


def test_bench_mode_is_said_wherever_the_broker_shows(tmp_path: Path) -> None:
    """The line of serve, /health/ready, and what a run tells the bench."""
    with serving(tmp_path) as (made, service, settings, log):
        where = settings["BENCHWORTHY_MQTT_LISTEN"]
        assert f"broker inside (bench mode) at {where}" in log.read_text()
        assert ready(service)["parts"]["broker"] == {"state": "up", "restarts": 0, "mode": "bench mode"}
        serial = made.enrol("LABEL")["serial"]
        body = {"set": "full", "bench": made.bench.thumbprint, "scanned": serial, "fixtures": []}
        headers = {"Authorization": f"Bearer {made.secrets['tester']}"}
        opened = requests.post(f"{service.url}/api/v1/boards/{serial}/runs", json=body, headers=headers, timeout=10).json()
        assert opened["mqtt"]["mode"] == "bench mode"
        assert f"{opened['mqtt']['host']}:{opened['mqtt']['port']}" == where


def test_serve_takes_the_broker_inside_when_nothing_is_said(tmp_path: Path) -> None:
    with serving(tmp_path, BENCHWORTHY_MQTT="") as (_, service, _settings, _log):
        assert set(ready(service)["parts"]) == {"broker", "web", "listener"}


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"BENCHWORTHY_MQTT_LISTEN": "0.0.0.0:1883"}, "BENCHWORTHY_MQTT_LISTEN"),
        ({"BENCHWORTHY_MQTT_LISTEN": "1883"}, "BENCHWORTHY_MQTT_LISTEN"),
        ({"BENCHWORTHY_MQTT_PROTOCOL": "5"}, "BENCHWORTHY_MQTT_PROTOCOL"),
        ({"BENCHWORTHY_MQTT_LISTEN": "192.0.2.1:1883"}, "BENCHWORTHY_MQTT_LISTEN"),
    ],
)
def test_an_address_or_protocol_that_cannot_be_is_refused(tmp_path: Path, changes: dict[str, str], said: str) -> None:
    settings = embedded_environment(tmp_path / "data") | changes
    done = subprocess.run([*COMMAND, "serve"], env=settings, capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 2 and said in done.stderr and "Traceback" not in done.stderr, done.stderr


def test_two_thousand_reports_are_stored_while_the_broker_is_killed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], record_property: Callable[[str, object], None]
) -> None:
    """SIGKILL three times in the stream: each report has its receipt in the end and is stored once, and none without one."""
    with serving(tmp_path) as (made, service, settings, log):
        senders = []
        for number in range(BOARDS):
            told = made.enrol(f"EMB{number}")
            port = int(settings["BENCHWORTHY_MQTT_LISTEN"].rpartition(":")[2])
            senders.append(Sender(told["serial"], told["field_key"], told["broker_password"], port))
            senders[-1].prepare(EACH)
        began = time.monotonic()
        with sending(senders):
            for kill in range(KILLS):
                goal = (kill + 1) * ALL // (KILLS + 2)
                assert until(lambda goal=goal: made.rows()["evidence"] >= goal, 60), log.read_text()
                os.kill(child(service, "broker"), signal.SIGKILL)
                assert until(lambda kill=kill: _restarts(service) == kill + 1, 20), log.read_text()
            assert until(lambda: not any(sender.waiting for sender in senders), 120), log.read_text()[-3000:]
        seconds = time.monotonic() - began
        assert made.rows()["evidence"] == ALL == sum(len(sender.receipted) for sender in senders)
        assert made.rows()["refusals"] == 0 and not any(sender.false_receipts for sender in senders)
        assert "broker ended with -9; starting it again" in log.read_text()
    resends = sum(sender.resends for sender in senders)
    with capsys.disabled():
        print(f"\n  {ALL} reports, {KILLS} kills of the broker, {resends} resends, {seconds:.1f} s")
    record_property("seconds", round(seconds, 1))


def _restarts(service: ServiceProcess) -> int:
    """How often the broker was started again, once all parts are up; -1 before."""
    with contextlib.suppress(requests.RequestException):
        said = ready(service)
        if said.get("ready"):
            return int(said["parts"]["broker"]["restarts"])
    return -1


def test_a_taken_port_ends_serve_with_one_sentence(tmp_path: Path) -> None:
    with serving(tmp_path) as (_, _service, settings, _log):
        other = embedded_environment(tmp_path / "other") | {"BENCHWORTHY_MQTT_LISTEN": settings["BENCHWORTHY_MQTT_LISTEN"]}
        other["BENCHWORTHY_HTTP"] = f"127.0.0.1:{free_port()}"
        done = subprocess.run([*COMMAND, "serve"], env=other, capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 2 and "BENCHWORTHY_MQTT=none" in done.stderr and "Traceback" not in done.stderr, done.stderr
