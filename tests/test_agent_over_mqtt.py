"""The calls of a bench whose reports go out by MQTT: receipts, refusals and the echo, on a real broker."""

import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from agent_on_micropython.at_bench import KEY, SERIAL, AtBench, at_bench, flash
from agent_on_micropython.toy import ARGUMENTS
from benchworthy.reports.token import digest, split
from services.mosquitto import SITE, Mosquitto, listener, running_mosquitto, topic, until
from services.receipts import receipt_for

PASSWORD = "board-secret"


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with running_mosquitto(tmp_path / "broker", {SERIAL: PASSWORD, "OTHER": "secret"}) as running:
        yield running


@contextmanager
def board(tmp_path: Path, broker: Mosquitto, user: str = SERIAL, password: str = PASSWORD) -> Iterator[AtBench]:
    access = {"site": SITE, "host": "127.0.0.1", "port": broker.port, "user": user, "password": password}
    with at_bench(flash(tmp_path / "flash"), patience=40) as at:
        at.begin(mqtt=access)
        yield at


def reports(heard: list[Any]) -> list[bytes]:
    return [payload for name, payload, _ in heard if name.endswith("/report")]


def test_a_part_is_dropped_on_its_receipt_within_the_call(tmp_path: Path, broker: Mosquitto) -> None:
    """And the board says that it comes and goes."""

    def answer(client: Any, message: Any) -> None:
        if message.topic.endswith("/report"):
            client.publish(topic(SERIAL, "receipt"), receipt_for(message.payload, KEY, "in limits"), qos=1)

    with listener(broker, answer) as heard, board(tmp_path, broker) as at:
        at.test("idle", ARGUMENTS["idle"])
        said = at.done("bench_call.close(1, 'mqtt')")
        (token,) = reports(heard)
        assert said == {"part": 1, "report": digest(token), "verdict": "in limits", "error": None}
        assert at.done("bench_call.again('mqtt', 1)")["error"] == "nothing kept"
        states = [payload for name, payload, _ in heard if name.endswith("/state")]
        assert states[0] == b"online" and until(lambda: heard[-1][1] == b"offline")


def test_a_receipt_for_an_earlier_part_counts_whenever_it_comes(tmp_path: Path, broker: Mosquitto) -> None:
    """The first part gets a receipt under another key, which drops nothing; when the second comes, both get theirs."""
    taken: list[bytes] = []

    def answer(client: Any, message: Any) -> None:
        if message.topic.endswith("/report"):
            taken.append(message.payload)
            key = KEY if len(taken) > 1 else b"another key"
            for token in taken:
                client.publish(topic(SERIAL, "receipt"), receipt_for(token, key), qos=1)

    with listener(broker, answer), board(tmp_path, broker) as at:
        at.test("idle", ARGUMENTS["idle"], test="ONE")
        first = at.done("bench_call.close(1, 'mqtt')")
        assert first["verdict"] is None and first["error"].startswith("no receipt (the broker acknowledged")
        at.test("boots", {}, test="TWO")
        said = [json.loads(line[5:]) for line in at.call("bench_call.close(2, 'mqtt')") if line.startswith("=BD= ")]
        assert [(each["part"], each["verdict"]) for each in said] == [(1, "accepted"), (2, "accepted")]
        assert said[0]["report"] == first["report"] == digest(taken[0])


def test_a_report_that_the_access_list_drops_is_noticed_and_told(tmp_path: Path, broker: Mosquitto) -> None:
    """The broker acknowledges it all the same; the board keeps it for the wire."""
    with listener(broker) as heard, board(tmp_path, broker, "OTHER", "secret") as at:
        at.test("idle", ARGUMENTS["idle"])
        said = at.done("bench_call.close(1, 'mqtt')")
        assert said["verdict"] is None and "its access list may have dropped the report" in said["error"]
        assert reports(heard) == []
        token = at.token("bench_call.again('serial', 1)")
        assert digest(token) == said["report"]
        assert at.done(f"bench_call.receipt({receipt_for(token, KEY)!r})")["verdict"] == "accepted"


def echoed(at: AtBench, **changes: Any) -> dict[str, Any]:
    line = {"part": 1, "id": "WIFI-LINK", "p": "radio_echo", "n": ["broker", "wifi"], "a": {"n": 50}}
    at.done(f"bench_call.test({json.dumps({**line, **changes})!r})")
    (reading,) = json.loads(split(at.token()).payload)["readings"]
    found: dict[str, Any] = reading
    return found


def test_echoes_count_what_the_broker_acknowledges(tmp_path: Path, broker: Mosquitto) -> None:
    """All fifty here, each with its round trip."""
    with board(tmp_path, broker) as at:
        lost, trips = echoed(at)["steps"]
        assert lost == [1, 0, 0, 0, 0]
        assert trips[0] == 50 and 0 < trips[3] <= trips[4] < 2_000_000


def test_echoes_without_a_broker_at_the_other_end_are_lost(tmp_path: Path, broker: Mosquitto) -> None:
    """All of them, without waiting for each."""
    with board(tmp_path, broker) as at:
        broker.process.kill()
        broker.process.wait()
        lost, trips = echoed(at)["steps"]
        assert lost[1] == 50 and trips == [1, 0, 0, 0, 0]


def test_an_echo_that_may_not_be_is_not_run_with_the_reason(tmp_path: Path, broker: Mosquitto) -> None:
    """Where the radio is forbidden, and where the service has no broker."""
    with board(tmp_path, broker) as at:
        at.begin(absent=["wifi"], mqtt={"site": SITE, "host": "127.0.0.1", "port": 1, "user": "x", "password": "y"})
        assert echoed(at)["not_run"] == "no wifi"
        at.begin(mqtt=None)
        assert echoed(at)["not_run"] == "no broker"
