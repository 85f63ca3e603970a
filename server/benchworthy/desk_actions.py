"""What people do at the desk and the bench, as one table of contents.

Each function opens one unit of work, and everything it does commits together or not at all. `holder` is the opaque code
of whoever asks; it stands on every ledger entry.
"""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from benchworthy.acts import (
    building,
    certifying,
    class_sets,
    enrolling,
    importing,
    lending,
    naming,
    printing,
    requesting,
    revoking,
    telling,
    upkeep,
)
from benchworthy.acts import runs as running
from benchworthy.acts.enrolling import Enrolment
from benchworthy.acts.gather import board_of
from benchworthy.acts.runs import Opening
from benchworthy.desk.check_in import CheckIn
from benchworthy.desk.fitness import Fitness
from benchworthy.history.ledger import Entry
from benchworthy.history.records import Access, Bench, Board, Certificate, Loan, Request, Run
from benchworthy.judging.run import Assessment
from benchworthy.ports import Services
from benchworthy.reports.report import Reading


def enrol(services: Services, wanted: Enrolment, holder: str) -> tuple[Board, str]:
    """A board comes onto the record; its field key is told once."""
    with services.storage.writing() as work:
        return enrolling.enrol(wanted, holder, work, services)


def register_bench(services: Services, name: str, thumbprint: str, jwk: dict[str, Any], holder: str) -> Bench:
    with services.storage.writing() as work:
        return enrolling.register_bench(name, thumbprint, jwk, holder, work, services)


def register_token(services: Services, fingerprint: str, role: str, code: str, days: int | None, holder: str) -> Access:
    with services.storage.writing() as work:
        return enrolling.register_token(fingerprint, role, code, days, holder, work, services)


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
        return importing.enrol_all(lines, holder, work, services)


def changes(services: Services, after: int, limit: int) -> Sequence[telling.Change]:
    """What happened to boards since a number, oldest first."""
    with services.storage.reading() as work:
        return telling.changes(after, limit, work, services)


def tokens(services: Services, after: str, limit: int) -> Sequence[Access]:
    with services.storage.reading() as work:
        return work.registry.accesses(services.site, after, limit)


def revoke_token(services: Services, token: str, holder: str) -> Access:
    """From now on it opens nothing."""
    with services.storage.writing() as work:
        return revoking.token(token, holder, work, services)


def benches(services: Services, after: str, limit: int) -> Sequence[Bench]:
    with services.storage.reading() as work:
        return work.registry.benches(services.site, after, limit)


def revoke_bench(services: Services, thumbprint: str, since: datetime, reason: str, holder: str) -> tuple[Bench, Sequence[str]]:
    """Its key vouches for nothing any more; what it vouched for since then lapses."""
    with services.storage.writing() as work:
        return revoking.bench(thumbprint, since, reason, holder, work, services)


def history(services: Services, serial: str, after: int = 0, limit: int | None = None) -> Sequence[Entry]:
    """The board's chain, or a page of it, oldest first."""
    with services.storage.reading() as work:
        return work.ledger.entries(board_of(serial, work, services).serial, after, limit)


def ask_board(services: Services, serial: str, do: str, holder: str) -> Request:
    """A board in the field is asked to test itself or to show where it is."""
    with services.storage.writing() as work:
        return requesting.ask(serial, do, holder, work, services)


def request(services: Services, serial: str, number: int) -> Request:
    with services.storage.reading() as work:
        return requesting.find(serial, number, work, services)


def field_key(services: Services, serial: str, holder: str) -> requesting.FieldKey:
    """Whoever installs a board gets its own key."""
    with services.storage.writing() as work:
        return requesting.field_key(serial, holder, work, services)


def open_run(services: Services, wanted: Opening, holder: str) -> dict[str, Any]:
    """A person opens a run; the bench gets the run key."""
    with services.storage.writing() as work:
        return running.open_run(wanted, holder, work, services)


def draw_again(services: Services, run: str, test: str, holder: str) -> dict[str, Any]:
    with services.storage.writing() as work:
        return running.draw_again(run, test, holder, work, services)


def answer(services: Services, run: str, answers: tuple[Reading, ...], holder: str, role: str) -> Assessment:
    with services.storage.writing() as work:
        return running.answer(run, answers, holder, role, work, services)


def view_run(services: Services, run: str) -> tuple[Run, Assessment, Mapping[str, Any]]:
    """A run judged as it stands, and what it still needs."""
    with services.storage.reading() as work:
        return running.view(run, work, services)


def close_run(services: Services, run: str, holder: str) -> tuple[Run, Assessment]:
    with services.storage.writing() as work:
        return running.close(run, holder, work, services)


def certify(services: Services, serial: str, run: str | None, holder: str) -> Certificate:
    """Issue a certificate, or tell everything that is unmet."""
    with services.storage.writing() as work:
        return certifying.certify(serial, run, holder, work, services)


def certificate(services: Services, certificate_id: str) -> Certificate:
    with services.storage.reading() as work:
        return certifying.find(certificate_id, work, services)


def results(services: Services, certificate_id: str) -> str:
    """The results document, byte for byte as it was hashed."""
    with services.storage.reading() as work:
        return work.desk.document(certifying.find(certificate_id, work, services).results) or ""


def certificate_on_paper(services: Services, certificate_id: str) -> printing.CertificateText:
    """What its PDF is made from."""
    with services.storage.reading() as work:
        return printing.certificate(certificate_id, work, services)


def labels(services: Services, serials: Sequence[str]) -> tuple[printing.LabelText, ...]:
    """What the labels of these boards say."""
    with services.storage.reading() as work:
        return printing.labels(serials, work, services)


def status_list(services: Services) -> str:
    with services.storage.reading() as work:
        return certifying.status_list(work, services)


def lend(services: Services, serial: str, borrower: str, due: datetime, holder: str) -> Loan:
    with services.storage.writing() as work:
        return lending.lend(serial, borrower, due, holder, work, services)


def take_back(services: Services, serial: str, scanned: str, holder: str) -> Loan:
    with services.storage.writing() as work:
        return lending.take_back(serial, scanned, holder, work, services)


def check_in(services: Services, serial: str, run: str, holder: str) -> CheckIn:
    """Settle a return: fit kept, held, or still returned with the next step."""
    with services.storage.writing() as work:
        return lending.check_in(serial, run, holder, work, services)


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


def lend_set(services: Services, serials: Sequence[str], borrower: str, due: datetime, holder: str) -> tuple[Loan, ...]:
    """A class set goes out together, or stays together."""
    with services.storage.writing() as work:
        return class_sets.lend(serials, borrower, due, holder, work, services)


def take_back_set(services: Services, scanned: Sequence[str], holder: str) -> tuple[Loan, ...]:
    with services.storage.writing() as work:
        return class_sets.take_back(scanned, holder, work, services)


def sign_off(services: Services, serial: str, stage: int, builder: str, holder: str) -> upkeep.Record:
    """A stage of the build is in order."""
    with services.storage.writing() as work:
        building.sign_off(serial, stage, builder, holder, work, services)
        return upkeep.record(serial, work, services)
