"""Retirement is final: the board keeps its history, and its serial number is never used again."""

from benchworthy.desk.facts import BoardFacts, Unmet
from benchworthy.desk.states import Act, State, refusal


def unmet_conditions(facts: BoardFacts, state: State, role: str) -> tuple[Unmet, ...]:
    """Everything against it; empty means the board may be retired."""
    unmet = [*refusal(Act.RETIRE, state, facts.serial)]
    if role != "coordinator":
        unmet.append(Unmet("coordinator-only", "Only a coordinator retires a board.", facts.serial, "Ask a coordinator."))
    return tuple(unmet)


def retired(facts: BoardFacts) -> tuple[Unmet, ...]:
    """A retired board is never fit."""
    gone = facts.life.retired
    if gone is None:
        return ()
    told = f"{facts.serial} was retired on {gone.at:%Y-%m-%d}: {gone.reason}"
    return (Unmet("retired", told, facts.serial, "Take another board; this one stays retired."),)
