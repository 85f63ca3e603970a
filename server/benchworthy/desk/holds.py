"""May a hold be released? It answers a doubt, so it ends when the doubt does, not because somebody wants the board."""

from benchworthy.desk import missing
from benchworthy.desk.defects import clean_runs, open_defects
from benchworthy.desk.facts import BoardFacts, Unmet
from benchworthy.desk.lapses import FIELD
from benchworthy.desk.outs import unexplained_outs
from benchworthy.desk.repairs import used_up

# What was said of many boards at once is taken back by whoever said it.
BY_COORDINATOR = frozenset({"LAPSE-FIXTURE", "LAPSE-RECALL", missing.HOLD})
# Nobody knows what happened out there, so everything is looked at.
FULL_SET_FIRST = frozenset({missing.HOLD, FIELD})


def unmet_conditions(facts: BoardFacts, role: str, full_set: str) -> tuple[Unmet, ...]:
    """Everything that keeps the hold; empty means it may be released. Releasing makes no board fit."""
    if facts.hold is None:
        return (Unmet("not-held", f"{facts.serial} is not held.", facts.serial, "There is nothing to release."),)
    unmet = [*open_defects(facts), *unexplained_outs(facts), *used_up(facts.serial, facts.life.repairs)]
    if facts.hold.code in BY_COORDINATOR and role != "coordinator":
        told = f"The hold {facts.hold.code} is released by a coordinator."
        unmet.append(Unmet("coordinator-only", told, facts.hold.code, "Ask a coordinator."))
    if facts.hold.code in FULL_SET_FIRST and not clean_runs(facts, full_set, facts.hold.since):
        advice = f"Run the set `{full_set}` until it is complete and in limits."
        unmet.append(Unmet("full-set-wanted", facts.hold.reason, facts.hold.code, advice))
    return tuple(unmet)
