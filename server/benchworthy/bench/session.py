"""One run of one board at a bench, step by step, from the scanned label to the operator's last answer.

The board is never reset on the way, as the run's key lives in its RAM. The run is left open: the inspector answers
with another person's token, and whoever called closes it.
"""

import os
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any, Final, Protocol

from benchworthy.bench import probe
from benchworthy.bench.agent_calls import Agent, Outcome, Way
from benchworthy.bench.evidence import Seen, signed_report
from benchworthy.bench.people import Operator
from benchworthy.bench.probe import Link
from benchworthy.designs import agent_release
from benchworthy.errors import BoardFaulted, ReceiptMissing, ServiceUnreachable
from benchworthy.reports.token import digest

RESENDS: Final = 3
_CONTEXT: Final = ("design", "plan", "run", "nonce", "key", "epoch")


class RunService(Protocol):
    """What is needed of the service; `client.Service` is one."""

    def open_run(self, serial: str, test_set: str, bench: str, fixtures: Sequence[str], scanned: str) -> dict[str, Any]:
        """Open a run."""

    def send_report(self, token: bytes) -> dict[str, Any]:
        """Hand in a signed report; the receipt."""

    def answer(self, run: str, body: Mapping[str, Any]) -> dict[str, Any]:
        """Hand in answers."""

    def draw(self, run: str, test: str) -> dict[str, Any]:
        """Draw once more."""

    def get_run(self, run: str) -> dict[str, Any]:
        """The run as judged so far."""


class ReportSigner(Protocol):
    """What is needed of the bench's key; `keys.bench_key.BenchKey` is one."""

    @property
    def thumbprint(self) -> str:
        """Names the bench."""

    def sign_report(self, payload: bytes) -> bytes:
        """A report's token."""


def run_board(
    link_factory: Callable[[], AbstractContextManager[Link]],
    service: RunService,
    bench_key: ReportSigner,
    operator: Operator,
    serial: str,
    test_set: str,
    link: Way = "mqtt",
    fixtures: Sequence[str] = (),
    say: Callable[[str], None] = lambda text: None,
) -> dict[str, Any]:
    """Drive one board through a run and leave the run open.

    `fixtures` are serial numbers, the test plug's first; `link` is how board reports reach the service; `say` gets one
    line for each step. Returns run, serial, module, stand_in, firmware, files (path to SHA-256), reports (author,
    part, report, verdict), answers and state (the run as judged so far).
    Raises BenchFailure, ServiceSaid, ServiceUnreachable, and what the operator raises.
    """
    with link_factory() as board:
        before = probe.ports(board.port)
        say(f"Board found at {board.port}.")
        identity, files = probe.identity(board), probe.files(board)
        echo = probe.echo(board, os.urandom(probe.ECHO_BYTES))
        say(f"Module {identity.module}{', a stand-in' if identity.stand_in else ''}, {len(files)} files.")
        opened = service.open_run(serial, test_set, bench_key.thumbprint, fixtures, operator.scan_label())
        say(f"Run {opened['run']} is open.")
        run = _Run(opened, serial, Agent(board), service, operator, _way(link, opened, say), say)
        run.agent.begin(_context(opened, serial))
        run.board_parts(fixtures)
        seen = Seen(identity, files, echo, before, probe.ports(board.port))
        run.bench_parts(seen, bench_key)
        run.operator_tests()
    return {
        "run": opened["run"],
        "serial": serial,
        "module": identity.module,
        "stand_in": identity.stand_in,
        "firmware": identity.firmware,
        "files": {path: file.sha256 for path, file in files.items()},
        "echo": echo,
        "reports": run.reports,
        "answers": run.answers,
        "state": service.get_run(opened["run"]),
    }


@dataclass(slots=True)
class _Run:
    """An open run, and what was handed in so far."""

    opened: Mapping[str, Any]
    serial: str
    agent: Agent
    service: RunService
    operator: Operator
    way: Way
    say: Callable[[str], None]
    reports: list[dict[str, Any]] = field(default_factory=list)
    answers: list[dict[str, Any]] = field(default_factory=list)

    def board_parts(self, fixtures: Sequence[str]) -> None:
        """Part 1 must see an empty board; the plug is fitted before the next and taken off after the last."""
        fitted = False
        for part in self._parts("board"):
            if part["number"] > 1 and not fitted:
                self.operator.fit_plug(fixtures[0] if fixtures else "")
                fitted = True
            self.say(f"Board part {part['number']}: {len(part['tests'])} tests.")
            self._board_part(part["number"])
        if fitted:
            self.operator.remove_plug()

    def bench_parts(self, seen: Seen, bench_key: ReportSigner) -> None:
        """What the bench saw, signed by the bench."""
        for part in self._parts("bench"):
            head = self._head(part["number"])
            release = agent_release.current().files
            token = signed_report(head, part["tests"], seen, release, bench_key.sign_report)
            receipt = self._post(token)
            self._record("bench", part["number"], digest(token), str(receipt.get("verdict")))

    def operator_tests(self) -> None:
        """What a person must see, then what a person must measure."""
        drawn = list(self.opened["draws"])
        for draw in drawn:
            self._watch(draw)
            if self._second_draw_needed(draw["test"]):
                self.say(f"{draw['test']}: that was not the number; once more.")
                self._watch(self.service.draw(self.opened["run"], draw["test"]))
        tests = {draw["test"] for draw in drawn}
        for entry in self.opened["ask"]:
            if entry["author"] == "operator" and entry["test"] not in tests:
                self._measure(entry)

    def _parts(self, author: str) -> list[Mapping[str, Any]]:
        mine = [part for part in self.opened["parts"] if part["author"] == author]
        return sorted(mine, key=lambda part: int(part["number"]))

    def _board_part(self, number: int) -> None:
        """Have a part done and its report delivered: without a receipt it is sent again, three times at most."""
        outcome = self.agent.part(number, self.way)
        for turn in range(RESENDS + 1):
            if outcome.report is None:
                raise BoardFaulted(f"Part {number} gave no report: {outcome.error}.", part=number)
            verdict = self._verdict(outcome)
            if verdict is not None:
                self._record("board", number, outcome.report, verdict)
                return
            if turn < RESENDS:
                self.say(f"Board part {number}: no receipt yet ({outcome.error or 'none came'}); sending it again.")
                outcome = self.agent.again(number, self.way)
        detail = f"Part {number} has no receipt after {RESENDS + 1} sendings."
        raise ReceiptMissing(detail, part=number, report=outcome.report, error=outcome.error)

    def _verdict(self, outcome: Outcome) -> str | None:
        """The verdict that the board believes; on the serial link the bench carries report and receipt."""
        if self.way == "mqtt" or outcome.token is None:
            return outcome.verdict
        try:
            receipt = self.service.send_report(outcome.token)
        except ServiceUnreachable:
            return None
        return self.agent.receipt(receipt).verdict

    def _post(self, token: bytes) -> dict[str, Any]:
        for _ in range(RESENDS):
            try:
                return self.service.send_report(token)
            except ServiceUnreachable:
                self.say("The service gave no receipt; sending the bench's report again.")
        return self.service.send_report(token)

    def _head(self, number: int) -> dict[str, Any]:
        return {
            "serial": self.serial,
            "design": self.opened["design"],
            "plan": probe.plan_hash(self.opened["plan"]),
            "epoch": self.opened["epoch"],
            "ms": time.monotonic_ns() // 1_000_000 % 2**30,  # wraps as a board's count does
            "clock": datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
            "run": self.opened["run"],
            "nonce": self.opened["nonce"],
            "part": number,
        }

    def _watch(self, draw: Mapping[str, Any]) -> None:
        stimulus = draw["stimulus"]
        port, count = str(stimulus["port"]), int(stimulus["count"])
        said = self.operator.count_blinks(lambda: self.agent.blink(port, count))
        self._answer({"test": draw["test"], "draw": draw["draw"], "text": said})

    def _measure(self, entry: Mapping[str, Any]) -> None:
        caution = entry.get("caution") or ""
        ask = f"{caution} {entry['ask']}".strip()
        number = float(f"{self.operator.read_meter(entry['test'], ask):.7g}")  # as many digits as the service takes
        self._answer({"test": entry["test"], "draw": 1, "number": number})

    def _answer(self, answer: dict[str, Any]) -> None:
        self.service.answer(self.opened["run"], {"answers": [answer]})
        self.answers.append(answer)

    def _second_draw_needed(self, test: str) -> bool:
        needed = self.service.get_run(self.opened["run"]).get("still_needed", [])
        return any(entry.get("code") == "second-draw" and entry.get("test") == test for entry in needed)

    def _record(self, author: str, number: int, report: str, verdict: str) -> None:
        self.reports.append({"author": author, "part": number, "report": report, "verdict": verdict})
        self.say(f"{author.capitalize()} part {number}: {verdict}")


def _context(opened: Mapping[str, Any], serial: str) -> dict[str, Any]:
    """What the board must know of its run; the key goes nowhere else."""
    context = {name: opened[name] for name in _CONTEXT}
    return {"serial": serial, **context, "mqtt": opened.get("mqtt")}


def _way(wanted: Way, opened: Mapping[str, Any], say: Callable[[str], None]) -> Way:
    if wanted == "mqtt" and opened.get("mqtt") is None:
        say("The service has no broker for boards; reports go over the serial link.")
        return "serial"
    return wanted
