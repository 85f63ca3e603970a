"""A design is recalled. It counts for every board at once; its holds and lapses are entered some boards at a time.

What a recall does to a board follows from the recall itself (desk/recall.py) until the board's own hold stands, so nothing
depends on how far the entering has come, and whoever asks again goes on where it stopped.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from benchworthy.acts.gather import board_of
from benchworthy.desk.facts import Recall
from benchworthy.desk.recall import LAPSE, Covered
from benchworthy.errors import UnknownRecall
from benchworthy.evidence.recording import enter, enter_site
from benchworthy.ports import Services, Work

AT_ONCE = 10  # boards in one write transaction, so that others get their turn between


@dataclass(frozen=True, slots=True)
class Design:
    """A design as a list tells it: what its sheet hashes to, sets, stages, boards not retired, a recall that stands."""

    name: str
    title: str
    judging_hash: str
    guide_hash: str
    catalogue: int
    tests: int
    sets: dict[str, str]
    stages: tuple[int, ...]
    fixtures: tuple[str, ...]
    boards: int
    recall: Recall | None


def begin(design: str, reason: str, holder: str, work: Work, services: Services) -> tuple[Recall, bool]:
    """The recall that stands, and whether it is new. Raises UnknownDesign."""
    services.find_sheet(design)
    standing = work.recalls.standing(services.site, design)
    if standing is not None:
        return standing, False
    work.recalls.begin(services.site, design, reason, holder, services.now())
    enter_site("design-recalled", holder, {"design": design}, work, services, reason)
    begun = work.recalls.standing(services.site, design)
    assert begun is not None
    return begun, True


def enter_some(recall: Recall, after: str, holder: str, work: Work, services: Services) -> str | None:
    """Enter the next boards' holds and lapses; the last one's serial number, None when none was left."""
    serials = work.recalls.not_entered(services.site, recall, after, AT_ONCE)
    at = max(services.now(), recall.at)  # a clock set back must not make the hold look older than the recall
    for serial in serials:
        board = board_of(serial, work, services)
        lapsed = list(work.recalls.lapse(serial, LAPSE, at))
        work.desk.add_hold(serial, LAPSE, recall.reason, holder, at)
        facts = {"code": LAPSE, "recall": recall.id, "lapsed": lapsed}
        enter(board, "held", holder, facts, work, services, recall.reason)
    return serials[-1] if serials else None


def end(design: str, reason: str, holder: str, work: Work, services: Services) -> Recall:
    """The recall stands no more; its holds are still to be released. Raises UnknownDesign, UnknownRecall."""
    services.find_sheet(design)
    newest = work.recalls.newest(services.site, design)
    if newest is None:
        raise _never(design)
    if newest.ended_at is None:
        work.recalls.end(newest.id, max(services.now(), newest.at))
        enter_site("recall-ended", holder, {"design": design, "recall": newest.id}, work, services, reason)
    ended = work.recalls.newest(services.site, design)
    assert ended is not None
    return ended


def release_some(recall: Recall, reason: str, holder: str, work: Work, services: Services) -> int:
    """Release the next boards' holds; how many there were. Certificates stay lapsed: each board needs the whole set."""
    held = work.recalls.holds_to_release(services.site, recall, AT_ONCE)
    for hold, serial in held:
        board = board_of(serial, work, services)
        work.life.release(hold, services.now())
        enter(board, "released", holder, {"hold": hold, "recall": recall.id}, work, services, reason)
    return len(held)


def standing(design: str, work: Work, services: Services) -> Recall:
    """Raises UnknownDesign, UnknownRecall."""
    services.find_sheet(design)
    newest = work.recalls.newest(services.site, design)
    if newest is None:
        raise _never(design)
    return newest


def _never(design: str) -> UnknownRecall:
    return UnknownRecall(f"{design} was never recalled.", design=design)


def covered(recall: Recall, after: str, limit: int, work: Work, services: Services) -> Sequence[Covered]:
    return work.recalls.covered(services.site, recall, after, limit)


def designs(names: Sequence[str], work: Work, services: Services) -> Sequence[Design]:
    """Raises UnknownDesign."""
    counts = work.recalls.counts(services.site)
    return [_design(name, counts.get(name, 0), work, services) for name in names]


def _design(name: str, boards: int, work: Work, services: Services) -> Design:
    sheet = services.find_sheet(name)
    return Design(
        sheet.name,
        sheet.title,
        sheet.judging_hash,
        sheet.guide_hash,
        sheet.catalogue,
        len(sheet.tests),
        dict(sheet.sets),
        tuple(sorted({test.stage for test in sheet.tests.values()})),
        tuple(sheet.fixtures),
        boards,
        work.recalls.standing(services.site, name),
    )
