"""A class set in one call: all boards go out or come back together, or one list says what is wrong with which.

Looking at twenty boards takes longer than a write transaction may last, so it is done before one, and done again inside only
if something happened to one of them meanwhile.
"""

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
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


@dataclass(frozen=True, slots=True)
class Seen:
    """Boards that nothing stands against, and how long their chains were when that was seen."""

    boards: Mapping[str, tuple[Board, BoardFacts]]
    heads: Mapping[str, int]

    def still_holds(self, work: Work) -> bool:
        """Whether nothing has happened to these boards since: whatever happens enters the ledger."""
        return work.ledger.heads(list(self.boards)) == self.heads


def look_out(going: Sequence[Going], borrower: str, due: datetime, work: Work, services: Services) -> Seen:
    """Raises LoanRefused with every unmet condition of every board."""
    counted = {one.serial: one for one in going}

    def look(serial: str) -> tuple[Board, BoardFacts, tuple[Unmet, ...]]:
        return lending.look(counted[serial], borrower, due, work, services)

    seen, unmet = _each([one.serial for one in going], look, work)
    if unmet:
        raise LoanRefused(_lead(len(going), unmet, "lent"), unmet=unmet)
    return seen


def lend(
    going: Sequence[Going], seen: Seen, borrower: str, due: datetime, holder: str, work: Work, services: Services
) -> tuple[Lent, ...]:
    """Lend all of them to one borrower. What was seen before this transaction is looked at again if anything happened since."""
    if not seen.still_holds(work):
        seen = look_out(going, borrower, due, work, services)
    return tuple(lending.hand_out(seen.boards[one.serial][0], one, borrower, due, holder, work, services) for one in going)


def look_back(back: Sequence[Back], work: Work, services: Services) -> Seen:
    """Raises ReturnRefused with one list of what is wrong."""

    def look(serial: str) -> tuple[Board, BoardFacts, tuple[Unmet, ...]]:
        board = board_of(serial, work, services)
        facts = facts_of(board, work, services)
        told = returning.against(facts)
        unmet = Unmet("not-on-loan", told, serial, "Leave it out, and see where it belongs.")
        return board, facts, (unmet,) if told else ()

    seen, unmet = _each([one.scanned for one in back], look, work)
    if unmet:
        raise ReturnRefused(_lead(len(back), unmet, "taken back"), unmet=unmet)
    return seen


def take_back(back: Sequence[Back], seen: Seen, holder: str, work: Work, services: Services) -> tuple[TakenBack, ...]:
    """End the loans of all boards whose labels were scanned; as for lending, only what has not changed is taken as seen."""
    if not seen.still_holds(work):
        seen = look_back(back, work, services)
    return tuple(returning.put_back(*seen.boards[one.scanned], one, holder, work, services) for one in back)


Look = Callable[[str], tuple[Board, BoardFacts, tuple[Unmet, ...]]]


def _each(serials: Sequence[str], look: Look, work: Work) -> tuple[Seen, list[dict[str, str]]]:
    """The boards as seen, and what is wrong with each, in the order of the list; a board named twice is told once."""
    heads, told = work.ledger.heads(serials), list[dict[str, str]]()  # heads first: what happens later is then seen to have
    boards: dict[str, tuple[Board, BoardFacts]] = {}
    for serial, times in Counter(serials).items():
        try:
            board, facts, unmet = look(serial)
            boards[serial] = (board, facts)
        except UnknownSerial as fault:
            unmet = (Unmet(fault.code, fault.detail, serial, fault.advice),)
        if times > 1:
            unmet += (Unmet("named-twice", f"{serial} stands in the list {times} times.", serial, "Scan each label once."),)
        told += [{"serial": serial, "code": u.code, "what": u.what, "evidence": u.evidence, "next": u.next} for u in unmet]
    return Seen(boards, heads), told


def _lead(number: int, unmet: Sequence[dict[str, str]], done: str) -> str:
    wrong = list(dict.fromkeys(item["serial"] for item in unmet))
    return f"None of the {number} boards was {done}; something stands against {', '.join(wrong)}."
