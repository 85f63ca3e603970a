"""A coordinator lets a test of one board go, or ends that; a certificate that rests on it ends with it."""

from collections.abc import Sequence
from datetime import datetime

from benchworthy.acts.gather import board_of, facts_of
from benchworthy.desk import waivers
from benchworthy.desk.fitness import fitness
from benchworthy.desk.states import Act, refusal
from benchworthy.errors import ActRefused, UnknownWaiver
from benchworthy.evidence.recording import enter
from benchworthy.history.records import Waiver
from benchworthy.ports import Services, Work

LAPSE = "LAPSE-WAIVER"
_MOST = 2**53  # larger numbers are none that a database gave out


def waive(serial: str, test: str, reason: str, until: datetime, holder: str, role: str, work: Work, services: Services) -> Waiver:
    """Let a test go until a date. Raises ActRefused."""
    board, now = board_of(serial, work, services), services.now()
    facts, sheet = facts_of(board, work, services), services.find_sheet(board.design)
    unmet = [
        *refusal(Act.WAIVE, fitness(facts, now).state, serial),
        *waivers.unmet_conditions(test, sheet.tests, facts.waived, until, now, role),
    ]
    if unmet:
        told = [{"code": u.code, "what": u.what, "evidence": u.evidence, "next": u.next} for u in unmet]
        raise ActRefused(" ".join(u.what for u in unmet), act=str(Act.WAIVE), unmet=told)
    number = work.waivers.add(serial, test, reason, until, holder, now)
    enter(board, "waived", holder, {"waiver": number, "test": test, "until": until.isoformat()}, work, services, reason)
    return _find(number, work, services)


def end(number: int, holder: str, work: Work, services: Services) -> Waiver:
    """From now on the test counts again. Raises UnknownWaiver, ActRefused."""
    found, now = _find(number, work, services), services.now()
    if not found.in_force(now):
        when = found.ended_at or found.until
        what = f"Waiver {number} ended on {when:%Y-%m-%d}."
        told = {"code": "waiver-ended", "what": what, "evidence": str(number), "next": "There is nothing to end."}
        raise ActRefused(what, act="end a waiver", unmet=[told])
    lapsed = list(work.waivers.resting_on(number))
    work.waivers.end(number, holder, now)
    work.desk.lapse_each(lapsed, LAPSE, now)
    board = board_of(found.serial, work, services)
    enter(board, "waiver-ended", holder, {"waiver": number, "test": found.test, "lapsed": lapsed}, work, services)
    return _find(number, work, services)


def of_board(serial: str, after: int, limit: int, work: Work, services: Services) -> Sequence[Waiver]:
    """All waivers of a board, ended ones too, oldest first. Raises UnknownSerial."""
    return work.waivers.of_board(board_of(serial, work, services).serial, after, limit)


def _find(number: int, work: Work, services: Services) -> Waiver:
    found = work.waivers.find(number) if number <= _MOST else None
    board = work.registry.board(found.serial) if found else None
    if found is None or board is None or board.site != services.site:
        raise UnknownWaiver(f"No waiver {number} is on record.", waiver=number)
    return found
