"""An open defect keeps a board here until a repair mends it, or enough complete runs found no fault."""

from datetime import datetime

from benchworthy.desk.facts import BoardFacts, Unmet
from benchworthy.desk.life import DefectFacts
from benchworthy.judging.decision import Verdict

RUNS_WITHOUT = 3


def open_defects(facts: BoardFacts) -> tuple[Unmet, ...]:
    """One unmet condition for each."""
    return tuple(
        Unmet(
            "defect-open",
            f"Defect {defect.id} is open: {defect.seen}",
            str(defect.id),
            "Repair it and record that with POST /api/v1/boards/{serial}/repairs.",
        )
        for defect in facts.life.defects
    )


def unmet_to_close(facts: BoardFacts, defect: DefectFacts, test_set: str) -> tuple[Unmet, ...]:
    """What is wanting before a defect may be closed as *no fault found*."""
    clean = clean_runs(facts, test_set, defect.since)
    if clean >= RUNS_WITHOUT:
        return ()
    told = f"{clean} of {RUNS_WITHOUT} complete runs of the set {test_set} since were in limits."
    advice = "Run the set again, flexing and moving the board, or record a repair."
    return (Unmet("fault-may-be-there", told, str(defect.id), advice),)


def clean_runs(facts: BoardFacts, test_set: str, since: datetime) -> int:
    """Complete runs of the set in a row up to now in which everything was in limits."""
    count = 0
    for run in facts.runs:
        if run.opened_at <= since or not facts.waived.issuperset(run.outs):
            break
        count += run.complete and run.test_set == test_set and run.verdict is Verdict.IN_LIMITS
    return count
