"""A virtual board on the table, with its serial link open and a virtual person in front of it."""

import binascii
import functools
import json
import re
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from mpremote.transport_serial import SerialTransport

from benchworthy.designs import agent_release, catalogue
from benchworthy.designs.plan import plan_for
from benchworthy.designs.sheet import parts_of
from benchworthy.judging.tests import Expected, Outcome, judge_reading
from benchworthy.reports.report import Author, Reading, Step
from benchworthy.reports.token import split
from benchworthy.virtual.board import VirtualBoard
from benchworthy.virtual.operator import VirtualOperator
from services.micropython import interpreter

SHEET = catalogue.find("tarn-b")
PLAN = plan_for(SHEET, "full")
LINES = {json.loads(line)["id"]: line for line in PLAN.text.splitlines()[1:]}
PORTS = json.loads(PLAN.text.splitlines()[0])["ports"]
SERIAL, MODULE, PLUG, RUN = "TARN0001A", "e661640843123456", "TP4-0007", "r-0001abcd"
KEY = bytes(range(32))
CONTEXT: Mapping[str, Any] = {
    "serial": SERIAL,
    "design": SHEET.name,
    "plan": PLAN.hash,
    "ports": PORTS,
    "run": RUN,
    "nonce": "00112233445566778899aabbccddeeff",
    "key": KEY.hex(),
    "epoch": 1,
    "mqtt": None,
    "wifi": {"ssid": "bench", "password": "x"},
    "absent": ["broker"],
}
_ASKED = re.compile(rb"=DM= ([0-9]+)\r?\n")
_CALL_S = 60


@dataclass
class Table:
    """A board on the table with its serial link open, and the person who looks at it."""

    board: VirtualBoard
    wire: SerialTransport
    person: VirtualOperator
    flash: Path
    answers: bool = True  # whether the bench answers the board's dead-man questions
    _heard: bytes = field(default=b"", repr=False)
    _answered: int = 0

    def call(self, code: str) -> list[str]:
        """Run code on the board as a bench does; what it printed. AssertionError when it raised."""
        self._heard, self._answered = b"", 0
        self.wire.exec_raw_no_follow(f"from benchworthy_agent import bench_call\n{code}")
        _, error = self.wire.follow(_CALL_S, self._listen)
        assert not error, error.decode()
        assert self.board.fault is None
        return self._heard.rstrip(b"\x04").decode().splitlines()

    def _listen(self, octets: bytes) -> None:
        self._heard += octets
        asked = _ASKED.findall(self._heard)
        for number in asked[self._answered :] if self.answers else ():
            self._answered += 1
            self.wire.serial.write(number + b"\n")

    def done(self, code: str) -> dict[str, Any]:
        """The closing line of a call."""
        (line,) = [line for line in self.call(code) if line.startswith("=BD= ")]
        said: dict[str, Any] = json.loads(line[5:])
        return said

    def begin(self, **changes: Any) -> None:
        self.call(f"bench_call.begin({json.dumps({**CONTEXT, **changes})!r})")

    def token(self, code: str) -> bytes:
        """The token in the frame that a call prints."""
        (line,) = [line for line in self.call(code) if line.startswith("=BW= ")]
        _, length, crc, token = line.split(" ")
        assert int(length, 16) == len(token) and int(crc, 16) == binascii.crc32(token.encode())
        return token.encode()

    def report(self, number: int, *tests: str) -> bytes:
        """The token of a report with the readings of these tests, sent over the wire."""
        for test in tests:
            self.done(f"bench_call.test({LINES[test]!r})")
        return self.token(f"bench_call.close({number}, 'serial')")

    def measure(self, *tests: str) -> dict[str, dict[str, Any]]:
        """The readings of these tests, by test, in as few reports as they fit into."""
        found: dict[str, dict[str, Any]] = {}
        for place in range(0, len(tests), 4):
            payload = json.loads(split(self.report(place + 1, *tests[place : place + 4])).payload)
            found |= {reading["test"]: reading for reading in payload["readings"]}
        return found

    def outcomes(self, *tests: str) -> dict[str, Outcome]:
        """These tests measured and judged as the service judges them."""
        return {name: judged(reading) for name, reading in self.measure(*tests).items()}

    def quantities(self, *tests: str) -> dict[tuple[str, str], float]:
        """What the sheet's formulas make of these tests' readings."""
        return {(test, q.name): q.value for test, outcome in self.outcomes(*tests).items() for q in outcome.quantities}

    def whole(self, test_set: str) -> dict[str, Outcome]:
        """All board tests of a set, phase by phase with fixtures and actions as a bench asks for them."""
        found: dict[str, Outcome] = {}
        fitted: set[str] = set()
        for part in parts_of(SHEET, test_set):
            if part.author is not Author.BOARD:
                continue
            for fixture in sorted(fitted - set(part.fixtures)):
                self.person.remove(fixture)
            for fixture in part.fixtures:
                self.person.fit(fixture)
            fitted = set(part.fixtures)
            for name in part.tests:
                action = SHEET.tests[name].action
                call = functools.partial(self.done, f"bench_call.test({LINES[name]!r})")
                self.during(action, call) if action else call()
            payload = json.loads(split(self.token(f"bench_call.close({part.number}, 'serial')")).payload)
            found |= {reading["test"]: judged(reading) for reading in payload["readings"]}
        return found

    def during(self, action: str, work: Callable[[], Any]) -> Any:
        """What `work` gives while the person has done what `action` says."""
        self.person.act(action)
        try:
            return work()
        finally:
            self.person.undo(action)


def judged(reading: Mapping[str, Any]) -> Outcome:
    """One reading of the payload as the service judges it."""
    steps = tuple(Step(*step) for step in reading["steps"]) if "steps" in reading else None
    read = Reading(reading["test"], steps=steps, not_run=reading.get("not_run"), error=reading.get("error"))
    return judge_reading(SHEET, SHEET.tests[reading["test"]], read, Expected(MODULE, agent_release.current()))


@contextmanager
def table(flash: Path, seed: int | None = None, *faults: str, **more: Any) -> Iterator[Table]:
    """A started board with jack and USB plugged in, broken as `faults` say; `seed` None is one at nominal values."""
    interpreter()
    board = VirtualBoard(SHEET.parts, SHEET.conditions, SHEET.fixtures, seed, MODULE, SERIAL, flash, PLUG, **more)
    for fault in faults:
        board.inject(fault)
    board.hands.attach("jack")
    with board:
        wire = SerialTransport(board.port, timeout=2)
        try:
            wire.enter_raw_repl(soft_reset=False)
            on_table = Table(board, wire, VirtualOperator(board.perceived, board.hands, label=SERIAL), flash)
            on_table.begin()
            yield on_table
        finally:
            wire.close()
