"""A board in the field is asked to do something: recorded, signed for it alone, sent by the listener, looked up again."""

import dataclasses
import hashlib
import hmac
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest

from benchworthy.cli.main import main
from benchworthy.designs import catalogue
from benchworthy.designs.plan import plan_for
from benchworthy.intake import label
from benchworthy.ports import Broker
from benchworthy.web import create_app
from services.mosquitto import topic, until
from services.service import Running, Trial, is_problem, running, trial


@pytest.fixture
def made(tmp_path: Path) -> Iterator[Trial]:
    """A service that has a broker, of which only the address is used."""
    with trial(tmp_path) as started:
        started.services = dataclasses.replace(started.services, broker=Broker("127.0.0.1", 1883))
        started.client = create_app(started.services).test_client()
        yield started


def _waiting(made: Trial) -> list[tuple[str, dict[str, Any]]]:
    with made.house.database.reading() as work:
        return [(letter.topic, json.loads(letter.payload)) for letter in work.evidence.unsent(made.services.site, 99)]


def _code(key: str, number: int, do: str, plan: str) -> str:
    """As the page on requests describes it, written out here once more."""
    digest = hashlib.sha256(plan.encode()).hexdigest()
    return hmac.new(bytes.fromhex(key), f"benchworthy-request\n{number}\n{do}\n{digest}".encode(), hashlib.sha256).hexdigest()


def test_a_request_is_queued_for_one_board_under_its_own_key(made: Trial) -> None:
    """Accepted, with a place to look; numbered; the message carries a code that only this board's key makes."""
    enrolled = made.enrol("KM0001")
    answer = made.ask("POST", f"/boards/{enrolled['serial']}/requests", {"do": "find"})
    assert answer.status_code == 202 and answer.json["sent_at"] is None and answer.json["by"] == "T4"
    assert answer.headers["Location"] == f"/api/v1/boards/{enrolled['serial']}/requests/1"
    assert made.get(answer.headers["Location"].removeprefix("/api/v1")) == answer.json
    ((where, said),) = _waiting(made)
    assert where == topic(enrolled["serial"], "request")
    assert said == {"v": 1, "n": 1, "do": "find", "plan": None, "mac": _code(enrolled["field_key"], 1, "find", "")}


def test_a_self_test_carries_the_plan_of_the_field_set(made: Trial) -> None:
    """And its number is above the last one's; another board counts for itself."""
    first, second = made.enrol("KM0001"), made.enrol("KM0002")
    for serial in (first["serial"], first["serial"], second["serial"]):
        made.ask("POST", f"/boards/{serial}/requests", {"do": "self-test"})
    said = [message for _, message in _waiting(made)]
    plan = plan_for(catalogue.find("tarn-b"), "field").text
    assert [message["n"] for message in said] == [1, 2, 1]
    assert said[1]["plan"] == plan and said[1]["mac"] == _code(first["field_key"], 2, "self-test", plan)


def test_requests_and_keys_stand_in_the_boards_history_without_a_secret(made: Trial) -> None:
    """Who asked for what; that the key was told and by whom, never the key."""
    enrolled = made.enrol("KM0001")
    made.ask("POST", f"/boards/{enrolled['serial']}/requests", {"do": "find"}, role="desk")
    told = made.post(f"/boards/{enrolled['serial']}/field-key", None)
    assert told == {"serial": enrolled["serial"], "epoch": 1, "key": enrolled["field_key"], "mqtt": None}
    entries = made.get(f"/boards/{enrolled['serial']}/history")["entries"]
    assert [(entry["kind"], entry["holder"], entry["facts"]) for entry in entries[1:]] == [
        ("requested", "D1", {"n": 1, "do": "find"}),
        ("field-key-told", "T4", {"epoch": 1}),
    ]
    assert enrolled["field_key"] not in json.dumps(entries)


@pytest.mark.parametrize(
    ("method", "path", "body", "role", "status", "code"),
    [
        ("POST", "/boards/{s}/requests", {"do": "dance"}, "tester", 422, "request-invalid"),
        ("POST", "/boards/{s}/requests", {"do": "find", "motor": 1}, "tester", 422, "request-invalid"),
        ("POST", "/boards/{s}/requests", {"do": "find"}, "reader", 403, "role-refused"),
        ("POST", "/boards/{s}/requests", {"do": "find"}, None, 401, "token-missing"),
        ("POST", "/boards/{u}/requests", {"do": "find"}, "tester", 404, "unknown-serial"),
        ("GET", "/boards/{s}/requests/7", None, "reader", 404, "unknown-request"),
        ("POST", "/boards/{s}/field-key", None, "desk", 403, "role-refused"),
        ("POST", "/boards/{s}/field-key", None, None, 401, "token-missing"),
        ("POST", "/boards/{u}/field-key", None, "coordinator", 404, "unknown-serial"),
    ],
)
def test_what_may_not_be_asked_is_refused(
    made: Trial, method: str, path: str, body: Any, role: str | None, status: int, code: str
) -> None:
    """In the one shape of all refusals, and nothing is queued."""
    serial, unknown = made.enrol("KM0001")["serial"], label.complete("KM0009")
    answer = made.ask(method, path.format(s=serial, u=unknown), body, role)
    assert (answer.status_code, is_problem(answer)["code"]) == (status, code)
    assert _waiting(made) == []


def test_without_a_broker_nobody_is_promised_anything(tmp_path: Path) -> None:
    """The refusal says what to set, and leaves no request behind."""
    with trial(tmp_path) as made:
        serial = made.enrol("KM0001")["serial"]
        answer = made.ask("POST", f"/boards/{serial}/requests", {"do": "find"})
        assert (answer.status_code, is_problem(answer)["code"]) == (409, "request-refused")
        assert made.rows()["requests"] == 0


def test_the_broker_password_is_told_only_where_boards_may_keep_it(made: Trial) -> None:
    """A setting of the site, off unless somebody turned it on."""
    enrolled = made.enrol("KM0001")
    made.client = create_app(dataclasses.replace(made.services, field_network=True)).test_client()
    told = made.post(f"/boards/{enrolled['serial']}/field-key", None)
    assert told["mqtt"]["user"] == enrolled["serial"] and told["mqtt"]["password"] == enrolled["broker_password"]


@pytest.fixture
def house(tmp_path: Path) -> Iterator[Running]:
    """mosquitto, web and listener as real processes."""
    with running(tmp_path) as started:
        yield started


def test_find_asks_the_service_when_the_board_is_not_at_this_bench(
    house: Running, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The board, away on the site's network, hears it over the broker with its own login; the bench says that it was sent."""
    enrolled = house.enrol("KM0001")
    heard: list[dict[str, Any]] = []
    board = paho.Client(paho.CallbackAPIVersion.VERSION2, enrolled["serial"])
    board.username_pw_set(enrolled["serial"], enrolled["broker_password"])
    granted: list[int] = []
    board.on_subscribe = lambda *_: granted.append(1)
    board.on_message = lambda _client, _data, message: heard.append(json.loads(message.payload))
    board.connect("127.0.0.1", house.broker.port)
    board.loop_start()
    board.subscribe(topic(enrolled["serial"], "request"), 1)
    try:
        assert until(lambda: bool(granted))
        words = ["bench", "find", enrolled["serial"], "--port", str(tmp_path / "none"), "--url", house.url]
        assert main([*words, "--token", house.trial.secrets["desk"]]) == 3
        assert until(lambda: bool(heard))
    finally:
        board.disconnect()
        board.loop_stop()
    assert heard[0]["mac"] == _code(enrolled["field_key"], 1, "find", "")
    told = capsys.readouterr()
    assert "at none of the 1 ports here" in told.err and "the broker has it" in told.out
    assert house.trial.get(f"/boards/{enrolled['serial']}/requests/1")["sent_at"] is not None
