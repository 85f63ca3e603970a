"""What the record says of one board, gathered for a decision. Nothing here is set by hand: it all rests on entries."""

from dataclasses import dataclass
from datetime import datetime

from benchworthy.desk.life import NOTHING, Life
from benchworthy.judging.decision import Verdict


@dataclass(frozen=True, slots=True)
class RunSummary:
    """A run as the desk needs it. `outs` came out, also in a run that nobody closed; `in_limits` did not."""

    id: str
    test_set: str
    opened_at: datetime
    closed_at: datetime | None
    complete: bool
    verdict: Verdict | None
    outs: tuple[str, ...]
    secrets_absent: bool
    modules: tuple[str, ...] = ()
    in_limits: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class CertificateFacts:
    """The newest certificate. `lapse` is None while it is in force apart from its date.

    `lacking` and `worse` are tests that a changed sheet asks for and the run has not, and that it judges worse. `waived` are
    tests that were not in limits and that it names as let go.
    """

    id: str
    run: str
    issued_at: datetime
    valid_until: datetime
    lapse: str | None
    lacking: tuple[str, ...] = ()
    worse: tuple[str, ...] = ()
    waived: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class HoldFacts:
    """An open hold: its code, the reason in a sentence, since when."""

    code: str
    reason: str
    since: datetime


@dataclass(frozen=True, slots=True)
class LoanFacts:
    """The newest loan of the board; the borrower is an opaque code. `asked` is the set that its check-in needs, and why."""

    id: str
    borrower: str
    lent_at: datetime
    due: datetime
    returned_at: datetime | None
    asked: str | None = None
    reasons: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Recall:
    """A recall of a design; it stands until `ended_at`."""

    id: int
    design: str
    reason: str
    by: str
    at: datetime
    ended_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class BoardFacts:
    """Everything a decision about one board rests on, newest run first.

    `open_stages` are the stages of its build that nobody signed yet; empty for a board that is not built stage by stage.
    """

    serial: str
    design: str
    virtual: bool
    module: str | None
    any_evidence: bool
    runs: tuple[RunSummary, ...]
    certificate: CertificateFacts | None
    hold: HoldFacts | None
    loan: LoanFacts | None
    checked_in_at: datetime | None
    repaired_at: datetime | None
    life: Life = NOTHING
    doubts: tuple["Unmet", ...] = ()  # what field evidence says against a certificate in force; they keep no board here
    open_stages: tuple[int, ...] = ()
    reference_since: datetime | None = None
    recall: Recall | None = None  # of its design, while the board's own hold is not entered yet

    @property
    def waived(self) -> frozenset[str]:
        """Tests that a coordinator let go, and the time has not run out."""
        return frozenset(waiver.test for waiver in self.life.waivers)

    @property
    def bench_evidence(self) -> bool:
        """Whether anything has arrived in a run; an empty run is no evidence."""
        return any(run.verdict is not None for run in self.runs)

    @property
    def on_loan(self) -> bool:
        return self.loan is not None and self.loan.returned_at is None

    @property
    def awaits_check_in(self) -> bool:
        """Returned, and not looked at since."""
        if self.loan is None or self.loan.returned_at is None:
            return False
        return self.checked_in_at is None or self.checked_in_at < self.loan.returned_at


@dataclass(frozen=True, slots=True)
class Unmet:
    """A condition that is not met: stable code, what is wrong, what it rests on, what to do next."""

    code: str
    what: str
    evidence: str
    next: str
