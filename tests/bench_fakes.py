"""Board, service and operator for a session at the bench: each follows its contract and writes a shared diary."""

import ast
import binascii
import hashlib
import json
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager
from typing import Any

from bench_sheet import OPENED, PLAN
from benchworthy.bench.portlist import PortEntry
from benchworthy.bench.probe import Link
from benchworthy.bench.reach import Reach
from benchworthy.designs import agent_release
from benchworthy.errors import BoardSilent, ServiceUnreachable
from benchworthy.reports.token import digest

MODULE = "e660010203040506"
PORT = "/dev/ttyFAKE0"
OTHER = "/dev/ttyFAKE7"


class FakeBoard:
    """A link to a board with an agent that follows the contract; `steps` is the diary shared by all doubles.

    `deaf` receipts are lost before one is believed; `damaged` frames arrive broken before a whole one. `restarts` makes it
    lose its RAM when it is unplugged.
    """

    def __init__(self, steps: list[str], deaf: int = 0, damaged: int = 0, error: str | None = None) -> None:
        self.steps, self.deaf, self.damaged, self.error = steps, deaf, damaged, error
        self.port = PORT
        self.in_there = True
        self.restarts = False
        self.module = MODULE
        self.hangs: set[str] = set()
        self.cannot_show: set[str] = set()
        self.pieces: list[str] = []
        self.context: dict[str, Any] = {}
        self.mark: str | None = None
        self.lines: list[str] = []
        self.replies: list[str] = []
        self.kept = b""

    @contextmanager
    def opened(self) -> Iterator[Link]:
        """The port, held."""
        self.steps.append("open port")
        yield self
        self.steps.append("close port")

    def plug(self, there: bool) -> None:
        """The USB cable goes in or out; it comes back under another name."""
        self.in_there = there
        if there:
            self.port = OTHER
        elif self.restarts:
            self.mark, self.context = None, {}

    def listing(self) -> list[PortEntry]:
        """Its port, and one of somebody else."""
        return [PortEntry("/dev/ttyELSE"), *([PortEntry(self.port, MODULE.upper())] if self.in_there else [])]

    def reach(self) -> Reach:
        """How the session gets at it."""

        def opener(port: str, recover: bool) -> AbstractContextManager[Link]:
            assert port == self.port
            return self.opened()

        return Reach(PORT, self.listing, opener, back_s=1.0, settle_s=1.0)

    def reply(self, text: str) -> None:
        """What the bench says to running code."""
        self.replies.append(text)

    def call(self, code: str, timeout_s: float, on_line: Callable[[str], None] | None = None) -> list[str]:
        """Answer by what the code asks for."""
        assert len(code) < 8192 and 0 < timeout_s <= 180 and self.in_there
        lines = ["boot noise \x00", *self._answer(code)]
        for line in lines:
            if on_line is not None:
                on_line(line)
        return lines

    def _answer(self, code: str) -> list[str]:
        if "unique_id" in code:
            said = {
                "module": self.module,
                "stand_in": True,
                "firmware": "MicroPython",
                "boot": 7,
                "agent": "1.0.0",
                "serial": "S1",
            }
            return ["=BP= " + json.dumps(said)]
        if "ilistdir" in code:
            files = {**agent_release.current().files, "state.json": "b" * 64}
            return ["=HB= 32768", *("=BP= " + json.dumps([path, 44, sha]) for path, sha in files.items()), '=BP= "end"']
        if "_bm=" in code:
            self.mark = code.partition("'")[2].partition("'")[0]
            return ["=BP= 1000"]
        if "get('_bm')" in code:
            return [f"=BP= {int(self.mark is not None and repr(self.mark) in code)}"]
        return self._agent(code)

    def _agent(self, code: str) -> list[str]:
        if code == "_bw=[]":
            self.pieces = []
        elif code.startswith("_bw.append("):
            self.pieces.append(ast.literal_eval(code.removeprefix("_bw.append(").removesuffix(")")))
        elif "join(_bw)" in code:
            assert f"!={binascii.crc32(''.join(self.pieces).encode())}:" in code
        else:
            return self._step(code.partition("bench_call.")[2])
        return []

    def _step(self, call: str) -> list[str]:
        name, _, rest = call.partition("(")
        given = "".join(self.pieces) if "pop('_bw')" in rest else None
        arguments = (given,) if given is not None else ast.literal_eval(f"({rest.removesuffix(')')},)")
        said: list[str] = getattr(self, f"_do_{name}")(*arguments)
        return said

    def _do_begin(self, text: str) -> list[str]:
        self.context = json.loads(text)
        self.lines = []
        self.steps.append("begin")
        return []

    def _do_test(self, line: str) -> list[str]:
        assert line in PLAN.text.splitlines()[1:], "a line of the plan, as it is"
        test = json.loads(line)
        self.steps.append(f"test {test['id']}")
        if test["id"] in self.hangs:
            raise BoardSilent("It did not finish what it was told to do: it says nothing.")
        absent = sorted(set(test["n"]) & set(self.context["absent"]))
        said = {"test": test["id"], "kind": "not_run" if absent else "steps", "text": f"no {absent[0]}" if absent else None}
        self.lines.append(line)
        return ["=DM= 1", "=HB= 5", "=DM= 2", "=BD= " + json.dumps(said)]

    def _do_close(self, number: int, way: str) -> list[str]:
        self.steps.append(f"close {number}")
        self.kept = b"board.part.%d" % number
        self.lines = []
        return self._sent(way)

    def _do_again(self, way: str, number: int) -> list[str]:
        self.steps.append(f"again {number}")
        return self._sent(way)

    def _do_receipt(self, text: str) -> list[str]:
        assert set(json.loads(text)) == {"v", "report", "verdict", "mac"}
        self.steps.append("receipt")
        return self._done(self._believed())

    def _do_show(self, text: str) -> list[str]:
        shown = json.loads(text)
        self.steps.append(f"show {shown['p']} {shown['a'].get('count', shown['a'].get('order'))}")
        if shown["p"] in self.cannot_show:
            return ["=BD= " + json.dumps({"part": None, "report": None, "verdict": None, "error": "OSError: no timer"})]
        return self._done(None)

    def _sent(self, way: str) -> list[str]:
        if self.error is not None:
            return ["=BD= " + json.dumps({"part": 1, "report": None, "verdict": None, "error": self.error})]
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
        self.answers: list[dict[str, Any]] = []
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
        self.answers.append(dict(answer))
        said = answer.get("text") or answer.get("number") or answer.get("not_run") or json.dumps(answer.get("items"))
        self.steps.append(f"answer {answer['test']} {answer['draw']} {said}")
        self.needed = []
        if answer["test"] == "LED-SEE" and self.wrong:
            self.wrong -= 1
            self.needed = [{"code": "second-draw", "test": "LED-SEE", "what": "..."}]
        return {}

    def draw(self, run: str, test: str) -> dict[str, Any]:
        """Another count."""
        self.steps.append(f"draw {test}")
        return {"test": test, "draw": 2, "stimulus": {"p": "blink", "a": {"port": "lamp", "count": 5}}}

    def get_run(self, run: str) -> dict[str, Any]:
        """Only what the session reads."""
        return {"run": run, "still_needed": self.needed}


class FakeOperator:
    """Says three blinks and all three turns whatever happens; moves the board's USB cable."""

    def __init__(self, steps: list[str], board: FakeBoard) -> None:
        self.steps, self.board = steps, board

    def scan_label(self) -> str:
        """The label."""
        self.steps.append("scan")
        return "LABEL"

    def fit(self, fixture: str, serial: str) -> None:
        """Note which."""
        self.steps.append(f"fit {fixture} {serial}")

    def remove(self, fixture: str) -> None:
        """Note it."""
        self.steps.append(f"remove {fixture}")

    def act(self, action: str, ask: str) -> None:
        """Note it; the cable is really pulled."""
        self.steps.append(f"act {action}")
        if action == "pull-usb":
            self.board.plug(False)

    def undo(self, action: str) -> None:
        """Note it; the cable goes in again."""
        self.steps.append(f"undo {action}")
        if action == "pull-usb":
            self.board.plug(True)

    def clear(self, hazard: str) -> None:
        """Note what was asked."""
        self.steps.append(f"clear {hazard}")

    def watch(self, procedure: str, ask: str, start: Callable[[], None]) -> str:
        """Three, or all the turns."""
        start()
        return "3" if procedure == "blink" else "off forward back"

    def read_meter(self, test: str, ask: str, quantity: str = "") -> float:
        """A good rail."""
        self.steps.append(f"meter {test} {quantity}: {ask}".replace(" :", ":"))
        return 3.3

    def check_list(self, test: str, ask: str, items: Sequence[str]) -> Mapping[str, str]:
        """All is well."""
        return dict.fromkeys(items, "good")


def sha256(text: str) -> str:
    """In hex."""
    return hashlib.sha256(text.encode()).hexdigest()


def carried_out(steps: Sequence[str]) -> list[str]:
    """The tests that the board carried out, in order."""
    return [step.removeprefix("test ") for step in steps if re.match("test ", step)]
