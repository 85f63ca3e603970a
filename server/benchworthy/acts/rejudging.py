"""Stored evidence is judged by another sheet, and what that says of certificates in force is entered for good.

Until then a changed sheet lapses nothing on record: it is worked out each time, and a sheet that is taken back takes its
lapses back with it.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from benchworthy.acts.gather import board_of
from benchworthy.acts.lapsing import lapse_these
from benchworthy.acts.sheet_change import judged
from benchworthy.designs.sheet import Sheet
from benchworthy.desk.lapses import SHEET
from benchworthy.judging.decision import Verdict
from benchworthy.judging.tests import Outcome
from benchworthy.ports import Services, Work

_RANK: Mapping[Verdict, int] = {Verdict.IN_LIMITS: 0, Verdict.MARGINAL: 1, Verdict.OUT: 2}


@dataclass(frozen=True, slots=True)
class Rejudged:
    """A certificate by another sheet: tests without evidence, tests no longer in limits, and tests judged better than before."""

    serial: str
    certificate: str
    run: str
    judging: str
    lacking: tuple[str, ...]
    worse: tuple[str, ...]
    better: tuple[str, ...]
    outcomes: tuple[Outcome, ...]

    @property
    def lapses(self) -> bool:
        return bool(self.lacking or self.worse)


def in_force(design: str | None, work: Work, services: Services) -> Sequence[str]:
    """The certificates in force, by serial number; of one design or of all."""
    found = work.lapses.all_in_force(services.site, services.now())
    return [one.id for one in found if design is None or board_of(one.serial, work, services).design == design]


def judge(certificate: str, sheet: Sheet | None, work: Work, services: Services) -> Rejudged | None:
    """Judge it by this sheet, or by the one in force; None where that is the sheet it was judged by, or it is over meanwhile."""
    found = work.desk.certificate(certificate)
    run = work.runs.find(found.run) if found is not None else None
    if found is None or run is None or found.lapse is not None or found.valid_until <= services.now():
        return None
    board = board_of(found.serial, work, services)
    by = sheet or services.find_sheet(board.design)
    if run.judging == by.judging_hash or work.lapses.rejudged(run.id, by.judging_hash):
        return None
    assessment, (lacking, worse) = judged(run, by, board, work, services)
    outcomes = tuple(assessment.outcomes.values())
    better = _better(outcomes, work.lapses.verdicts_of(run.id))
    return Rejudged(board.serial, found.id, run.id, by.judging_hash, lacking, worse, better, outcomes)


def settle(found: Rejudged, holder: str, work: Work, services: Services) -> bool:
    """Enter the new verdicts, and the lapse if there is one; False, and nothing is written, when another was faster."""
    now, certificate = services.now(), work.desk.certificate(found.certificate)
    over = certificate is None or certificate.lapse is not None or certificate.valid_until <= now
    if over or work.lapses.rejudged(found.run, found.judging):
        return False
    work.lapses.add_rejudged(found.run, found.judging, found.outcomes, now)
    if found.lapses:
        board = board_of(found.serial, work, services)
        told = {"judging": found.judging, "lacking": list(found.lacking), "worse": list(found.worse)}
        lapse_these([found.certificate], board, SHEET, holder, told, work, services)
    return True


def _better(outcomes: Sequence[Outcome], before: Sequence[tuple[str, str]]) -> tuple[str, ...]:
    """Tests of which a quantity was marginal or out by itself and is judged better now; a witness settles, it betters nothing."""
    was: dict[str, int] = {}
    for test, verdict in before:
        was[test] = max(was.get(test, 0), _RANK.get(Verdict(verdict), 0))
    return tuple(outcome.test for outcome in outcomes if _rank(outcome) < was.get(outcome.test, 0))


def _rank(outcome: Outcome) -> int:
    verdicts = [quantity.verdict for quantity in outcome.quantities] or [outcome.verdict]
    return max(_RANK.get(verdict, 2) for verdict in verdicts)
