"""Power is cut after each operation on the flash and each packet: the next start delivers every report exactly once.

Real MicroPython with the agent's own field loop, real mosquitto; the other side once in small, once the real service.
"""

import json
import signal
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import count
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select

from benchworthy.storage import tables
from services import micropython, reports
from services.answering import answering
from services.mosquitto import SITE, running_mosquitto, until
from services.service import Running, running

SCRIPT = micropython.SCRIPTS / "power_cut_scenarios.py"
LEAST_POINTS = 12
WANTED = (
    "half written state.json.new #1",
    "removed for renaming state.json #1",
    "got PUBLISH of request #1",
    "half written spool/000001.new #1",
    "renamed spool/000001 #1",
    "sent PUBLISH of report #1",
    "got PUBLISH of receipt #1",
    "removed spool/000001 #1",
    "sent PUBACK #1",
)


@dataclass
class Board:
    """A board's flash, and what was seen of it."""

    flash: Path
    serial: str
    key: bytes
    access: dict[str, Any]
    payload: dict[str, Any]
    boots: list[int] = field(default_factory=list)
    kept: list[tuple[int, int]] = field(default_factory=list)

    def prepare(self) -> None:
        self.flash.mkdir()
        state = {"serial": self.serial, "epoch": 1, "boot": 0, "key": self.key.hex()}
        (self.flash / "state.json").write_text(json.dumps(state))

    def power_on(self, cut: str = "") -> list[str]:
        """Run until it has nothing left to do, or until the cut; the points that were passed."""
        given = json.dumps({"access": self.access, "payload": self.payload, "cut": cut})
        process = micropython.start(SCRIPT, cwd=self.flash, given=given)
        with process:
            try:
                printed, _ = process.communicate(timeout=20)
            finally:
                process.kill()
        said = printed.splitlines()
        self.boots += [int(line.split(" ")[1]) for line in said if line.startswith("boot ")]
        self.kept += [tuple(map(int, line.split(" ")[1:])) for line in said if line.startswith("kept ")]
        last = f"point {cut}" if process.returncode == -signal.SIGKILL else "done"
        assert process.returncode in (0, -signal.SIGKILL) and said[-1] == last, printed
        return [line.removeprefix("point ") for line in said if line.startswith("point ")]

    def spool(self) -> list[str]:
        return sorted(path.name for path in (self.flash / "spool").glob("*"))


def series(board: Board, ask: Callable[[], None], stored: Callable[[], list[tuple[int, int]]]) -> list[str]:
    """Cut at each point that a run without a cut passes; the points at which it was cut, each seen to fire."""
    board.prepare()
    board.power_on()  # known to the broker from now on, which keeps what is asked meanwhile
    ask()
    points = board.power_on()
    for point in points:
        before = len(stored())
        ask()
        assert board.power_on(point)[-1] == point
        board.power_on()
        assert until(lambda: len(stored()) > before), point  # noqa: B023 - called at once
        assert board.spool() == [], point
        # A request is acknowledged when its report is in the spool: a cut between the two repeats it.
        assert len(stored()) - before <= 2, point
    board.power_on()
    check(board, stored())
    return points


def check(board: Board, stored: list[tuple[int, int]]) -> None:
    """Every report that was kept is stored, each once, and no number of a boot was given twice."""
    assert Counter(stored).most_common(1)[0][1] == 1
    assert set(board.kept) <= set(stored)
    # A number that was counted right before the cut may be missing from what was printed, but none comes twice.
    assert board.boots == sorted(set(board.boots))


def told(points: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    """Into the log of every run: a list that got shorter would otherwise pass unseen."""
    with capsys.disabled():
        print(f"\npower cut at {len(points)} points, each seen to fire: {'; '.join(points)}")


def numbers(payloads: list[dict[str, Any]]) -> list[tuple[int, int]]:
    return [(each["boot"], each["seq"]) for each in payloads]


@pytest.mark.parametrize("kept", [True, False], ids=["the broker keeps receipts", "receipts meanwhile are lost"])
def test_whatever_the_point_of_the_cut_every_report_is_stored_exactly_once(tmp_path, kept, capsys):
    serial, key = "TRN1", bytes(range(32))
    with running_mosquitto(tmp_path, {serial: "one-secret"}) as broker, answering(broker, serial, key) as service:
        service.receipt_qos = int(kept)
        access = {"site": SITE, "host": "127.0.0.1", "port": broker.port, "user": serial, "password": "one-secret"}
        board = Board(tmp_path / "flash", serial, key, access, {"v": 1})
        n = count(1)
        points = series(board, lambda: service.ask(next(n), "self-test", "a plan"), lambda: numbers(service.payloads()))
        repeated = sum(arrived > 1 for arrived in service.arrivals.values())
    told(points, capsys)
    assert len(points) >= LEAST_POINTS and set(WANTED) <= set(points)
    assert kept or repeated > 0  # so it is the digest, not luck, that keeps a report from being stored twice


def test_the_real_service_stores_every_report_exactly_once_too(tmp_path, capsys):
    with running(tmp_path) as house:
        enrolled = house.enrol("TRNCUT7")
        serial, key = enrolled["serial"], bytes.fromhex(enrolled["field_key"])
        password = enrolled["broker_password"]
        access = {"site": SITE, "host": "127.0.0.1", "port": house.broker.port, "user": serial, "password": password}
        payload = reports.payload(serial, [reports.sound(test) for test in ("PWR-V33M", "PWR-V5", "KEY-IDLE")])
        board = Board(tmp_path / "flash", serial, key, access, payload)
        n = count(1)
        with answering(house.broker, serial, key) as asker:
            asker.silent = True
            points = series(board, lambda: asker.ask(next(n), "self-test", "a plan"), lambda: recorded(house, serial))
        told(points, capsys)
        assert len(points) >= LEAST_POINTS and set(WANTED) <= set(points)
        # Nothing of it was refused or found strange.
        assert house.trial.rows()["refusals"] == 0 and house.trial.findings(serial) == []


def recorded(house: Running, serial: str) -> list[tuple[int, int]]:
    """(boot, sequence) of every stored report of a board."""
    chosen = select(tables.evidence.c.boot, tables.evidence.c.seq).where(tables.evidence.c.serial == serial)
    with house.trial.house.database.engine.connect() as connection:
        return [(row.boot, row.seq) for row in connection.execute(chosen)]
