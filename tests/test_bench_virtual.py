"""A whole run at the bench with nothing replaced but service and table: agent, MicroPython, serial port and circuit."""

import base64
import hashlib
import hmac
import json
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import pytest

from benchworthy.bench.agent_calls import Way
from benchworthy.bench.session import run_board
from benchworthy.bench.transport import BoardLink
from benchworthy.designs import agent_release, catalogue
from benchworthy.designs.plan import plan_for
from benchworthy.designs.sheet import parts_of
from benchworthy.errors import ServiceUnreachable
from benchworthy.intake.wire import read_report
from benchworthy.keys.bench_key import BenchKey
from benchworthy.reports.receipt import Receipt, message
from benchworthy.reports.report import Author, Report
from benchworthy.reports.token import KeyKind, digest, split
from benchworthy.virtual.board import VirtualBoard
from benchworthy.virtual.operator import VirtualOperator
from services.micropython import interpreter
from services.mosquitto import SITE, listener, running_mosquitto, topic

SERIAL, MODULE, PLUG, RUN = "TARN0001A", "e661640843123456", "TP4-0007", "r-0001abcd"
KEY = bytes(range(32))
SHEET = catalogue.find("tarn-b")


class TrustingService:
    """Checks signatures, keeps reports and answers, draws three blinks, then four; loses the first `lost` receipts."""

    def __init__(self, lost: int = 0, mqtt: Mapping[str, Any] | None = None) -> None:
        self.lost, self.mqtt = lost, mqtt
        self.reports: dict[str, Report] = {}
        self.answers: list[dict[str, Any]] = []

    def open_run(self, serial: str, test_set: str, bench: str, fixtures: Sequence[str], scanned: str) -> dict[str, Any]:
        """A run of the set."""
        asked = [*SHEET.tests_of(test_set, Author.OPERATOR), *SHEET.tests_of(test_set, Author.INSPECTOR)]
        return {
            "run": RUN,
            "nonce": "0" * 32,
            "key": KEY.hex(),
            "expires": "2026-11-25T20:00:00Z",
            "plan": plan_for(SHEET, test_set).text,
            "epoch": 1,
            "design": SHEET.name,
            "draws": [{"test": "LED-SEE", "draw": 1, "stimulus": {"port": "lamp", "count": 3}}],
            "mqtt": self.mqtt,
            "parts": [
                {"author": str(part.author), "number": part.number, "tests": list(part.tests)}
                for part in parts_of(SHEET, test_set)
            ],
            "ask": [{"test": test.id, "author": str(test.author), "ask": test.ask, "caution": ""} for test in asked],
        }

    def send_report(self, token: bytes) -> dict[str, Any]:
        """Take what is signed with the run's key and fits the schema."""
        parts = split(token)
        report = read_report(parts.payload)
        if parts.key.kind is KeyKind.RUN:
            signed, _, signature = token.rpartition(b".")
            assert hmac.new(KEY, signed, hashlib.sha256).digest().hex() == _hex(signature)
        self.reports[digest(token)] = report
        if self.lost:
            self.lost -= 1
            raise ServiceUnreachable("The receipt was lost on the way.")
        mac = hmac.new(KEY, message(digest(token), "accepted"), hashlib.sha256).hexdigest()
        receipt: dict[str, Any] = json.loads(Receipt(digest(token), "accepted", mac).to_json())
        return receipt

    def answer(self, run: str, body: Mapping[str, Any]) -> dict[str, Any]:
        """Keep it."""
        self.answers += body["answers"]
        return {}

    def draw(self, run: str, test: str) -> dict[str, Any]:
        """Four this time."""
        return {"test": test, "draw": 2, "stimulus": {"port": "lamp", "count": 4}}

    def get_run(self, run: str) -> dict[str, Any]:
        """A second draw is needed after a first answer that is not three."""
        wrong = [answer for answer in self.answers if answer["test"] == "LED-SEE" and answer["text"] != "3"]
        drawn = sum(answer["test"] == "LED-SEE" for answer in self.answers)
        return {"still_needed": [{"code": "second-draw", "test": "LED-SEE"}] if wrong and drawn == 1 else []}


def _hex(text: bytes) -> str:
    return base64.urlsafe_b64decode(text + b"=" * (-len(text) % 4)).hex()


@pytest.fixture
def board(tmp_path: Path) -> Iterator[VirtualBoard]:
    """A sound board at nominal values, jack plugged in, not yet started."""
    interpreter()
    flash = tmp_path / "flash"
    flash.mkdir()
    board = VirtualBoard(SHEET.parts, SHEET.conditions, SHEET.fixtures, None, MODULE, SERIAL, flash, PLUG)
    board.hands.attach("jack")
    yield board
    board.close()


def _run(board: VirtualBoard, service: TrustingService, folder: Path, link: Way = "serial") -> tuple[dict[str, Any], list[str]]:
    board.start()
    told: list[str] = []
    result = run_board(
        lambda: BoardLink(board.port),
        service,
        BenchKey.load_or_create(folder / "bench.jwk"),
        VirtualOperator(board.perceived, board.hands, label=SERIAL),
        SERIAL,
        "first",
        link=link,
        fixtures=(PLUG,),
        say=told.append,
    )
    assert board.fault is None
    return result, told


def test_a_sound_board_goes_through_a_whole_run(board: VirtualBoard, tmp_path: Path) -> None:
    """Every test of the set has its reading or answer, none of them an error, and the agent is the approved one."""
    service = TrustingService()
    result, told = _run(board, service, tmp_path)
    assert (result["module"], result["stand_in"], result["echo"]) == (MODULE, True, True)
    assert [(report["author"], report["verdict"]) for report in result["reports"]][-1] == ("bench", "accepted")
    readings = [reading for report in service.reports.values() for reading in report.readings]
    assert [reading.error or reading.not_run for reading in readings] == [None] * len(readings)
    wanted = {test for part in parts_of(SHEET, "first") for test in part.tests}
    assert {reading.test for reading in readings} == wanted
    assert {report.agent_hash for report in service.reports.values()} == {agent_release.current().hash}
    assert [(a["test"], a.get("text")) for a in service.answers] == [("LED-SEE", "3"), ("PWR-DMM33", None)]
    assert service.answers[1]["number"] == pytest.approx(3.3, abs=0.07)
    assert KEY.hex() not in "".join(told)


def test_the_files_on_a_sound_board_are_the_release_and_its_state(board: VirtualBoard, tmp_path: Path) -> None:
    """What the bench hashes over the wire is what this package approves."""
    result, _ = _run(board, TrustingService(), tmp_path)
    assert {p: h for p, h in result["files"].items() if p not in SHEET.state_files} == agent_release.current().files


def test_a_dark_lamp_leads_to_a_second_draw(board: VirtualBoard, tmp_path: Path) -> None:
    """D6 open: nobody sees a blink, twice."""
    board.inject("D6=open")
    service = TrustingService()
    _run(board, service, tmp_path)
    answers = [(a["draw"], a["text"]) for a in service.answers if a["test"] == "LED-SEE"]
    assert answers == [(1, "0"), (2, "0")]


def test_a_lost_receipt_makes_the_board_send_the_same_bytes_again(board: VirtualBoard, tmp_path: Path) -> None:
    """Two lost receipts leave no second report behind."""
    service = TrustingService(lost=2)
    result, told = _run(board, service, tmp_path)
    assert sum("sending it again" in line for line in told) == 2
    assert len(service.reports) == len(result["reports"])


def test_board_parts_go_by_mqtt_where_there_is_a_broker(board: VirtualBoard, tmp_path: Path) -> None:
    """The board sends its own parts and believes the receipts that come back; the bench posts only its own."""
    with running_mosquitto(tmp_path, {SERIAL: "board-secret"}) as broker:
        access = {"host": "127.0.0.1", "port": broker.port, "user": SERIAL, "password": "board-secret", "site": SITE}
        posted, carried = TrustingService(mqtt=access), TrustingService()

        def answer(client: Any, heard: Any) -> None:
            if heard.topic == topic(SERIAL, "report"):
                client.publish(topic(SERIAL, "receipt"), json.dumps(carried.send_report(heard.payload)), 1)

        with listener(broker, answer):
            result, _ = _run(board, posted, tmp_path, "mqtt")
    assert [r["report"] for r in result["reports"]] == [*carried.reports, *posted.reports]
    assert [r["author"] for r in result["reports"]] == ["board", "board", "bench"]
