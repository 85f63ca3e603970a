"""An open run at the bench: what it knows, what was handed in so far, and how reports and answers reach the service."""

import json
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any, Final, Protocol

from benchworthy.bench import probe, snippets
from benchworthy.bench.agent_calls import Agent, Outcome, Way
from benchworthy.bench.echo import Stamp, first_stamp
from benchworthy.bench.evidence import Seen, signed_report
from benchworthy.bench.people import Operator
from benchworthy.bench.portlist import Arrival
from benchworthy.bench.reach import Reach
from benchworthy.designs.sheet import Driver, Sheet, Test
from benchworthy.errors import BoardFaulted, ReceiptMissing, ServiceUnreachable
from benchworthy.reports.report import Author
from benchworthy.reports.token import digest

RESENDS: Final = 3


class RunService(Protocol):
    """What is needed of the service; `client.Service` is one."""

    def open_run(self, serial: str, test_set: str, bench: str, fixtures: Sequence[str], scanned: str) -> dict[str, Any]:
        """Open a run."""

    def send_report(self, token: bytes) -> dict[str, Any]:
        """Hand in a signed report; the receipt."""

    def answer(self, run: str, body: Mapping[str, Any]) -> dict[str, Any]:
        """Hand in answers. The same ones twice count once."""

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


@dataclass(slots=True)
class Run:
    """An open run. `fixtures` maps kind to serial number; `absent` are needs of tests that are not there."""

    opened: Mapping[str, Any]
    serial: str
    sheet: Sheet
    reach: Reach
    service: RunService
    key: ReportSigner
    operator: Operator
    way: Way
    say: Callable[[str], None]
    fixtures: Mapping[str, str]
    absent: frozenset[str]
    wifi: Mapping[str, str] | None = None
    identity: probe.Identity | None = None
    files: Mapping[str, probe.BoardFile] = field(default_factory=dict)
    arrival: Arrival | None = None
    since: Stamp | None = None
    begun: bool = False
    reports: list[dict[str, Any]] = field(default_factory=list)
    answers: list[dict[str, Any]] = field(default_factory=list)
    asked: set[str] = field(default_factory=set)

    @property
    def id(self) -> str:
        return str(self.opened["run"])

    @property
    def lines(self) -> dict[str, str]:
        """The plan's lines by test."""
        return {json.loads(line)["id"]: line for line in str(self.opened["plan"]).splitlines()[1:]}

    @property
    def ports(self) -> dict[str, Any]:
        """What the plan's first line says of the ports."""
        found: dict[str, Any] = json.loads(str(self.opened["plan"]).partition("\n")[0])["ports"]
        return found

    @property
    def agent(self) -> Agent:
        return Agent(self.reach.link)

    def parts(self, author: Author) -> list[Mapping[str, Any]]:
        mine = [part for part in self.opened["parts"] if part["author"] == author]
        return sorted(mine, key=lambda part: int(part["number"]))

    @property
    def small(self) -> bool:
        """Whether the board is too small for an agent."""
        return self.sheet.driver is Driver.BENCH

    def begin(self) -> None:
        """Put the run's context, key included, into the board's RAM. Once more after a reset, which empties it."""
        if self.small:
            snippets.begin(self.reach.link)
            return
        ports = self.ports
        context = {name: self.opened[name] for name in ("design", "run", "nonce", "key", "epoch")}
        plan = probe.plan_hash(str(self.opened["plan"]))
        if (self.opened.get("mqtt") or {}).get("tls"):
            probe.set_clock(self.reach.link, datetime.now(UTC))  # certificates have dates, and boards no battery
        mine = {"serial": self.serial, "plan": plan, "ports": ports, "absent": sorted(self.absent)}
        self.agent.begin({**context, **mine, "mqtt": self.opened.get("mqtt"), "wifi": self.wifi})
        probe.mark(self.reach.link, self.id)
        # The clocks are compared while other tests run, which saves the wait.
        compared = any(self.sheet.tests[test].procedure == "clock" for part in self.parts(Author.BENCH) for test in part["tests"])
        self.since = first_stamp(self.reach.link) if compared else None
        self.begun = True

    def show(self, stimulus: Mapping[str, Any]) -> None:
        """Have the board light, sound or turn something for a person."""
        if self.small:
            snippets.show(self.reach.link, self.ports, stimulus)
        else:
            self.agent.show(stimulus)

    def snippet(self, test: Test) -> dict[str, Any]:
        """A reading of a board that is too small for an agent, without the test's name."""
        found = dict(snippets.reading(self.reach.link, self.lines[test.id], self.ports))
        found.pop("test", None)
        return found

    def lacks(self, test: str) -> str | None:
        """Why a test of a person or of the bench cannot be run: the first of its needs that is absent."""
        missing = sorted(self.sheet.tests[test].needs & self.absent)
        return f"no {missing[0]}" if missing else None

    def close_part(self, number: int) -> None:
        """Have the readings in hand signed and delivered: without a receipt they are sent again, three times at most."""
        outcome = self.agent.close(number, self.way)
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

    def bench_report(self, number: int, readings: Iterable[Mapping[str, Any]]) -> None:
        """Sign and hand in one part of what the bench saw."""
        assert self.identity is not None
        seen = Seen(self.identity, self.files, self.arrival)
        token = signed_report(self._head(number), list(readings), seen, self.key.sign_report)
        receipt = self._insist(lambda: self.service.send_report(token), "the bench's report")
        self._record("bench", number, digest(token), str(receipt.get("verdict")))

    def _insist(self, send: Callable[[], dict[str, Any]], what: str) -> dict[str, Any]:
        """Send something that counts once however often it is sent."""
        for _ in range(RESENDS):
            try:
                return send()
            except ServiceUnreachable:
                self.say(f"The service gave no answer; sending {what} again.")
        return send()

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

    def answer(self, answer: dict[str, Any]) -> None:
        """Hand in a person's answer."""
        self._insist(lambda: self.service.answer(self.id, {"answers": [answer]}), "the answer")
        self.answers.append(answer)
        self.asked.add(answer["test"])
        self.say(f"{answer['test']}: {answer.get('not_run') or 'answered'}")

    def _record(self, author: str, number: int, report: str, verdict: str) -> None:
        self.reports.append({"author": author, "part": number, "report": report, "verdict": verdict})
        self.say(f"{author.capitalize()} part {number}: {verdict}")
