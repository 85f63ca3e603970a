"""A run away from the service: it takes a ticket, and everything that a run hands in goes to the spool.

The board gets a receipt of the bench's own: the bench has the run key, and the report on its disk. What it says is
`measured, not judged`; limits are the service's.
"""

import hmac
import json
import re
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from typing import Any, Final

from benchworthy.bench import spool
from benchworthy.bench.tickets import TicketBox
from benchworthy.errors import RequestInvalid
from benchworthy.judging.draws import plain_answer, right_answer
from benchworthy.reports import receipt
from benchworthy.reports.token import digest

NOT_JUDGED: Final = "measured, not judged"
# As the service has them: what it would refuse tomorrow is refused while the board is still on the table.
FIXTURE: Final = re.compile(r"[A-Za-z0-9-]{1,15}:[A-Za-z0-9-]{1,15}")
MOST_FIXTURES: Final = 12
HOLDER: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,31}")


class OfflineRuns:
    """Stands for the service in one run (`run.RunService`); `read_label` reads a scan, `now` is the bench's clock."""

    def __init__(
        self,
        box: TicketBox,
        read_label: Callable[[str], str],
        now: Callable[[], datetime],
        say: Callable[[str], None],
        design: str | None = None,
        holder: str | None = None,
    ) -> None:
        if holder is not None and HOLDER.fullmatch(holder) is None:
            raise RequestInvalid(f"{holder!r} is no code of a person: letters, digits, dot, dash and underscore, at most 32.")
        self._box, self._spool = box, box.spool
        self._read_label, self._now, self._say = read_label, now, say
        self._design, self._holder = design, holder
        self._ticket: dict[str, Any] = {}
        self._answers: list[dict[str, Any]] = []

    def open_run(self, serial: str, test_set: str, bench: str, fixtures: Sequence[str], scanned: str) -> dict[str, Any]:
        """Take a ticket and bind it to this board. Raises NoTicket, RequestInvalid, SerialInvalid, WriteFailed."""
        if self._read_label(scanned) != serial:
            raise RequestInvalid(f"The scanned label {scanned[:40]} is not {serial}.")
        if len(fixtures) > MOST_FIXTURES or not all(FIXTURE.fullmatch(fixture) for fixture in fixtures):
            raise RequestInvalid(f"Write at most {MOST_FIXTURES} fixtures as kind:serial, such as TP-4:TP4-0007.")
        board = self._box.board(serial)
        if board is None:
            self._say(f"{serial} was not on record when the tickets were fetched; whether it is, the service tells on delivery.")
        ticket = self._box.take(test_set, board["design"] if board else self._design, self._now(), self._say)
        told = {"serial": serial, "scanned": serial, "fixtures": list(fixtures), "holder": self._holder}
        told["opened_at"] = self._now().isoformat(timespec="seconds")
        self._ticket = ticket
        self._put(ticket["run"], spool.USE, told)
        more = {"epoch": board["epoch"] if board else 1, "virtual": bool(board and board["virtual"]), "mqtt": None}
        return {**ticket, **more, "draws": [draw for draw in ticket["draws"] if draw["draw"] == 1]}

    def end(self) -> None:
        """Nothing more comes: what was put on disk may be delivered."""
        if self._ticket:
            self._spool.end(self._ticket["run"])

    def send_report(self, token: bytes) -> dict[str, Any]:
        """Put a report on disk; a receipt under the run's key. Raises WriteFailed."""
        self._spool.add(self._ticket["run"], spool.REPORT, token)
        return receipt_for(token, self._ticket["key"])

    def answer(self, run: str, body: Mapping[str, Any]) -> dict[str, Any]:
        """Put answers on disk. Raises WriteFailed."""
        self._put(run, spool.ANSWER, dict(body))
        self._answers += body["answers"]
        return self.get_run(run)

    def draw(self, run: str, test: str) -> dict[str, Any]:
        """The ticket's second draw. Raises WriteFailed."""
        self._put(run, spool.DRAW, {"test": test})
        return self._drawn(test, 2)

    def get_run(self, run: str) -> dict[str, Any]:
        """The run as far as the bench knows it: whether a drawn stimulus was told wrongly, and nothing else."""
        tests = dict.fromkeys(draw["test"] for draw in self._ticket["draws"])
        needs = [{"code": "second-draw", "test": test, "what": "Shown once more."} for test in tests if self._wrong_once(test)]
        return {"run": run, "verdict": NOT_JUDGED, "complete": False, "still_needed": needs}

    def _wrong_once(self, test: str) -> bool:
        given = [answer for answer in self._answers if answer["test"] == test]
        if len(given) != 1:
            return False
        stimulus = self._drawn(test, 1)["stimulus"]
        return plain_answer(given[0].get("text")) != right_answer(stimulus["p"], stimulus)

    def _drawn(self, test: str, number: int) -> dict[str, Any]:
        found: dict[str, Any] = next(d for d in self._ticket["draws"] if (d["test"], d["draw"]) == (test, number))
        return found

    def _put(self, run: str, kind: str, body: Mapping[str, Any]) -> None:
        self._spool.add(run, kind, json.dumps(body).encode())


def receipt_for(token: bytes, key: str) -> dict[str, Any]:
    """The bench's own receipt for a report that lies on its disk, under the run's key (hex)."""
    named = digest(token)
    mac = hmac.new(bytes.fromhex(key), receipt.message(named, NOT_JUDGED), "sha256").hexdigest()
    return {"v": 1, "report": named, "verdict": NOT_JUDGED, "mac": mac}
