"""What is on record of boards, benches, runs and evidence: plain values, as the storage hands them to the core."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from benchworthy.reports.report import Author, EvidenceClass


@dataclass(frozen=True, slots=True)
class Board:
    """A carrier with its label. `module` is the id bound to it in this epoch, None before the first complete run."""

    serial: str
    site: str
    design: str
    virtual: bool
    epoch: int
    module: str | None
    kit_lot: str | None
    inventory_ref: str | None
    enrolled_at: datetime
    version: int
    place: str | None = None
    note: str | None = None
    staged: bool = False  # this house builds it stage by stage


@dataclass(frozen=True, slots=True)
class BoundModule:
    """The module of one epoch of a board: its id (None until a run or a person told it), the run that bound it, since when."""

    epoch: int
    module: str | None
    bound_by_run: str | None
    since: datetime


@dataclass(frozen=True, slots=True)
class Bench:
    """A bench and its public Ed25519 key as JWK text; the thumbprint is its name in key ids."""

    thumbprint: str
    site: str
    name: str
    jwk: str
    holder: str
    added_at: datetime
    revoked_at: datetime | None


@dataclass(frozen=True, slots=True)
class Access:
    """An API token on record: whose it is and what it may do. The secret itself is not stored.

    `scope` narrows what the role allows: "all" does not, "read" changes nothing, "reports" only delivers evidence.
    """

    fingerprint: str
    site: str
    role: str
    holder: str
    created_at: datetime
    expires_at: datetime | None
    revoked_at: datetime | None
    scope: str = "all"


@dataclass(frozen=True, slots=True)
class Run:
    """A run opened by a person. `summary` is the newest assessment in short; `judging` the sheet's hash at opening."""

    id: str
    serial: str
    site: str
    test_set: str
    design: str
    judging: str
    guide: str
    bench: str
    scanned: str
    nonce: str
    opened_by: str
    opened_at: datetime
    expires_at: datetime
    closed_at: datetime | None
    closed_by: str | None
    fixtures: tuple[str, ...]
    summary: Mapping[str, Any]

    def ended_at(self, now: datetime) -> datetime | None:
        """When the run was frozen: closed by a person, or by its expiry; None while it is open."""
        if self.closed_at is not None:
            return self.closed_at
        return self.expires_at if self.expires_at <= now else None


@dataclass(frozen=True, slots=True)
class Evidence:
    """One arrival exactly as received: a signed token, or a person's answer as canonical JSON."""

    digest: str
    serial: str
    run: str | None
    author: Author
    part: int | None
    evidence_class: EvidenceClass
    kid: str
    holder: str
    raw: bytes
    module: str | None
    epoch: int | None
    boot: int | None
    seq: int | None
    arrival: str
    received_at: datetime
    receipt: str


@dataclass(frozen=True, slots=True)
class Certificate:
    """A certificate as issued, and what became of it."""

    id: str
    serial: str
    site: str
    run: str
    token: str
    results: str
    issued_at: datetime
    valid_until: datetime
    issued_by: str
    lapse: str | None
    lapsed_at: datetime | None


@dataclass(frozen=True, slots=True)
class Hold:
    """A hold on a board: the code, the reason in a sentence, who and when."""

    id: int
    serial: str
    code: str
    reason: str
    by: str
    since: datetime
    released_at: datetime | None


@dataclass(frozen=True, slots=True)
class Waiver:
    """A coordinator let one test of one board go until a date, unless it ended before."""

    number: int
    serial: str
    test: str
    reason: str
    by: str
    at: datetime
    until: datetime
    ended_at: datetime | None
    ended_by: str | None

    def in_force(self, now: datetime) -> bool:
        return self.ended_at is None and self.until > now


@dataclass(frozen=True, slots=True)
class Loan:
    """A loan; the borrower is an opaque code.

    `code_hash` is of the slip's code, `accessories` went out with the board. The rest is told at the return: what was
    `counted`, the module if the desk read it, and the set that the check-in needs (`asked`) with its reasons. Loans from
    before these were kept have None.
    """

    id: str
    serial: str
    borrower: str
    lent_by: str
    lent_at: datetime
    due: datetime
    returned_at: datetime | None
    code_hash: str | None = None
    accessories: Mapping[str, int] | None = None
    counted: Mapping[str, int] | None = None
    dropped: bool | None = None
    wet: bool | None = None
    module_read: str | None = None
    returned_by: str | None = None
    asked: str | None = None
    reasons: Sequence[str] | None = None


@dataclass(frozen=True, slots=True)
class Request:
    """What a board in the field was asked to do; `number` rises per board, `letter` is its message in the outbox."""

    serial: str
    number: int
    do: str
    made_at: datetime
    by: str
    letter: int
    sent_at: datetime | None


@dataclass(frozen=True, slots=True)
class Letter:
    """One message waiting in the outbox, sent at least once."""

    id: int
    topic: str
    payload: str
