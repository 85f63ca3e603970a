"""What people do with fixtures, reference boards and whole designs: a second table of contents beside desk_actions.

Each function opens one unit of work, except a recall, which opens many short ones and says so.
"""

from collections.abc import Sequence

from benchworthy.acts import fixtures, morning_check, recalling, references, standing_kept
from benchworthy.acts.doubting import Doubted
from benchworthy.desk.facts import Recall
from benchworthy.desk.fixtures import Check
from benchworthy.desk.recall import Covered
from benchworthy.desk.reference import Reference
from benchworthy.ports import Services


def enrol(services: Services, wanted: fixtures.NewFixture, holder: str) -> fixtures.Record:
    with services.storage.writing() as work:
        return fixtures.view(fixtures.enrol(wanted, holder, work, services).name, work, services)


def listed(services: Services, after: str, limit: int) -> Sequence[fixtures.Standing]:
    with services.storage.reading() as work:
        return fixtures.page(after, limit, work, services)


def one(services: Services, name: str) -> fixtures.Record:
    """A fixture with its checks and the runs it was used in."""
    with services.storage.reading() as work:
        return fixtures.view(name, work, services)


def check(services: Services, name: str, run: str, holder: str) -> morning_check.Checked:
    """The morning check, by a run on a reference board."""
    with services.storage.writing() as work:
        told = morning_check.check(name, run, holder, work, standing_kept.of_many(services))
    standing_kept.catch_up(services)
    return told


def calibrate(services: Services, name: str, paper: fixtures.Paper, holder: str) -> Check:
    with services.storage.writing() as work:
        return fixtures.calibrate(name, paper, holder, work, services)


def report_fault(services: Services, name: str, seen: str, holder: str) -> tuple[fixtures.Record, Check, Doubted]:
    """It is held, and so is every board that rests on it since its last good check."""
    with services.storage.writing() as work:
        check, doubted = fixtures.report_fault(name, seen, holder, work, standing_kept.of_many(services))
        told = fixtures.view(name, work, services), check, doubted
    standing_kept.catch_up(services)
    return told


def release(services: Services, name: str, reason: str, holder: str) -> fixtures.Record:
    with services.storage.writing() as work:
        return fixtures.view(fixtures.release(name, reason, holder, work, services).name, work, services)


def make_reference(services: Services, serial: str, reason: str, run: str | None, bootstrap: bool, holder: str) -> Reference:
    """A board that is known good checks the fixtures from now on, and is lent no more."""
    with services.storage.writing() as work:
        return references.make(serial, reason, run, bootstrap, holder, work, services)


def end_reference(services: Services, serial: str, reason: str, holder: str) -> None:
    with services.storage.writing() as work:
        references.end(serial, reason, holder, work, services)


def reference_boards(services: Services, after: str, limit: int) -> Sequence[Reference]:
    with services.storage.reading() as work:
        return work.fixtures.references(services.site, after, limit)


def designs(services: Services) -> Sequence[recalling.Design]:
    with services.storage.reading() as work:
        return recalling.designs(services.designs(), work, services)


def design(services: Services, name: str) -> recalling.Design:
    with services.storage.reading() as work:
        return recalling.designs([name], work, services)[0]


def recall(services: Services, name: str, reason: str, holder: str) -> tuple[Recall, bool]:
    """The recall counts for every board from its first transaction on; the holds follow in many short ones."""
    with services.storage.writing() as work:
        begun, new = recalling.begin(name, reason, holder, work, services)
    _enter_all(services, begun, holder)
    return begun, new


def _enter_all(services: Services, begun: Recall, holder: str) -> None:
    last: str | None = ""
    while last is not None:
        with services.storage.writing() as work:
            last = recalling.enter_some(begun, last, holder, work, services)


def end_recall(services: Services, name: str, reason: str, holder: str) -> Recall:
    """Every board under it has its hold and lapse first; then it ends, and the holds are released in short transactions."""
    with services.storage.reading() as work:
        standing = work.recalls.standing(services.site, name)
    if standing is not None:
        _enter_all(services, standing, holder)
    with services.storage.writing() as work:
        ended = recalling.end(name, reason, holder, work, services)
    released = 1
    while released:
        with services.storage.writing() as work:
            released = recalling.release_some(ended, reason, holder, work, services)
    return ended


def recalled_boards(services: Services, name: str, after: str, limit: int) -> tuple[Recall, Sequence[Covered]]:
    """The newest recall of a design and a page of its boards, each with where it is."""
    with services.storage.reading() as work:
        found = recalling.standing(name, work, services)
        return found, recalling.covered(found, after, limit, work, services)
