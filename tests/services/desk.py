"""What tests of the desk over HTTP share: a certified board, dates, and refusals of the one shape."""

from datetime import timedelta
from typing import Any

from werkzeug.test import TestResponse

from services.service import Trial, is_problem


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
