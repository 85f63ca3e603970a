"""What the core needs from outside, as protocols. Adapters stand in intake, storage and keys."""

from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Protocol

from benchworthy.designs.agent_release import AgentRelease
from benchworthy.designs.sheet import Sheet
from benchworthy.history.answers import KeptAnswer
from benchworthy.history.ledger import Entry
from benchworthy.history.records import Access, Bench, Board, Certificate, Evidence, Hold, Letter, Loan, Request, Run
from benchworthy.judging.draws import Draw
from benchworthy.judging.findings import Finding
from benchworthy.judging.tests import Outcome
from benchworthy.reports.report import Author, Report
from benchworthy.reports.token import KeyId


class Verifier(Protocol):
    """Checks signatures by key id and makes the receipts' codes. Keys never leave it."""

    def verify(self, raw: bytes, key: KeyId, material: Mapping[str, str]) -> None:
        """Raise ReportSignatureBad unless `raw` was signed by `key`.

        `material` holds what the record says about the key: `nonce` for a run key, `jwk` (public, JSON) for a bench key.
        """

    def receipt_code(self, key: KeyId, material: Mapping[str, str], message: bytes) -> str:
        """HMAC-SHA256 in hex under the key that signed the report; empty for a bench key."""


class Signer(Protocol):
    """Signs certificates and status lists with the site's Ed25519 key."""

    @property
    def thumbprint(self) -> str:
        """RFC 7638 thumbprint of the public key; it is the `kid`."""

    def sign(self, type_name: str, claims: Mapping[str, Any]) -> str:
        """Return a JWS in compact form, alg Ed25519 (RFC 8037, RFC 9864)."""

    def jwks(self) -> dict[str, Any]:
        """The public keys, RFC 7517."""


class Registry(Protocol):
    """Boards, modules, benches, tokens, fixtures."""

    def board(self, serial: str) -> Board | None: ...
    def boards(self, site: str, after: str, limit: int) -> Sequence[Board]: ...
    def by_inventory_ref(self, reference: str) -> Board | None: ...
    def add_board(self, board: Board) -> None: ...
    def bind_module(self, serial: str, epoch: int, module: str, run: str | None, at: datetime) -> None: ...
    def change_board(self, serial: str, version: int, values: Mapping[str, str | None]) -> bool:
        """Change the names others give a board; False, and nothing changed, when its row has another version."""

    def bench(self, thumbprint: str) -> Bench | None: ...
    def add_bench(self, bench: Bench) -> None: ...
    def access(self, fingerprint: str) -> Access | None: ...
    def add_access(self, access: Access) -> None: ...
    def any_access(self) -> bool: ...
    def accesses(self, site: str, after: str, limit: int) -> Sequence[Access]: ...
    def benches(self, site: str, after: str, limit: int) -> Sequence[Bench]: ...
    def revoke_access(self, fingerprint: str, at: datetime) -> None: ...
    def revoke_bench(self, thumbprint: str, at: datetime) -> None: ...
    def ensure_fixture(self, serial: str, kind: str, site: str, at: datetime) -> None: ...


class Runs(Protocol):
    """Runs, their draws and their short summary."""

    def add(self, run: Run) -> None: ...
    def find(self, run: str) -> Run | None: ...
    def of_board(self, serial: str) -> Sequence[Run]: ...
    def close(self, run: str, at: datetime, by: str) -> None: ...
    def summarise(self, run: str, summary: Mapping[str, Any]) -> None: ...
    def add_draw(self, run: str, draw: Draw, at: datetime) -> None: ...
    def draws(self, run: str) -> tuple[Draw, ...]: ...


class EvidenceStore(Protocol):
    """Evidence as received, verdicts, findings, refusals and the outbox."""

    def find(self, digest: str) -> Evidence | None: ...
    def of_run(self, run: str) -> Sequence[Evidence]: ...
    def of_board(self, serial: str, limit: int) -> Sequence[Evidence]: ...
    def counters_used(self, serial: str, epoch: int, boot: int, seq: int) -> bool: ...
    def add(self, evidence: Evidence) -> None: ...
    def add_verdicts(self, digest: str, judging: str, outcomes: Sequence[Outcome]) -> None: ...
    def add_findings(self, serial: str, run: str | None, digest: str | None, found: Sequence[Finding], at: datetime) -> None: ...
    def findings(self, serial: str) -> Sequence[tuple[str, str, str | None]]: ...
    def refuse(self, site: str, arrival: str, digest: str, size: int, code: str, at: datetime) -> None: ...
    def post(self, site: str, topic: str, payload: str, at: datetime) -> int:
        """Put a message into the outbox; its number there."""

    def unsent(self, site: str, limit: int) -> Sequence[Letter]: ...
    def sent(self, letters: Sequence[int], at: datetime) -> None: ...


class Requests(Protocol):
    """What boards in the field were asked to do."""

    def last_number(self, serial: str) -> int: ...
    def add(self, request: Request) -> None: ...
    def find(self, serial: str, number: int) -> Request | None: ...


class Ledger(Protocol):
    """The chains."""

    def last(self, chain: str) -> Entry | None: ...
    def latest(self, *chains: str) -> str | None:
        """The latest time in these chains, those left aside that an entry CLOCK_RIGHT among them calls wrong.

        The last entry may bear an earlier time than others: it was written with a clock set back.
        """

    def add(self, entry: Entry, text: str | None) -> None: ...
    def entries(self, chain: str, after: int = 0, limit: int | None = None) -> Sequence[Entry]: ...
    def changes(self, site: str, kinds: Sequence[str], after: int, limit: int) -> Sequence[tuple[int, Entry]]:
        """Entries of these kinds about this site's boards, each with its number over all chains, oldest first."""


class Desk(Protocol):
    """Certificates, holds, loans, check-ins."""

    def add_document(self, sha256: str, body: str) -> None: ...
    def document(self, sha256: str) -> str | None: ...
    def add_certificate(self, certificate: Certificate) -> None: ...
    def certificate(self, certificate: str) -> Certificate | None: ...
    def newest_certificate(self, serial: str) -> Certificate | None: ...
    def certificates_of(self, site: str) -> Sequence[Certificate]: ...
    def resting_on(self, bench: str, since: datetime) -> Sequence[Certificate]:
        """Certificates not lapsed yet whose run was opened at this bench since then."""

    def lapse_each(self, certificates: Sequence[str], code: str, at: datetime) -> None: ...
    def lapse(self, serial: str, code: str, at: datetime) -> Sequence[str]: ...
    def open_hold(self, serial: str) -> Hold | None: ...
    def add_hold(self, serial: str, code: str, reason: str, by: str, at: datetime) -> None: ...
    def newest_loan(self, serial: str) -> Loan | None: ...
    def add_loan(self, loan: Loan) -> None: ...
    def end_loan(self, loan: str, at: datetime) -> None: ...
    def add_check_in(self, serial: str, run: str, outcome: str, sentence: str, by: str, at: datetime) -> None: ...
    def last_check_in(self, serial: str) -> datetime | None: ...


class Answers(Protocol):
    """What was answered to requests that carried an Idempotency-Key."""

    def find(self, name: str, since: datetime) -> KeptAnswer | None: ...
    def keep(self, answer: KeptAnswer, since: datetime) -> None:
        """Keep an answer, and forget those from before `since`."""


class Work(Protocol):
    """One unit of work: one transaction, made for one use and never shared between threads."""

    @property
    def registry(self) -> Registry: ...
    @property
    def runs(self) -> Runs: ...
    @property
    def evidence(self) -> EvidenceStore: ...
    @property
    def requests(self) -> Requests: ...
    @property
    def ledger(self) -> Ledger: ...
    @property
    def desk(self) -> Desk: ...
    @property
    def answers(self) -> Answers: ...


class Storage(Protocol):
    """Opens units of work. A writing one commits when its block ends and rolls back when it raises."""

    def writing(self) -> AbstractContextManager[Work]:
        """Raises StorageBusy when the lock cannot be had."""

    def reading(self) -> AbstractContextManager[Work]: ...


@dataclass(frozen=True, slots=True)
class Broker:
    """Where a board at a bench finds the broker; its password is derived per board and epoch."""

    host: str
    port: int
    ca: str | None = None  # DER of the authority that signed the broker's certificate, in base64; boards then use TLS


@dataclass(frozen=True, slots=True)
class Services:
    """Everything the pipeline and the desk need, handed in. `signer` is None in the listener, which holds no key."""

    site: str
    storage: Storage
    verifier: Verifier
    signer: Signer | None
    read_report: Callable[[bytes], Report]
    find_sheet: Callable[[str], Sheet]
    agent: AgentRelease
    now: Callable[[], datetime]
    random: Callable[[int], bytes]
    derive_run_key: Callable[[str, str], str]
    derive_field_key: Callable[[str, int], str]
    derive_broker_password: Callable[[str, int], str]
    broker: Broker | None
    public_url: str  # where others find this service; stands in printed codes, no slash at its end
    field_network: bool = False  # whether boards of this site may keep Wi-Fi and broker passwords in their flash


__all__ = ["Author", "Broker", "Services", "Storage", "Work"]
