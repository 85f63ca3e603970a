"""Out of the house: lend a board, print its slip again, list the loans; and hold a board on any doubt."""

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from benchworthy.acts.gather import board_of, facts_of
from benchworthy.acts.printing import remarks_page
from benchworthy.desk import lend as rules
from benchworthy.desk import reserve
from benchworthy.desk.facts import BoardFacts, LoanFacts, Unmet
from benchworthy.desk.fitness import fitness
from benchworthy.desk.overdue import days_over, overdue
from benchworthy.errors import HoldRefused, LoanOver, LoanRefused, UnknownLoan
from benchworthy.evidence.recording import enter
from benchworthy.history.lending import LoanQuery, LoanRow
from benchworthy.history.records import Board, Loan
from benchworthy.ports import Services, Work

_ON_RECORD_AS_MISSING = "The board is on record as missing."


@dataclass(frozen=True, slots=True)
class Going:
    """A board that somebody wants to lend, and what was counted with it."""

    serial: str
    accessories: Mapping[str, int]


@dataclass(frozen=True, slots=True)
class Lent:
    """A loan just made, with the code for its slip."""

    loan: Loan
    slip_code: str


@dataclass(frozen=True, slots=True)
class Slip:
    """What a loan's slip says. `at` is when it was lent, so that the same slip is printed again."""

    serial: str
    design: str
    site: str
    due: date
    code: str
    url: str
    box: tuple[str, ...]
    virtual: bool
    at: datetime


@dataclass(frozen=True, slots=True)
class Listed:
    """A loan as its list shows it; `days` since the due date, and what the desk does next about it, if anything."""

    row: LoanRow
    days: int | None
    overdue: bool
    act: str | None
    step: str | None


def lend(going: Going, borrower: str, due: datetime, holder: str, work: Work, services: Services) -> Lent:
    """Lend a fit board. Raises LoanRefused with every unmet condition."""
    board, _, unmet = look(going, borrower, due, work, services)
    if unmet:
        told = [{"code": u.code, "what": u.what, "evidence": u.evidence, "next": u.next} for u in unmet]
        raise LoanRefused(f"{going.serial} cannot be lent: " + " ".join(u.what for u in unmet), unmet=told)
    return hand_out(board, going, borrower, due, holder, work, services)


def look(
    going: Going, borrower: str, due: datetime, work: Work, services: Services
) -> tuple[Board, BoardFacts, tuple[Unmet, ...]]:
    """The board, what is on record of it, and everything that keeps it from going to this borrower until then."""
    now, board = services.now(), board_of(going.serial, work, services)
    facts = facts_of(board, work, services)
    unmet = rules.unmet_conditions(facts, fitness(facts, now), due, now) + reserve.kept_for_another(facts, borrower, now)
    listed = services.find_sheet(board.design).accessories
    return board, facts, unmet + rules.uncounted(board.serial, listed, going.accessories)


def hand_out(board: Board, going: Going, borrower: str, due: datetime, holder: str, work: Work, services: Services) -> Lent:
    """Put a loan on record that nothing stands against."""
    name, code = _named(work, services)
    now, accessories = services.now(), dict(going.accessories)
    loan = Loan(name, board.serial, borrower, holder, now, due, None, hash_of(code), accessories)
    work.desk.add_loan(loan)
    work.life.end_reservation(board.serial, now)
    facts = {"loan": loan.id, "borrower": borrower, "due": due.isoformat(), "accessories": accessories}
    enter(board, "lent", holder, facts, work, services)
    return Lent(loan, code)


def _named(work: Work, services: Services) -> tuple[str, str]:
    """A new loan's id and code. Two loans that last never have one code, though it has only 36 bits."""
    while True:
        name = f"l-{services.random(8).hex()}"
        code = services.derive_slip_code(name)
        if work.lending.open_by_code(hash_of(code)) is None:
            return name, code


def hash_of(code: str) -> str:
    return hashlib.sha256(code.encode()).hexdigest()


def slip(loan: str, work: Work, services: Services) -> Slip:
    """What the slip of a loan says. Raises UnknownLoan, and LoanOver once the code is dead."""
    found = find(loan, work, services)
    if found.returned_at is not None:
        raise LoanOver(f"Loan {loan} ended on {found.returned_at:%Y-%m-%d}; its code is dead.", loan=loan)
    code = services.derive_slip_code(loan)
    if found.code_hash != hash_of(code):
        raise LoanOver(f"Loan {loan} has no code that this service could print.", loan=loan)
    board = board_of(found.serial, work, services)
    sheet = services.find_sheet(board.design)
    things = found.accessories if found.accessories is not None else sheet.accessories
    box = (f"Board {sheet.title}", *(f"{count} x {name}" for name, count in things.items()))
    due, url = found.due.date(), remarks_page(services)
    return Slip(board.serial, sheet.title, services.site, due, code, url, box, board.virtual, found.lent_at)


def find(loan: str, work: Work, services: Services) -> Loan:
    """Raises UnknownLoan."""
    found = work.lending.loan(loan)
    board = work.registry.board(found.serial) if found else None
    if found is None or board is None or board.site != services.site:
        raise UnknownLoan(f"No loan {loan} is on record.", loan=loan)
    return found


def listed(query: LoanQuery, after: tuple[datetime, str] | None, limit: int, work: Work, services: Services) -> Sequence[Listed]:
    """Loans by due date, each with what the desk does next."""
    now = services.now()
    return [_listed(row, now) for row in work.lending.loans(query, now, after, limit)]


def _listed(row: LoanRow, now: datetime) -> Listed:
    loan = row.loan
    if row.state in ("returned", "retired"):
        return Listed(row, None, False, None, None)
    days = days_over(loan.due, now)
    if row.missing:
        return Listed(row, days, now > loan.due, "missing", _ON_RECORD_AS_MISSING)
    late = overdue(LoanFacts(loan.id, loan.borrower, loan.lent_at, loan.due, loan.returned_at), now)
    return Listed(row, days, now > loan.due, late.act if late else None, late.sentence if late else None)


def hold(serial: str, reason: str, holder: str, work: Work, services: Services) -> None:
    """Hold a board on any doubt. Raises HoldRefused when it is held already."""
    board = board_of(serial, work, services)
    if work.desk.open_hold(serial) is not None:
        raise HoldRefused(f"{serial} is held already.", serial=serial)
    work.desk.add_hold(serial, "held-by-staff", reason, holder, services.now())
    enter(board, "held", holder, {"code": "held-by-staff"}, work, services, reason)
