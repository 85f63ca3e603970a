"""What the desk does with a board between loans: defects, repairs, holds, reservations, loss and retirement."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from benchworthy.acts.gather import board_of, facts_of
from benchworthy.desk import defects, holds, missing, repairs, reserve, retirement, stages
from benchworthy.desk.depth import Depth
from benchworthy.desk.facts import BoardFacts, LoanFacts, Unmet
from benchworthy.desk.fitness import fitness
from benchworthy.desk.life import Life, RepairFacts, RetirementFacts
from benchworthy.desk.states import Act, State, refusal
from benchworthy.errors import ActRefused
from benchworthy.evidence.recording import enter
from benchworthy.history.records import Board, Hold
from benchworthy.ports import Services, Work


@dataclass(frozen=True, slots=True)
class Record:
    """A board as the desk sees it: its state, its open hold with the number that releases it, what is on record, its build.

    `loan` is the newest one; `check_in` is how deep a return that waits is to be looked at.
    """

    serial: str
    state: State
    hold: Hold | None
    life: Life
    stages: tuple[stages.StageStanding, ...]
    loan: LoanFacts | None = None
    check_in: Depth | None = None


@dataclass(frozen=True, slots=True)
class Repair:
    """A repair as it is told: the part by its reference, its lot, what was seen, and the open defects that it mends."""

    part: str
    lot: str | None
    seen: str
    defects: tuple[int, ...]


def record(serial: str, work: Work, services: Services) -> Record:
    """Raises UnknownSerial."""
    board, facts, state = _at_hand(serial, work, services)
    loan, built = facts.loan, stages.standing(facts, services.find_sheet(board.design))
    waits = Depth(loan.asked, loan.reasons) if loan and loan.asked and facts.awaits_check_in else None
    return Record(serial, state, work.desk.open_hold(serial), facts.life, built, loan, waits)


def report_defect(serial: str, seen: str, holder: str, work: Work, services: Services) -> int:
    """An open defect holds the board at once and lapses its certificate. Raises ActRefused."""
    board, _, state = _at_hand(serial, work, services)
    _allow(Act.DEFECT, refusal(Act.DEFECT, state, serial))
    now = services.now()
    number = work.life.add_defect(serial, seen, holder, now)
    lapsed = list(work.desk.lapse(serial, "LAPSE-DEFECT", now))
    if work.desk.open_hold(serial) is None:
        work.desk.add_hold(serial, "LAPSE-DEFECT", seen, holder, now)
    enter(board, "defect-reported", holder, {"defect": number, "lapsed": lapsed}, work, services, seen)
    return number


def close_defect(serial: str, number: int, holder: str, work: Work, services: Services) -> None:
    """Nothing was found in enough complete runs. Raises ActRefused."""
    board, facts, _ = _at_hand(serial, work, services)
    found = next((defect for defect in facts.life.defects if defect.id == number), None)
    if found is None:
        _allow(Act.DEFECT, repairs.unknown_defects(serial, [number], facts.life))
        return
    full = services.find_sheet(board.design).policy.first_set
    _allow(Act.DEFECT, defects.unmet_to_close(facts, found, full), f"Defect {number} of {serial} stays open: ")
    work.life.close_defects(serial, [number], "no fault found", services.now())
    enter(board, "no-fault-found", holder, {"defect": number}, work, services)


def repair(serial: str, done: Repair, holder: str, work: Work, services: Services) -> None:
    """A repair is recorded: it closes the defects it mends, and lapses the certificate. Raises ActRefused."""
    board, facts, state = _at_hand(serial, work, services)
    parts = services.find_sheet(board.design).parts
    unmet = repairs.unmet_conditions(serial, done.part, parts, done.defects, facts.life)
    _allow(Act.REPAIR, (*refusal(Act.REPAIR, state, serial), *unmet))
    now = services.now()
    made = RepairFacts(done.part, repairs.stage_of(parts[done.part]), now)
    work.life.add_repair(serial, made, done.lot, done.seen, holder)
    work.life.close_defects(serial, done.defects, "repaired", now)
    lapsed = list(work.desk.lapse(serial, "LAPSE-REPAIR", now))
    told = {"part": made.part, "stage": made.stage, "lot": done.lot, "defects": list(done.defects), "lapsed": lapsed}
    enter(board, "repaired", holder, told, work, services, done.seen)


def release(serial: str, hold: int, reason: str, holder: str, role: str, work: Work, services: Services) -> None:
    """A hold ends when its doubt does. Raises ActRefused."""
    board, facts, state = _at_hand(serial, work, services)
    standing = work.desk.open_hold(serial)
    full = services.find_sheet(board.design).policy.first_set
    unmet = holds.unmet_conditions(facts, role, full)
    if standing is not None and standing.id != hold:
        unmet = (
            Unmet("another-hold", f"Hold {standing.id} stands, not {hold}.", str(standing.id), "Release the one that stands."),
        )
    _allow(Act.RELEASE, unmet or refusal(Act.RELEASE, state, serial))
    work.life.release(hold, services.now())
    enter(board, "released", holder, {"hold": hold}, work, services, reason)


def keep_for(serial: str, borrower: str, until: datetime, holder: str, work: Work, services: Services) -> None:
    """Reserve a fit board. Raises ActRefused."""
    board, facts, state = _at_hand(serial, work, services)
    _allow(Act.RESERVE, reserve.unmet_conditions(facts, state, until, services.now()))
    work.life.reserve(serial, borrower, until, holder, services.now())
    enter(board, "reserved", holder, {"borrower": borrower, "until": until.isoformat()}, work, services)


def lose(serial: str, holder: str, role: str, work: Work, services: Services) -> None:
    """Record a board on loan as missing. Raises ActRefused."""
    board, facts, state = _at_hand(serial, work, services)
    _allow(Act.MISS, missing.unmet_conditions(facts, state, role, services.now()))
    work.life.lose(serial, holder, services.now())
    enter(board, "missing", holder, {"loan": facts.loan.id if facts.loan else None}, work, services)


def retire(serial: str, reason: str, for_parts: bool, holder: str, role: str, work: Work, services: Services) -> None:
    """Final. Raises ActRefused."""
    board, facts, state = _at_hand(serial, work, services)
    _allow(Act.RETIRE, retirement.unmet_conditions(facts, state, role))
    now = services.now()
    lapsed = list(work.desk.lapse(serial, "LAPSE-WITHDRAWN", now))
    work.life.end_reservation(serial, now)
    work.life.retire(serial, RetirementFacts(reason, for_parts, now), holder)
    enter(board, "retired", holder, {"for_parts": for_parts, "lapsed": lapsed}, work, services, reason)


def _at_hand(serial: str, work: Work, services: Services) -> tuple[Board, BoardFacts, State]:
    board = board_of(serial, work, services)
    facts = facts_of(board, work, services)
    return board, facts, fitness(facts, services.now()).state


def _allow(act: Act, unmet: Sequence[Unmet], lead: str = "") -> None:
    if unmet:
        told = [{"code": u.code, "what": u.what, "evidence": u.evidence, "next": u.next} for u in unmet]
        raise ActRefused(lead + " ".join(u.what for u in unmet), act=str(act), unmet=told)
