"""What is on record of loans beside the loan itself: borrowers' remarks, and a loan as lists show it."""

from dataclasses import dataclass
from datetime import datetime

from benchworthy.history.records import Loan


@dataclass(frozen=True, slots=True)
class Remark:
    """What a borrower told of a board, by the slip's code or at the desk. `text` is None once it was erased."""

    id: int
    serial: str
    loan: str
    told_by: str
    text_hash: str
    by: str
    at: datetime
    read_by: str | None = None
    read_at: datetime | None = None
    outcome_hash: str | None = None
    text: str | None = None
    outcome: str | None = None

    @property
    def waiting(self) -> bool:
        return self.read_at is None


@dataclass(frozen=True, slots=True)
class LoanRow:
    """A loan with what its list needs of the board."""

    loan: Loan
    inventory_ref: str | None
    missing: bool
    retired: bool

    @property
    def state(self) -> str:
        if self.loan.returned_at is not None:
            return "returned"
        if self.retired:
            return "retired"
        return "missing" if self.missing else "on loan"


@dataclass(frozen=True, slots=True)
class LoanQuery:
    """Which loans of a site are wanted: open ones, unless `returned` or a state says otherwise. `holder` lent them."""

    site: str
    returned: bool = False
    overdue: bool | None = None
    state: str | None = None
    borrower: str | None = None
    holder: str | None = None
