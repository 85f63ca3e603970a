"""What moved between the first complete run of the whole set and a run of today."""

from collections.abc import Mapping

from benchworthy.acts.gather import run_of
from benchworthy.desk.facts import BoardFacts
from benchworthy.desk.moved import Measured, moved
from benchworthy.evidence import standing
from benchworthy.history.records import Board
from benchworthy.judging.run import Assessment
from benchworthy.ports import Services, Work


def moved_since_build(facts: BoardFacts, now: Assessment, board: Board, work: Work, services: Services) -> tuple[str, ...]:
    """One sentence for each quantity; none when the board has no such run of its module."""
    first_set = services.find_sheet(board.design).policy.first_set
    whole = [run for run in facts.runs if run.complete and run.test_set == first_set and facts.module in run.modules]
    if not whole:
        return ()
    then = standing.assessment_of(run_of(whole[-1].id, work, services), board, work, services)
    return tuple(item.sentence for item in moved(_measured(then), _measured(now)))


def _measured(assessment: Assessment) -> Mapping[tuple[str, str], Measured]:
    return {
        (outcome.test, quantity.name): Measured(quantity.value, quantity.expanded, quantity.unit)
        for outcome in assessment.outcomes.values()
        for quantity in outcome.quantities
    }
