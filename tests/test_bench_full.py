"""The set that carries a first certificate, with a virtual operator: over the serial link, over MQTT, and with faults."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from bench_hands import FIXTURES, MODULE, PLUG, SHEET, WIFI, Bench, bench, verdicts
from benchworthy.bench import portlist
from benchworthy.bench.client import Service
from benchworthy.bench.reach import Reach
from benchworthy.bench.session import run_board
from benchworthy.virtual.board import VirtualBoard
from benchworthy.virtual.operator import VirtualOperator
from services.micropython import interpreter
from services.service import Running, running

pytestmark = pytest.mark.real_time

INSPECTED = dict.fromkeys(SHEET.tests["VIS-INSP"].parameters["items"], "good")


@pytest.fixture
def table(tmp_path: Path) -> Iterator[Bench]:
    """A sound board."""
    with bench(tmp_path) as made:
        yield made


def _operator(board: VirtualBoard, serial: str) -> VirtualOperator:
    return VirtualOperator(board.perceived, board.hands, label=serial)


def _inspected(table: Bench, done: dict[str, Any]) -> dict[str, Any]:
    answers = {"answers": [{"test": "VIS-INSP", "items": INSPECTED}]}
    table.trial.post(f"/runs/{done['run']}/answers", answers, "inspector")
    return table.closed(done)


def test_a_sound_board_is_certified_on_a_full_run_over_the_serial_link(table: Bench) -> None:
    """Every test but the radio link, which needs a broker: in limits; nothing is missing, and the certificate is issued."""
    done = table.run("full", operator=_operator(table.board, table.serial))
    assert [need["test"] for need in done["state"]["still_needed"]] == ["VIS-INSP"]
    state = _inspected(table, done)
    assert {test: verdict for test, verdict in verdicts(state).items() if verdict != "in limits"} == {"WIFI-LINK": "not run"}
    assert set(verdicts(state)) == {test.id for test in SHEET.tests_of("full")}
    assert (state["complete"], state["verdict"], state["findings"]) == (True, "in limits", [])
    answer = table.trial.certify(table.serial, done["run"])
    assert answer.status_code == 201, answer.text


def test_what_only_a_person_can_perceive_comes_out(tmp_path: Path) -> None:
    """A dark lamp, a dumb sounder, a dead key: the operator has eyes, ears and hands, and no part in the secret."""
    with bench(tmp_path, faults=["D6=reversed", "BZ1=open", "SW1=open"]) as table:
        state = _inspected(table, table.run("full", operator=_operator(table.board, table.serial)))
        found = {test for test, verdict in verdicts(state).items() if verdict == "out"}
        # The lamp also tells one turn of the arrow from the next, so in the dark the turns are told wrongly too.
        assert found >= {"LED-SEE", "LED-VF", "TONE-HEAR", "KEY-PRESS"}
        assert table.trial.certify(table.serial, state["run"]).status_code == 409


def test_a_board_that_starts_anew_without_usb_is_out_and_the_run_goes_on(tmp_path: Path) -> None:
    """D5 open: the jack does not feed the module, so pulling USB ends its RAM; the run's key is given to it again."""
    told: list[str] = []
    with bench(tmp_path, faults=["D5=open"]) as table:
        done = table.run("full", told.append, operator=_operator(table.board, table.serial))
        found = verdicts(table.closed(done))
    assert found["PWR-CHG"] == "out"
    assert "The board started anew; the run's key goes into its RAM again." in told
    assert done["reports"][-1]["author"] == "board", "the phases after it were carried out"


# --- over MQTT, every process real -----------------------------------------------------------------------------------


@pytest.fixture
def house(tmp_path: Path) -> Iterator[Running]:
    """mosquitto, web and listener as real processes."""
    interpreter()
    with running(tmp_path) as started:
        yield started


def test_a_full_run_over_mqtt_is_complete_and_in_limits(house: Running, tmp_path: Path) -> None:
    """The board sends its own parts and believes the receipts that come back over the broker; every test is run."""
    serial = house.enrol("KM0001")["serial"]
    house.trial.have_fixtures(FIXTURES)
    flash, ports = tmp_path / "flash", tmp_path / "ports"
    flash.mkdir()
    board = VirtualBoard(SHEET.parts, SHEET.conditions, SHEET.fixtures, 2, MODULE, serial, flash, PLUG, ports_dir=ports)
    board.hands.attach("jack")
    with board:
        reach = Reach(str(ports / MODULE), lambda: portlist.listed(ports))
        tester = Service(house.url, house.trial.secrets["tester"])
        operator = _operator(board, serial)
        done = run_board(reach, tester, house.trial.bench, operator, serial, "full", "mqtt", FIXTURES, wifi=WIFI)
    Service(house.url, house.trial.secrets["inspector"]).answer(
        done["run"], {"answers": [{"test": "VIS-INSP", "items": INSPECTED}]}
    )
    state = tester.close(done["run"])
    assert {test for test, verdict in verdicts(state).items() if verdict != "in limits"} == set()
    assert (state["complete"], state["verdict"], state["findings"]) == (True, "in limits", [])
    ways = {(item["author"], item["arrival"]) for item in state["arrived"]}
    assert ways == {("board", "mqtt"), ("bench", "http"), ("operator", "http"), ("inspector", "http")}
