"""A reference board and its morning checks, as the people of a trial make them."""

from collections.abc import Mapping
from typing import Any

from services import reports
from services.desk import in_days
from services.service import Trial

PLUG, LOADS, RIG, METER = "TP4-0007", "L2-0003", "M1-0001", "MM-02"


def reference(made: Trial, body: str = "REF01", **more: Any) -> str:
    """The first reference board of the house: its record rests on fixtures that nobody has checked yet."""
    serial: str = made.enrol(body, **more)["serial"]
    made.whole_run(serial)
    made.post(f"/boards/{serial}/reference", {"reason": "known good for years", "bootstrap": True}, "coordinator")
    return serial


def calibrated_meter(made: Trial) -> None:
    paper = {"calibrated_until": in_days(made, 300), "certificate_no": "K-77", "seen": "paper of a laboratory"}
    made.post(f"/fixtures/{METER}/checks", paper, "coordinator")


def checked(made: Trial, fixture: str, serial: str, *others: Mapping[str, Any]) -> dict[str, Any]:
    """A plug run on the reference board, and what its check says of one fixture; `others` are readings that differ."""
    run = made.whole_run(serial, *others, test_set="plug")["run"]
    answer: dict[str, Any] = made.post(f"/fixtures/{fixture}/checks", {"run": run})
    return answer


def morning(made: Trial, serial: str) -> None:
    """Every fixture of the trial is vouched for."""
    run = made.whole_run(serial, test_set="plug")["run"]
    for fixture in (PLUG, LOADS, RIG):
        assert made.post(f"/fixtures/{fixture}/checks", {"run": run})["check"]["good"] is True
    calibrated_meter(made)


def low_level(test: str = "SNS-S2") -> dict[str, Any]:
    """The test's last level is far too low: what a shorted resistor in the plug does."""
    return reports.scaled(test, reports.SHEET.tests[test].steps[-1], 0.8)
