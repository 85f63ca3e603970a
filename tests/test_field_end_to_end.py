"""A virtual board in the field and the real service: asked over HTTP, heard over the broker, its report on record."""

import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
import requests
from mpremote.transport_serial import SerialTransport
from sqlalchemy import select

from benchworthy.designs import catalogue
from benchworthy.designs.plan import plan_for
from benchworthy.reports import token
from benchworthy.storage import tables
from benchworthy.virtual.board import VirtualBoard
from services.micropython import interpreter
from services.mosquitto import SITE, listener, topic, until
from services.service import Running, running

pytestmark = pytest.mark.real_time

SHEET = catalogue.find("tarn-b")
MODULE = "e661640843123456"
LAMP, SOUNDER, ENABLES = "GP7", "GP5", {"GP12", "GP15"}


@contextmanager
def in_the_field(flash: Path, enrolled: dict[str, Any], port: int) -> Iterator[VirtualBoard]:
    """A powered board that knows its broker."""
    interpreter()
    serial = enrolled["serial"]
    board = VirtualBoard(SHEET.parts, SHEET.conditions, SHEET.fixtures, 7, MODULE, serial, flash)
    board.prepare(1, enrolled["field_key"])
    access = {"site": SITE, "host": "127.0.0.1", "port": port, "user": serial, "password": enrolled["broker_password"]}
    (flash / "secrets.json").write_text(json.dumps({"wifi": {"ssid": "trial", "password": "trial-radio"}, "mqtt": access}))
    board.hands.attach("jack")
    with board:
        yield board
        assert board.fault is None


def ask(house: Running, serial: str, do: str) -> str:
    """Ask over HTTP as a tester; where the request can be looked at."""
    headers = {"Authorization": f"Bearer {house.trial.secrets['tester']}"}
    answer = requests.post(f"{house.url}/api/v1/boards/{serial}/requests", json={"do": do}, headers=headers, timeout=5)
    assert answer.status_code == 202, answer.text
    return answer.headers["Location"]


def recorded(house: Running, serial: str) -> list[dict[str, Any]]:
    """The payloads of a board's stored reports."""
    chosen = select(tables.evidence.c.raw).where(tables.evidence.c.serial == serial)
    with house.trial.house.database.engine.connect() as connection:
        return [json.loads(token.split(row.raw).payload) for row in connection.execute(chosen)]


def spool(flash: Path) -> list[str]:
    return sorted(path.name for path in (flash / "spool").glob("*"))


def test_a_board_in_the_field_tests_itself_shows_itself_and_gives_way_to_the_bench(tmp_path):
    flash = tmp_path / "flash"
    with running(tmp_path) as house:
        enrolled = house.enrol("TRNFLD3")
        serial = enrolled["serial"]
        states: list[str] = []

        def note(_client, message) -> None:
            if message.topic == topic(serial, "state"):
                states.append(message.payload.decode())

        with listener(house.broker, note), in_the_field(flash, enrolled, house.broker.port) as board:
            assert until(lambda: states[-1:] == ["online"], 15)
            ask(house, serial, "self-test")
            assert until(lambda: len(recorded(house, serial)) == 1 and spool(flash) == [], 15)
            self_tested(house, serial)

            place = ask(house, serial, "find")
            assert until(lambda: {LAMP, SOUNDER} <= driven(board), 15)
            assert until(lambda: house.trial.get(place.removeprefix("/api/v1"))["sent_at"])

            interrupted(board)
            assert until(lambda: states[-1] == "offline")
            assert not driven(board) & ENABLES


def self_tested(house: Running, serial: str) -> None:
    """What the service made of it: field evidence, judged, nothing strange."""
    (report,) = recorded(house, serial)
    plan = plan_for(SHEET, "field")
    assert report["plan"] == plan.hash
    assert [each["test"] for each in report["readings"]] == [json.loads(line)["id"] for line in plan.text.splitlines()[1:]]
    chosen = select(tables.evidence.c.evidence_class).where(tables.evidence.c.serial == serial)
    verdicts = select(tables.verdicts.c.verdict).distinct()
    with house.trial.house.database.engine.connect() as connection:
        assert connection.execute(chosen).scalars().all() == ["field"]
        assert connection.execute(verdicts).scalars().all() == ["in limits"]
    assert house.trial.findings(serial) == [] and house.trial.rows()["refusals"] == 0


def driven(board: VirtualBoard) -> set[str]:
    """The pins that were high at some time."""
    return {pin for _, pin, level in board.pins_log if level > 0}


def interrupted(board: VirtualBoard) -> None:
    """The bench comes in as it always does, and the board answers at the prompt."""
    wire = SerialTransport(board.port, timeout=2)
    try:
        wire.enter_raw_repl(soft_reset=False)
        assert wire.exec("print(6 * 7)").strip() == b"42"
    finally:
        wire.close()


def test_what_was_asked_while_the_board_had_no_power_is_done_when_it_comes_back(tmp_path):
    flash = tmp_path / "flash"
    with running(tmp_path) as house:
        enrolled = house.enrol("TRNFLD4")
        serial = enrolled["serial"]
        with in_the_field(flash, enrolled, house.broker.port), listener(house.broker) as heard:
            assert until(lambda: (topic(serial, "state"), b"online", False) in heard, 15)
        ask(house, serial, "self-test")
        with in_the_field(flash, enrolled, house.broker.port):
            assert until(lambda: len(recorded(house, serial)) == 1 and spool(flash) == [], 15)
        assert json.loads((flash / "state.json").read_text())["boot"] == 2
