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
    """One sentence for each quantity; none when the board has no such run of its module. A part put in since is another one."""
    first_set = services.find_sheet(board.design).policy.first_set
    whole = [run for run in facts.runs if run.complete and run.test_set == first_set and facts.module in run.modules]
    if not whole:
        return ()
    then = standing.assessment_of(run_of(whole[-1].id, work, services), board, work, services)
    new = frozenset(repair.part for repair in facts.life.repairs if repair.at > whole[-1].opened_at)
    return tuple(item.sentence for item in moved(_measured(then, new), _measured(now, new)))


def _measured(assessment: Assessment, new: frozenset[str]) -> Mapping[tuple[str, str], Measured]:
    return {
        (outcome.test, quantity.name): Measured(
            quantity.value,
            quantity.expanded,
            quantity.unit,
            {part: amount for part, amount in quantity.common if part not in new},
        )
        for outcome in assessment.outcomes.values()
        for quantity in outcome.quantities
    }
