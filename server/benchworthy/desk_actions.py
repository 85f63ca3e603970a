"""What people do at the desk and the bench, as one table of contents.

Each function opens one unit of work, and everything it does commits together or not at all. `holder` is the opaque code
of whoever asks; it stands on every ledger entry.
"""

from collections.abc import Mapping, Sequence
from datetime import datetime

from benchworthy.acts import (
    building,
    class_sets,
    enrolling,
    importing,
    lending,
    modules,
    naming,
    printing,
    returning,
    standing_kept,
    telling,
    upkeep,
    waiving,
)
from benchworthy.acts import remarks as remarking
from benchworthy.acts.enrolling import Enrolment
from benchworthy.acts.gather import board_of
from benchworthy.acts.lending import Going, Lent
from benchworthy.acts.returning import Back, TakenBack
from benchworthy.desk.check_in import CheckIn
from benchworthy.desk.fitness import Fitness
from benchworthy.desk.modules import Swap
from benchworthy.history.ledger import Entry
from benchworthy.history.lending import LoanQuery, Remark
from benchworthy.history.records import Board, BoundModule, Waiver
from benchworthy.ports import Services


def enrol(services: Services, wanted: Enrolment, holder: str) -> tuple[Board, str]:
    """A board comes onto the record; its field key is told once."""
    with services.storage.writing() as work:
        return enrolling.enrol(wanted, holder, work, services)


def fitness(services: Services, serial: str) -> tuple[Board, Fitness]:
    """Fit or not, with every unmet condition."""
    with services.storage.reading() as work:
        return enrolling.fitness_of(serial, work, services)


def change_board(services: Services, serial: str, version: int, values: Mapping[str, str | None], holder: str) -> Board:
    """The names others give a board, changed by somebody who has seen the ones before."""
    with services.storage.writing() as work:
        return naming.change(serial, version, values, holder, work, services)


def import_boards(services: Services, lines: Sequence[importing.Line], dry: bool, holder: str) -> importing.Told:
    """A whole fleet at once, or nothing of it; dry, only what would happen."""
    if dry:
        with services.storage.reading() as work:
            return importing.look(lines, work, services)
    with services.storage.writing() as work:
        told = importing.enrol_all(lines, holder, work, standing_kept.of_many(services))
    standing_kept.catch_up(services)
    return told


def changes(services: Services, after: int, limit: int) -> Sequence[telling.Change]:
    """What happened to boards since a number, oldest first."""
    with services.storage.reading() as work:
        return telling.changes(after, limit, work, services)


def history(services: Services, serial: str, after: int = 0, limit: int | None = None) -> Sequence[Entry]:
    """The board's chain, or a page of it, oldest first."""
    with services.storage.reading() as work:
        return work.ledger.entries(board_of(serial, work, services).serial, after, limit)


def labels(services: Services, serials: Sequence[str]) -> tuple[printing.LabelText, ...]:
    """What the labels of these boards say."""
    with services.storage.reading() as work:
        return printing.labels(serials, work, services)


def swap_module(services: Services, told: Swap, holder: str) -> modules.Swapped:
    """Another module under the same serial number; its field key is told once."""
    with services.storage.writing() as work:
        return modules.swap(told, holder, work, services)


def modules_of(services: Services, serial: str, after: int, limit: int) -> Sequence[BoundModule]:
    with services.storage.reading() as work:
        return modules.listed(serial, after, limit, work, services)


def lend(services: Services, going: Going, borrower: str, due: datetime, holder: str) -> Lent:
    with services.storage.writing() as work:
        return lending.lend(going, borrower, due, holder, work, services)


def take_back(services: Services, serial: str, back: Back, holder: str) -> TakenBack:
    """The board stands here again, and the return says how deep it is looked at."""
    with services.storage.writing() as work:
        return returning.take_back(serial, back, holder, work, services)


def loans(services: Services, query: LoanQuery, after: tuple[datetime, str] | None, limit: int) -> Sequence[lending.Listed]:
    with services.storage.reading() as work:
        return lending.listed(query, after, limit, work, services)


def slips(services: Services, loans: Sequence[str]) -> tuple[lending.Slip, ...]:
    """What the slips of loans that last say."""
    with services.storage.reading() as work:
        return tuple(lending.slip(loan, work, services) for loan in loans)


def leave_remark(services: Services, code: str, text: str) -> None:
    """A borrower tells something. A wrong code is told by reading alone: whoever guesses keeps nobody from writing."""
    with services.storage.reading() as work:
        remarking.loan_of(code, work, services)
    with services.storage.writing() as work:
        remarking.by_slip(code, text, work, services)


def remarks(services: Services, serial: str, after: int, limit: int) -> Sequence[Remark]:
    with services.storage.reading() as work:
        return remarking.of_board(serial, after, limit, work, services)


def read_remark(services: Services, number: int, outcome: str, holder: str) -> Remark:
    with services.storage.writing() as work:
        return remarking.read(number, outcome, holder, work, services)


def check_in(services: Services, serial: str, run: str, holder: str) -> CheckIn:
    """Settle a return: fit kept, held, or still returned with the next step."""
    with services.storage.writing() as work:
        return returning.check_in(serial, run, holder, work, services)


def hold(services: Services, serial: str, reason: str, holder: str) -> None:
    with services.storage.writing() as work:
        lending.hold(serial, reason, holder, work, services)


def record(services: Services, serial: str) -> upkeep.Record:
    """The board's state and what the desk has on record of it."""
    with services.storage.reading() as work:
        return upkeep.record(serial, work, services)


def report_defect(services: Services, serial: str, seen: str, holder: str) -> upkeep.Record:
    with services.storage.writing() as work:
        upkeep.report_defect(serial, seen, holder, work, services)
        return upkeep.record(serial, work, services)


def close_defect(services: Services, serial: str, number: int, holder: str) -> upkeep.Record:
    """No fault found."""
    with services.storage.writing() as work:
        upkeep.close_defect(serial, number, holder, work, services)
        return upkeep.record(serial, work, services)


def repair(services: Services, serial: str, done: upkeep.Repair, holder: str) -> upkeep.Record:
    with services.storage.writing() as work:
        upkeep.repair(serial, done, holder, work, services)
        return upkeep.record(serial, work, services)


def release(services: Services, serial: str, number: int, reason: str, holder: str, role: str) -> upkeep.Record:
    """A hold ends."""
    with services.storage.writing() as work:
        upkeep.release(serial, number, reason, holder, role, work, services)
        return upkeep.record(serial, work, services)


def keep_for(services: Services, serial: str, borrower: str, until: datetime, holder: str) -> upkeep.Record:
    """A reservation."""
    with services.storage.writing() as work:
        upkeep.keep_for(serial, borrower, until, holder, work, services)
        return upkeep.record(serial, work, services)


def lose(services: Services, serial: str, holder: str, role: str) -> upkeep.Record:
    """A board on loan is missing."""
    with services.storage.writing() as work:
        upkeep.lose(serial, holder, role, work, services)
        return upkeep.record(serial, work, services)


def retire(services: Services, serial: str, reason: str, for_parts: bool, holder: str, role: str) -> upkeep.Record:
    with services.storage.writing() as work:
        upkeep.retire(serial, reason, for_parts, holder, role, work, services)
        return upkeep.record(serial, work, services)


def lend_set(services: Services, going: Sequence[Going], borrower: str, due: datetime, holder: str) -> tuple[Lent, ...]:
    """A class set goes out together, or stays together."""
    with services.storage.reading() as work:
        seen = class_sets.look_out(going, borrower, due, work, services)
    with services.storage.writing() as work:
        lent = class_sets.lend(going, seen, borrower, due, holder, work, standing_kept.of_many(services))
    standing_kept.catch_up(services)
    return lent


def take_back_set(services: Services, back: Sequence[Back], holder: str) -> tuple[TakenBack, ...]:
    with services.storage.reading() as work:
        seen = class_sets.look_back(back, work, services)
    with services.storage.writing() as work:
        taken = class_sets.take_back(back, seen, holder, work, standing_kept.of_many(services))
    standing_kept.catch_up(services)
    return taken


def sign_off(services: Services, serial: str, stage: int, builder: str, holder: str) -> upkeep.Record:
    """A stage of the build is in order."""
    with services.storage.writing() as work:
        building.sign_off(serial, stage, builder, holder, work, services)
        return upkeep.record(serial, work, services)


def waive(services: Services, serial: str, test: str, reason: str, until: datetime, holder: str, role: str) -> Waiver:
    """A coordinator lets one test go for a while."""
    with services.storage.writing() as work:
        return waiving.waive(serial, test, reason, until, holder, role, work, services)


def end_waiver(services: Services, number: int, holder: str) -> Waiver:
    """The test counts again; a certificate that rests on the waiver lapses."""
    with services.storage.writing() as work:
        return waiving.end(number, holder, work, services)


def waivers(services: Services, serial: str, after: int, limit: int) -> Sequence[Waiver]:
    with services.storage.reading() as work:
        return waiving.of_board(serial, after, limit, work, services)
