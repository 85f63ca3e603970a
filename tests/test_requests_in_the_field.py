"""A virtual board away from any bench, on the site's network: asked by the service, it answers; the bench gets it back."""

import json
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from bench_hands import MODULE, SHEET
from benchworthy.bench import probe
from benchworthy.bench.client import Service
from benchworthy.bench.transport import BoardLink
from benchworthy.virtual.board import VirtualBoard
from services.micropython import interpreter
from services.mosquitto import SITE
from services.service import Running, running

pytestmark = pytest.mark.real_time

PATIENCE_S = 20.0


@contextmanager
def _board(house: Running, folder: Path) -> Iterator[tuple[VirtualBoard, str]]:
    interpreter()
    enrolled = house.enrol("KM0001")
    serial = enrolled["serial"]
    flash = folder / "flash"
    flash.mkdir()
    board = VirtualBoard(SHEET.parts, SHEET.conditions, SHEET.fixtures, 1, MODULE, serial, flash, "TP4-0007")
    board.hands.attach("jack")
    board.prepare(key=enrolled["field_key"])
    access = {
        "site": SITE,
        "host": "127.0.0.1",
        "port": house.broker.port,
        "user": serial,
        "password": enrolled["broker_password"],
    }
    (flash / "secrets.json").write_text(json.dumps({"wifi": None, "mqtt": access}))
    try:
        board.start()
        yield board, serial
    finally:
        board.close()


def _until(holds: Callable[[], bool]) -> bool:
    deadline = time.monotonic() + PATIENCE_S
    while not holds():
        if time.monotonic() > deadline:
            return False
        time.sleep(0.1)
    return True


@pytest.fixture
def house(tmp_path: Path) -> Iterator[Running]:
    """mosquitto, web and listener as real processes."""
    with running(tmp_path) as started:
        yield started


def test_a_board_in_the_field_tests_itself_shows_itself_and_comes_back_to_the_bench(house: Running, tmp_path: Path) -> None:
    """Self-test as field evidence, once; lamp and sounder without any motor; Ctrl-C ends the loop."""
    trial = house.trial
    desk = Service(house.url, trial.secrets["desk"])
    with _board(house, tmp_path) as (board, serial):
        desk.ask_board(serial, "self-test")
        assert _until(lambda: trial.rows()["evidence"] == 1), board.fault
        with trial.house.database.reading() as work:
            (evidence,) = work.evidence.of_board(serial, 9)
        assert (evidence.arrival, str(evidence.evidence_class), evidence.module) == ("mqtt", "field", MODULE)
        assert trial.get(f"/boards/{serial}/fitness")["fit"] is False, "field evidence never certifies"
        assert _until(lambda: not list((tmp_path / "flash" / "spool").glob("*"))), "its receipt came, so it is let go"
        desk.ask_board(serial, "find")
        assert _until(lambda: {"GP5", "GP7"} <= {pin for _, pin, level in board.pins_log if level > 0})
        assert not {pin for _, pin, level in board.pins_log if level > 0} & {"GP12", "GP15"}
        with BoardLink(board.port) as link:
            assert probe.identity(link).serial == serial
        assert board.fault is None
    assert trial.rows()["evidence"] == 1
