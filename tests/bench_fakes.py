"""Board, service and operator for a session at the bench: each follows its contract and writes a shared diary."""

import ast
import binascii
import json
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any

from benchworthy.errors import ServiceUnreachable
from benchworthy.reports.token import digest

MODULE = "e660010203040506"
PLAN = '{"v":1,"text":"it\'s \\"quoted\\" and long ' + "x" * 3000 + '"}'
OPENED: dict[str, Any] = {
    "run": "r-abcd",
    "nonce": "0" * 32,
    "key": "11" * 32,
    "expires": "2026-11-25T20:00:00Z",
    "plan": PLAN,
    "epoch": 1,
    "design": "tarn-b",
    "draws": [{"test": "LED-SEE", "draw": 1, "stimulus": {"port": "lamp", "count": 3}}],
    "mqtt": {"host": "127.0.0.1", "port": 1883, "user": "S", "password": "p", "site": "main"},
    "parts": [
        {"author": "bench", "number": 1, "tests": ["MCU-ID", "MCU-FW"]},
        {"author": "board", "number": 2, "tests": ["HDR-BUS"]},
        {"author": "board", "number": 1, "tests": ["PWR-V5"]},
    ],
    "ask": [
        {"test": "VIS-INSP", "author": "inspector", "ask": "Look.", "caution": None},
        {"test": "PWR-DMM33", "author": "operator", "ask": "Meter on TP3.", "caution": "One hand."},
        {"test": "LED-SEE", "author": "operator", "ask": "Count.", "caution": None},
    ],
}


class FakeBoard:
    """A link to a board with an agent that follows the contract; `steps` is the diary shared by all doubles.

    `deaf` receipts are lost before one is believed; `damaged` frames arrive broken before a whole one.
    """

    port = "/dev/ttyFAKE0"

    def __init__(self, steps: list[str], deaf: int = 0, damaged: int = 0, error: str | None = None) -> None:
        self.steps, self.deaf, self.damaged, self.error = steps, deaf, damaged, error
        self.pieces: list[str] = []
        self.context: dict[str, Any] = {}
        self.kept = b""

    @contextmanager
    def opened(self) -> Iterator["FakeBoard"]:
        """The session's link factory."""
        self.steps.append("open port")
        yield self
        self.steps.append("close port")

    def call(self, code: str, timeout_s: float, on_line: Callable[[str], None] | None = None) -> list[str]:
        """Answer by what the code asks for."""
        assert len(code) < 8192 and 0 < timeout_s <= 180
        lines = ["boot noise \x00", *self._answer(code)]
        for line in lines:
            if on_line is not None:
                on_line(line)
        return lines

    def _answer(self, code: str) -> list[str]:
        if "unique_id" in code:
            said = {"module": MODULE, "stand_in": True, "firmware": "MicroPython", "boot": 7, "agent": "1.0.0"}
            return ["=BP= " + json.dumps(said)]
        if "ilistdir" in code:
            return [
                "=HB= 32768",
                '=BP= ["main.py", 3, "' + "a" * 64 + '"]',
                '=BP= ["state.json", 44, "' + "b" * 64 + '"]',
                '=BP= "end"',
            ]
        if sent := re.search(r"crc32\('([0-9a-f]+)'\)", code):
            return [f"=BP= {binascii.crc32(sent[1].encode())}"]
        return self._agent(code)

    def _agent(self, code: str) -> list[str]:
        if code == "_bw=[]":
            self.pieces = []
        elif code.startswith("_bw.append("):
            self.pieces.append(ast.literal_eval(code.removeprefix("_bw.append(").removesuffix(")")))
        elif "bench_call.begin(_bw)" in code:
            assert f"!={binascii.crc32(''.join(self.pieces).encode())}:" in code
            self.context = json.loads("".join(self.pieces))
            self.steps.append("begin")
        else:
            return self._step(code.rpartition("bench_call.")[2] if "receipt(" not in code else code.partition("bench_call.")[2])
        return []

    def _step(self, call: str) -> list[str]:
        name, _, rest = call.partition("(")
        arguments = ast.literal_eval(f"({rest.removesuffix(')')},)")
        if name == "receipt":
            self.steps.append("receipt")
            return self._done(self._believed())
        if name == "blink":
            self.steps.append(f"blink {arguments[0]} {arguments[1]}")
            return self._done(None)
        number, way = arguments if name == "part" else reversed(arguments)
        self.steps.append(f"{name} {number}")
        self.kept = b"board.part.%d" % number
        if self.error is not None:
            return ["=BD= " + json.dumps({"part": number, "report": None, "verdict": None, "error": self.error})]
        if way == "mqtt":
            return self._done(self._believed())
        return [self._frame(), *self._done(None)]

    def _frame(self) -> str:
        crc = binascii.crc32(self.kept)
        if self.damaged:
            self.damaged, crc = self.damaged - 1, crc ^ 1
        return f"=BW= {len(self.kept):04x} {crc:08x} {self.kept.decode()}"

    def _believed(self) -> str | None:
        if self.deaf:
            self.deaf -= 1
            return None
        return "in limits"

    def _done(self, verdict: str | None) -> list[str]:
        return ["=BD= " + json.dumps({"part": 1, "report": digest(self.kept), "verdict": verdict, "error": None})]


class FakeService:
    """Keeps what it is given; asks for a second draw after the first `wrong` answers to a draw."""

    def __init__(self, steps: list[str], wrong: int = 0, down: int = 0, opened: Mapping[str, Any] = OPENED) -> None:
        self.steps, self.wrong, self.down, self.opened = steps, wrong, down, opened
        self.reports: list[bytes] = []
        self.needed: list[dict[str, str]] = []

    def open_run(self, serial: str, test_set: str, bench: str, fixtures: Sequence[str], scanned: str) -> dict[str, Any]:
        """The run, as drawn above."""
        self.steps.append(f"open run {serial} {test_set} {scanned}")
        return dict(self.opened)

    def send_report(self, token: bytes) -> dict[str, Any]:
        """A receipt, unless the service is down."""
        if self.down:
            self.down -= 1
            raise ServiceUnreachable("down")
        self.reports.append(token)
        self.steps.append("bench report" if token.startswith(b"ey") else "post report")
        return {"v": 1, "report": digest(token), "verdict": "in limits", "mac": "", "more": "x"}

    def answer(self, run: str, body: Mapping[str, Any]) -> dict[str, Any]:
        """Take an answer; a wrong one makes a second draw needed, once."""
        (answer,) = body["answers"]
        self.steps.append(f"answer {answer['test']} {answer['draw']} {answer.get('text', answer.get('number'))}")
        self.needed = []
        if answer["test"] == "LED-SEE" and self.wrong:
            self.wrong -= 1
            self.needed = [{"code": "second-draw", "test": "LED-SEE", "what": "..."}]
        return {}

    def draw(self, run: str, test: str) -> dict[str, Any]:
        """Another count."""
        self.steps.append(f"draw {test}")
        return {"test": test, "draw": 2, "stimulus": {"port": "lamp", "count": 5}}

    def get_run(self, run: str) -> dict[str, Any]:
        """Only what the session reads."""
        return {"run": run, "still_needed": self.needed}


class FakeOperator:
    """Says three blinks whatever happens."""

    def __init__(self, steps: list[str]) -> None:
        self.steps = steps

    def scan_label(self) -> str:
        """The label."""
        self.steps.append("scan")
        return "LABEL"

    def fit_plug(self, serial: str) -> None:
        """Note which plug."""
        self.steps.append(f"fit {serial}")

    def remove_plug(self) -> None:
        """Note it."""
        self.steps.append("remove plug")

    def count_blinks(self, start: Callable[[], None]) -> str:
        """Three."""
        start()
        return "3"

    def read_meter(self, test: str, ask: str) -> float:
        """A good rail."""
        self.steps.append(f"meter {test}: {ask}")
        return 3.3
