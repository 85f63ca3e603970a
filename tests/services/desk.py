"""What tests of the desk over HTTP share: a certified board, dates, and refusals of the one shape."""

from datetime import timedelta
from typing import Any

from werkzeug.test import TestResponse

from services import reports
from services.service import Trial, is_problem

COUNTED = dict(reports.SHEET.accessories)  # everything that goes out with a Tarn


def in_days(made: Trial, days: float) -> str:
    return (made.clock() + timedelta(days=days)).isoformat()


def refused(answer: TestResponse, status: int, code: str) -> dict[str, Any]:
    document = is_problem(answer)
    assert (answer.status_code, document["code"]) == (status, code), document
    return document


def certified(made: Trial, body: str) -> str:
    """A board with a certificate in force."""
    serial: str = made.enrol(body)["serial"]
    made.whole_run(serial)
    assert made.certify(serial).status_code == 201
    return serial


def lent(made: Trial, serial: str, borrower: str = "B-204", days: float = 14) -> dict[str, Any]:
    """The loan of a board that goes out with all that belongs to it."""
    body = {"borrower": borrower, "due": in_days(made, days), "accessories": COUNTED}
    loan: dict[str, Any] = made.post(f"/boards/{serial}/loans", body, "desk")
    return loan


def returned(made: Trial, serial: str, **told: Any) -> dict[str, Any]:
    """The answer to a return; everything came back, unless something else is told."""
    back: dict[str, Any] = made.post(f"/boards/{serial}/returns", {"scanned": serial, "accessories": COUNTED, **told}, "desk")
    return back


def checked_in(made: Trial, serial: str, *others: Any, test_set: str = "full") -> dict[str, Any]:
    """The answer to a check-in on a complete run, by default of a sound board."""
    run = made.whole_run(serial, *others, test_set=test_set)["run"]
    settled: dict[str, Any] = made.post(f"/boards/{serial}/check-ins", {"run": run}, "desk")
    return settled


def lent_once(made: Trial, serial: str, borrower: str = "B-204") -> None:
    """The first loan, which always asks for everything, out, back and settled."""
    lent(made, serial, borrower)
    returned(made, serial)
    assert checked_in(made, serial)["outcome"] == "fit kept"
