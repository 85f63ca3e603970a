"""What a virtual board sends: signed, kept until its receipt is right, over the wire or through a real broker."""

import base64
import hashlib
import hmac
import json
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import paho.mqtt.client as paho
import pytest

from benchworthy.designs import agent_release
from benchworthy.reports.receipt import Receipt, message
from benchworthy.reports.token import digest, split
from services.mosquitto import LISTENER, SITE, running_mosquitto
from services.virtual_table import CONTEXT, KEY, LINES, MODULE, PLAN, PLUG, RUN, SERIAL, SHEET, Table, table


@pytest.fixture
def nominal(tmp_path: Path) -> Iterator[Table]:
    """A sound board with every part at its nominal value."""
    with table(tmp_path) as on_table:
        yield on_table


def b64(text: bytes) -> bytes:
    return base64.urlsafe_b64decode(text + b"=" * (-len(text) % 4))


def receipt_for(token: bytes, verdict: str = "accepted", key: bytes = KEY) -> str:
    mac = hmac.new(key, message(digest(token), verdict), hashlib.sha256).hexdigest()
    return Receipt(digest(token), verdict, mac).to_json()


def test_a_part_over_serial_is_signed_with_the_run_key(nominal: Table) -> None:
    """Header, signature, and what the head says of board, agent and plan."""
    nominal.person.fit("TP-4")
    raw = nominal.report(2, "PWR-V5")
    token = split(raw)
    assert str(token.key) == f"r.{RUN}"
    signed, _, signature = raw.rpartition(b".")
    assert b64(signature) == hmac.new(KEY, signed, hashlib.sha256).digest()
    said = json.loads(token.payload)
    release = agent_release.current()
    assert said["agent"] == {"version": release.version, "hash": release.hash}
    assert (said["serial"], said["module"], said["design"], said["plan"]) == (SERIAL, MODULE, SHEET.name, PLAN.hash)
    assert (said["run"], said["nonce"], said["part"]) == (RUN, CONTEXT["nonce"], 2)
    assert (said["epoch"], said["boot"], said["seen"]) == (1, 1, {"plug": PLUG})


def test_seq_counts_what_a_board_says_in_one_boot(nominal: Table) -> None:
    """And without a plug there is nothing seen."""
    first, second = (json.loads(split(nominal.report(number, "KEY-IDLE")).payload) for number in (1, 2))
    assert (first["boot"], first["seq"], second["seq"]) == (1, 1, 2)
    assert "seen" not in first


def test_a_token_is_kept_until_its_receipt_is_right(nominal: Table) -> None:
    """A receipt under another key drops nothing; the right one does, once."""
    token = nominal.report(1, "KEY-IDLE")
    wrong, right = receipt_for(token, key=b"x" * 32), receipt_for(token)
    assert nominal.done(f"bench_call.receipt({wrong!r})")["verdict"] is None
    assert nominal.token("bench_call.again('serial')") == token
    said = nominal.done(f"bench_call.receipt({right!r})")
    assert said == {"part": 1, "report": digest(token), "verdict": "accepted", "error": None}
    assert nominal.done("bench_call.again('serial', 1)")["error"] == "nothing kept"


def test_a_field_report_names_the_board_and_no_run(nominal: Table) -> None:
    """Signed with the field key that it is given."""
    field_key = b"f" * 32
    nominal.done(f"bench_call.test({LINES['PWR-V5']!r})")
    raw = nominal.token(f"bench_call.close(0, 'serial', {field_key.hex()!r})")
    token = split(raw)
    assert str(token.key) == f"f.{SERIAL}.1"
    signed, _, signature = raw.rpartition(b".")
    assert b64(signature) == hmac.new(field_key, signed, hashlib.sha256).digest()
    said = json.loads(token.payload)
    assert [reading["test"] for reading in said["readings"]] == ["PWR-V5"]
    assert not {"run", "nonce", "part"} & set(said)


def test_an_error_in_one_check_keeps_the_others_on_the_board(nominal: Table) -> None:
    """A test that asks for a port that is not there is an error; its neighbours are measured."""
    wrong = json.loads(LINES["PWR-V5"])
    wrong["a"]["steps"][0]["read"] = "nowhere"
    for line in (LINES["PWR-V33M"], json.dumps(wrong), LINES["PWR-V33S"]):
        nominal.done(f"bench_call.test({line!r})")
    readings = json.loads(split(nominal.token("bench_call.close(1, 'serial')")).payload)["readings"]
    assert "KeyError" in readings[1]["error"]
    assert "steps" in readings[0] and "steps" in readings[2]


@contextmanager
def listener(port: int, answer: Callable[[bytes], str | None]) -> Iterator[list[bytes]]:
    """Takes reports from the broker and answers each by what `answer` gives."""
    taken: list[bytes] = []
    subscribed = threading.Event()
    client = paho.Client(paho.CallbackAPIVersion.VERSION2, client_id="listener")
    client.username_pw_set(*LISTENER)
    client.on_subscribe = lambda *_: subscribed.set()

    def on_message(client: paho.Client, _: object, got: paho.MQTTMessage) -> None:
        taken.append(got.payload)
        receipt = answer(got.payload)
        if receipt is not None:
            client.publish(got.topic.replace("/report", "/receipt"), receipt, qos=1)

    client.on_message = on_message
    client.connect("127.0.0.1", port)
    client.subscribe(f"benchworthy/v1/{SITE}/+/report", qos=1)
    client.loop_start()
    try:
        assert subscribed.wait(10)
        yield taken
    finally:
        client.disconnect()
        client.loop_stop()


def test_a_part_by_mqtt_is_dropped_on_its_receipt(nominal: Table, tmp_path: Path) -> None:
    """Through a real broker with the project's access list, within the call."""
    with running_mosquitto(tmp_path, {SERIAL: "board-secret"}) as broker, listener(broker.port, receipt_for) as taken:
        access = {"host": "127.0.0.1", "port": broker.port, "user": SERIAL, "password": "board-secret", "site": SITE}
        nominal.begin(mqtt=access)
        nominal.done(f"bench_call.test({LINES['KEY-IDLE']!r})")
        said = nominal.done("bench_call.close(1, 'mqtt')")
        assert said == {"part": 1, "report": digest(taken[0]), "verdict": "accepted", "error": None}
        assert nominal.done("bench_call.again('mqtt', 1)")["error"] == "nothing kept"


def test_a_part_whose_broker_is_away_is_kept_and_sent_by_the_wire(nominal: Table) -> None:
    """The error is told, the token stays."""
    access = {"host": "127.0.0.1", "port": 1, "user": SERIAL, "password": "x", "site": SITE}
    nominal.begin(mqtt=access)
    nominal.done(f"bench_call.test({LINES['KEY-IDLE']!r})")
    said = nominal.done("bench_call.close(1, 'mqtt')")
    assert said["verdict"] is None and "cannot connect" in said["error"]
    assert digest(nominal.token("bench_call.again('serial')")) == said["report"]
