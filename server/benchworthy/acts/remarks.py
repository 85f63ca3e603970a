"""What borrowers tell of a board, with the code of their slip or at the desk. It waits until the desk has read it.

A remark changes no state. Its text lies beside the ledger, found by its hash, and so does what came of it.
"""

import hashlib
import math
from collections.abc import Sequence
from datetime import timedelta
from typing import Final

from benchworthy.acts.gather import board_of
from benchworthy.errors import AlreadyRead, TooManyRemarks, UnknownCode, UnknownRemark
from benchworthy.evidence.recording import enter
from benchworthy.history.lending import Remark
from benchworthy.history.records import Board, Loan
from benchworthy.ports import Services, Work

BY_SLIP: Final = "slip"  # stands as the holder of the ledger entry: who wrote it is not known, only which slip it was
MOST: Final = 3
WITHIN: Final = timedelta(hours=24)


def loan_of(code: str, work: Work, services: Services) -> Loan:
    """The loan that lasts and has this code. Raises UnknownCode, in the same words whatever is wrong with it."""
    found = work.lending.open_by_code(_hash(code.upper().replace("-", "").replace(" ", "")))
    board = work.registry.board(found.serial) if found else None
    if found is None or board is None or board.site != services.site:
        raise UnknownCode("This code is not known.")
    return found


def by_slip(code: str, text: str, work: Work, services: Services) -> None:
    """Keep a remark. The same words sent again while they wait are one remark. Raises UnknownCode, TooManyRemarks."""
    loan, now = loan_of(code, work, services), services.now()
    said = work.lending.remarks_by_slip(loan.id)
    if any(remark.waiting and remark.text_hash == _hash(text) for remark in said):
        return
    lately = [remark.at for remark in said if remark.at > now - WITHIN]
    if len(lately) >= MOST:
        wait = math.ceil((lately[-MOST] + WITHIN - now).total_seconds())
        raise TooManyRemarks(f"{MOST} remarks came with this code within a day.", retry_after=max(1, wait))
    _add(board_of(loan.serial, work, services), loan, BY_SLIP, text, BY_SLIP, work, services)


def at_the_desk(board: Board, loan: Loan, text: str, holder: str, work: Work, services: Services) -> int:
    """Keep what the borrower said when the board came back; its number."""
    return _add(board, loan, "desk", text, holder, work, services)


def _add(board: Board, loan: Loan, told_by: str, text: str, by: str, work: Work, services: Services) -> int:
    remark = Remark(0, board.serial, loan.id, told_by, _hash(text), by, services.now())
    number = work.lending.add_remark(remark)
    enter(board, "remark-left", by, {"remark": number, "loan": loan.id}, work, services, text)
    return number


def of_board(serial: str, after: int, limit: int, work: Work, services: Services) -> Sequence[Remark]:
    """Oldest first. Raises UnknownSerial."""
    return work.lending.remarks_of(board_of(serial, work, services).serial, after, limit)


def read(number: int, outcome: str, holder: str, work: Work, services: Services) -> Remark:
    """Somebody has read it and says what came of it. Raises UnknownRemark, AlreadyRead."""
    found = work.lending.remark(number)
    board = work.registry.board(found.serial) if found else None
    if found is None or board is None or board.site != services.site:
        raise UnknownRemark(f"No remark {number} is on record.", remark=number)
    if found.read_at is not None:
        raise AlreadyRead(f"{found.read_by} read remark {number} on {found.read_at:%Y-%m-%d}.", remark=number)
    work.lending.settle(number, holder, services.now(), _hash(outcome))
    enter(board, "remark-read", holder, {"remark": number}, work, services, outcome)
    settled = work.lending.remark(number)
    assert settled is not None
    return settled


def _hash(text: str) -> str:
    """As the ledger hashes a text."""
    return hashlib.sha256(text.encode()).hexdigest()
