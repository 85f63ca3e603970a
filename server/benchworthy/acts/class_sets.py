"""A class set in one call: all boards go out or come back together, or one list says what is wrong with which."""

from collections import Counter
from collections.abc import Callable, Sequence
from datetime import datetime

from benchworthy.acts import lending, returning
from benchworthy.acts.gather import board_of, facts_of
from benchworthy.acts.lending import Going, Lent
from benchworthy.acts.returning import Back, TakenBack
from benchworthy.desk.facts import BoardFacts, Unmet
from benchworthy.errors import LoanRefused, ReturnRefused, UnknownSerial
from benchworthy.history.records import Board
from benchworthy.ports import Services, Work

MOST = 20


def lend(going: Sequence[Going], borrower: str, due: datetime, holder: str, work: Work, services: Services) -> tuple[Lent, ...]:
    """Lend all of them to one borrower. Raises LoanRefused with every unmet condition of every board."""
    found: dict[str, Board] = {}
    counted = {one.serial: one for one in going}

    def against(serial: str) -> tuple[Unmet, ...]:
        found[serial], unmet = lending.look(counted[serial], borrower, due, work, services)
        return unmet

    serials = [one.serial for one in going]
    if unmet := _each(serials, against):
        raise LoanRefused(_lead(serials, unmet, "lent"), unmet=unmet)
    return tuple(lending.hand_out(found[one.serial], one, borrower, due, holder, work, services) for one in going)


def take_back(back: Sequence[Back], holder: str, work: Work, services: Services) -> tuple[TakenBack, ...]:
    """End the loans of all boards whose labels were scanned. Raises ReturnRefused with one list of what is wrong."""
    found: dict[str, tuple[Board, BoardFacts]] = {}

    def against(serial: str) -> tuple[Unmet, ...]:
        board = board_of(serial, work, services)
        found[serial] = (board, facts_of(board, work, services))
        told = returning.against(found[serial][1])
        return (Unmet("not-on-loan", told, serial, "Leave it out, and see where it belongs."),) if told else ()

    serials = [one.scanned for one in back]
    if unmet := _each(serials, against):
        raise ReturnRefused(_lead(serials, unmet, "taken back"), unmet=unmet)
    return tuple(returning.put_back(*found[one.scanned], one, holder, work, services) for one in back)


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
