"""Evidence read back in rows: values of tests, reports, and check-ins that failed."""

from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, slots=True)
class Value:
    """One quantity of one test in one report, as it was judged when it came. `judging` is the sheet's hash of then.

    value and expanded (U, k = 2) are in `unit`; None for a test that yields no number, was not run or ended in an error.
    """

    serial: str
    at: datetime
    report: str
    run: str | None
    evidence_class: str
    author: str
    test: str
    quantity: str
    value: float | None
    expanded: float | None
    unit: str | None
    verdict: str
    judging: str


@dataclass(frozen=True, slots=True)
class ReportLine:
    """One arrival without its readings. People's answers are arrivals too; they have no verdict of their own."""

    serial: str
    at: datetime
    report: str
    author: str
    evidence_class: str
    run: str | None
    part: int | None
    holder: str
    arrival: str
    module: str | None
    epoch: int | None
    boot: int | None
    seq: int | None
    verdict: str | None


@dataclass(frozen=True, slots=True)
class FailedCheckIn:
    """A returned board that was held at its check-in, and why."""

    number: int
    serial: str
    inventory_ref: str | None
    design: str
    virtual: bool
    at: datetime
    by: str
    run: str
    reason: str


# Where a page of evidence ended: the moment, and what tells rows of one moment apart.
Place = tuple[datetime, str, str, str]
