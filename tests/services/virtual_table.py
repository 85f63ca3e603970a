"""A virtual board on the table, with its serial link open and a virtual person in front of it."""

import binascii
import json
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from mpremote.transport_serial import SerialTransport

from benchworthy.designs import catalogue
from benchworthy.designs.plan import plan_for
from benchworthy.reports.token import split
from benchworthy.virtual.board import VirtualBoard
from benchworthy.virtual.operator import VirtualOperator
from services.micropython import interpreter

SHEET = catalogue.find("tarn-b")
PLAN = plan_for(SHEET, "first")
SERIAL, MODULE, PLUG, RUN = "TARN0001A", "e661640843123456", "TP4-0007", "r-0001abcd"
KEY = bytes(range(32))
CONTEXT: Mapping[str, Any] = {
    "serial": SERIAL,
    "design": SHEET.name,
    "plan": PLAN.text,
    "run": RUN,
    "nonce": "00112233445566778899aabbccddeeff",
    "key": KEY.hex(),
    "epoch": 1,
    "mqtt": None,
}


@dataclass
class Table:
    """A board on the table with its serial link open, and the person who looks at it."""

    board: VirtualBoard
    wire: SerialTransport
    person: VirtualOperator
    flash: Path

    def call(self, code: str) -> list[str]:
        text: str = self.wire.exec(f"from benchworthy_agent import bench_call\n{code}").decode()
        assert self.board.fault is None
        return text.splitlines()

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

    def readings(self, number: int) -> dict[str, dict[str, Any]]:
        payload = json.loads(split(self.token(f"bench_call.part({number}, 'serial')")).payload)
        return {reading["test"]: reading for reading in payload["readings"]}

    def quantities(self, number: int) -> dict[tuple[str, str], float]:
        """What the sheet's formulas make of a part's readings, at nominal values."""
        found = {}
        nominal = {part.ref: part.value for part in SHEET.parts.values() if part.value is not None}
        for name, reading in self.readings(number).items():
            test = SHEET.tests[name]
            means = {step: s[1] / s[0] for step, s in zip(test.steps, reading["steps"], strict=True)}
            for quantity in test.quantities:
                if quantity.formula.names <= {*nominal, *means, *test.constants}:
                    found[name, quantity.name] = quantity.formula.evaluate({**nominal, **test.constants, **means})
        return found


@contextmanager
def table(flash: Path, seed: int | None = None, *faults: str) -> Iterator[Table]:
    """A started board with jack and USB plugged in, broken as `faults` say; `seed` None is one at nominal values."""
    interpreter()
    board = VirtualBoard(SHEET.parts, SHEET.conditions, SHEET.fixtures, seed, MODULE, SERIAL, flash, PLUG)
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
