"""A class set in one call: all boards go out or come back together, or one list says what is wrong with which."""

from collections import Counter
from collections.abc import Callable, Sequence
from datetime import datetime

from benchworthy.acts import lending
from benchworthy.acts.gather import board_of
from benchworthy.desk.facts import Unmet
from benchworthy.errors import LoanRefused, ReturnRefused, UnknownSerial
from benchworthy.history.records import Loan
from benchworthy.ports import Services, Work

MOST = 20


def lend(serials: Sequence[str], borrower: str, due: datetime, holder: str, work: Work, services: Services) -> tuple[Loan, ...]:
    """Lend all of them to one borrower. Raises LoanRefused with every unmet condition of every board."""
    unmet = _each(serials, lambda serial: lending.against(serial, borrower, due, work, services))
    if unmet:
        raise LoanRefused(_lead(serials, unmet, "lent"), unmet=unmet)
    return tuple(lending.lend(serial, borrower, due, holder, work, services) for serial in serials)


def take_back(scanned: Sequence[str], holder: str, work: Work, services: Services) -> tuple[Loan, ...]:
    """End the loans of all boards whose labels were scanned. Raises ReturnRefused with one list of what is wrong."""
    unmet = _each(scanned, lambda serial: _not_out(serial, work, services))
    if unmet:
        raise ReturnRefused(_lead(scanned, unmet, "taken back"), unmet=unmet)
    return tuple(lending.take_back(serial, serial, holder, work, services) for serial in scanned)


def _not_out(serial: str, work: Work, services: Services) -> tuple[Unmet, ...]:
    loan = work.desk.newest_loan(board_of(serial, work, services).serial)
    if loan is not None and loan.returned_at is None:
        return ()
    return (Unmet("not-on-loan", f"{serial} is not on loan.", serial, "Leave it out, and see where it belongs."),)


def _each(serials: Sequence[str], against: Callable[[str], tuple[Unmet, ...]]) -> list[dict[str, str]]:
    """What is wrong with each board, in the order of the list; a board named twice is told once."""
    told: list[dict[str, str]] = []
    for serial, times in Counter(serials).items():
        unmet = _known(serial, against)
        if times > 1:
            unmet += (Unmet("named-twice", f"{serial} stands in the list {times} times.", serial, "Scan each label once."),)
        told += [{"serial": serial, "code": u.code, "what": u.what, "evidence": u.evidence, "next": u.next} for u in unmet]
    return told


def _known(serial: str, against: Callable[[str], tuple[Unmet, ...]]) -> tuple[Unmet, ...]:
    try:
        return against(serial)
    except UnknownSerial as fault:
        return (Unmet(fault.code, fault.detail, serial, fault.advice),)


def _lead(serials: Sequence[str], unmet: Sequence[dict[str, str]], done: str) -> str:
    wrong = list(dict.fromkeys(item["serial"] for item in unmet))
    return f"None of the {len(serials)} boards was {done}; something stands against {', '.join(wrong)}."
