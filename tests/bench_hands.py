"""A virtual board, its service and a pair of hands, for runs in which nobody is asked to see or hear anything."""

import logging
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from benchworthy.bench import portlist
from benchworthy.bench.client import Service
from benchworthy.bench.reach import Reach
from benchworthy.bench.session import run_board
from benchworthy.designs import catalogue
from benchworthy.virtual.board import VirtualBoard
from services.micropython import interpreter
from services.served import served
from services.service import Trial, trial

SHEET = catalogue.find("tarn-b")
MODULE, PLUG = "e661640843123456", "TP4-0007"
FIXTURES = (f"TP-4:{PLUG}", "L-2:L2-01", "M-1:M1-02", "meter:MM-02", "cable:UC-11")
WIFI = {"ssid": "Kettlebrook", "password": "no-secret-here"}


class Hands:
    """Does what is asked, and is never asked to perceive."""

    def __init__(self, board: VirtualBoard, label: str) -> None:
        self.hands, self.label = board.hands, label
        self.did: list[str] = []

    def scan_label(self) -> str:
        return self.label

    def fit(self, fixture: str, serial: str) -> None:
        self.did.append(f"fit {fixture}")
        self.hands.attach(fixture)

    def remove(self, fixture: str) -> None:
        self.did.append(f"remove {fixture}")
        self.hands.detach(fixture)

    def act(self, action: str, ask: str) -> None:
        self.did.append(action)
        match action.partition("-")[::2]:
            case "pull", what:
                self.hands.detach(what)
            case "rig", position:
                self.hands.turn("M-1", position)
            case "press", _:
                self.hands.plan_presses(5)

    def undo(self, action: str) -> None:
        match action.partition("-")[::2]:
            case "pull", what:
                self.hands.attach(what)
            case "rig", _:
                self.hands.turn("M-1", "loads")

    def clear(self, hazard: str) -> None:
        assert hazard
        self.did.append("clear")

    def watch(self, procedure: str, ask: str, start: Callable[[], None]) -> str:
        raise AssertionError("nobody is to be asked")

    def read_meter(self, test: str, ask: str, quantity: str = "") -> float:
        raise AssertionError("nobody is to be asked")

    def check_list(self, test: str, ask: str, items: Sequence[str]) -> Mapping[str, str]:
        raise AssertionError("nobody is to be asked")


@dataclass
class Bench:
    """A table with one board on it, enrolled at a service that really answers over HTTP."""

    trial: Trial
    url: str
    serial: str
    board: VirtualBoard
    ports: Path
    hands: Hands

    @property
    def port(self) -> str:
        return str(self.ports / MODULE)

    def listing(self) -> list[portlist.PortEntry]:
        return portlist.listed(self.ports)

    def run(self, test_set: str, say: Callable[[str], None] = lambda text: None, **options: Any) -> dict[str, Any]:
        """A run over the serial link, closed at the end; what the service then says of it."""
        given = {"link": "serial", "fixtures": FIXTURES, "wifi": WIFI, "operator": self.hands, **options}
        operator = given.pop("operator")
        reach = Reach(self.port, self.listing, back_s=5.0, settle_s=2.0)
        service = Service(self.url, self.trial.secrets["tester"])
        done = run_board(reach, service, self.trial.bench, operator, self.serial, test_set, say=say, **given)
        assert self.board.fault is None
        return done

    def closed(self, done: Mapping[str, Any]) -> dict[str, Any]:
        state: dict[str, Any] = self.trial.post(f"/runs/{done['run']}/close", {})
        return state


@contextmanager
def bench(
    folder: Path, seed: int | None = 1, faults: Sequence[str] = (), body: str = "KM0001", stage: int = 4
) -> Iterator[Bench]:
    """A board at the table, the jack in; parts drawn by `seed`, None for nominal ones; built up to a stage."""
    interpreter()
    logging.getLogger("werkzeug").setLevel(logging.ERROR)
    flash, ports = folder / "flash", folder / "ports"
    flash.mkdir()
    with trial(folder / "data") as made, served(made.app) as url:
        serial = made.enrol(body)["serial"]
        made.have_fixtures(FIXTURES)
        parts = {ref: part for ref, part in SHEET.parts.items() if (part.stage or 1) <= stage}
        board = VirtualBoard(parts, SHEET.conditions, SHEET.fixtures, seed, MODULE, serial, flash, PLUG, ports_dir=ports)
        board.hands.attach("jack")
        for fault in faults:
            board.inject(fault)
        with board:
            yield Bench(made, url, serial, board, ports, Hands(board, serial))


def verdicts(state: Mapping[str, Any]) -> dict[str, str]:
    """Test to verdict."""
    return {test["test"]: test["verdict"] for test in state["tests"]}
