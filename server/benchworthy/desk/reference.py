"""A reference board: known good, stays in the house, and shows every day whether the fixtures are."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from benchworthy.desk.defects import open_defects
from benchworthy.desk.facts import BoardFacts, RunSummary, Unmet
from benchworthy.desk.outs import unexplained_outs
from benchworthy.desk.states import State
from benchworthy.judging.decision import Verdict

# Known good, here, and looked at: neither held nor just back nor in pieces.
_FROM = frozenset({State.IN_BUILD, State.UNDER_TEST, State.FIT, State.RESERVED})


@dataclass(frozen=True, slots=True)
class Reference:
    """A board serves as a reference since `at`, on a record run. `unchecked` are fixtures of that run nobody had checked."""

    serial: str
    run: str
    reason: str
    unchecked: tuple[str, ...]
    by: str
    at: datetime


def reference(facts: BoardFacts) -> tuple[Unmet, ...]:
    """A reference board is never lent and never certified for lending."""
    if facts.reference_since is None:
        return ()
    told = f"{facts.serial} has been a reference board since {facts.reference_since:%Y-%m-%d}; it checks the fixtures."
    return (Unmet("reference-board", told, facts.serial, "Lend another board; this one stays in the house."),)


def record_run(facts: BoardFacts, full: str) -> RunSummary | None:
    """The newest complete run of the whole set in limits of the board's module, not older than its last repair."""
    return next((run for run in facts.runs if not unmet_for_record(facts, run, full)), None)


def unmet_for_record(facts: BoardFacts, run: RunSummary | None, full: str) -> tuple[Unmet, ...]:
    """Why a run is no record of a known good board."""
    again = f"Run the set `{full}`, and close it."
    if run is None:
        told = f"{facts.serial} has no complete run of the set {full} in limits."
        return (Unmet("no-record-run", told, facts.serial, again),)
    wrong = []
    if run.test_set != full:
        wrong.append(f"it is of the set {run.test_set}")
    if run.closed_at is None or not run.complete:
        wrong.append("it is not complete and closed")
    if run.verdict is not Verdict.IN_LIMITS:
        wrong.append(f"it is {run.verdict or 'empty'}")
    if facts.module is None or set(run.modules) != {facts.module}:
        wrong.append("another module took part, or none was read")
    if facts.repaired_at is not None and run.opened_at <= facts.repaired_at:
        wrong.append("the board was repaired since")
    return (Unmet("no-record-run", f"Run {run.id} is no record: {'; '.join(wrong)}.", run.id, again),) if wrong else ()


def unmet_to_serve(facts: BoardFacts, state: State, unchecked: Iterable[str], bootstrap: bool, first: bool) -> tuple[Unmet, ...]:
    """Everything else against it. Only the `first` reference of a design may rest on fixtures that nothing vouches for."""
    unmet = []
    if state not in _FROM:
        told = f"{facts.serial} is {state}; a reference board is here, whole, and in no doubt."
        unmet.append(Unmet("not-in-this-state", told, facts.serial, "Settle that first, or take another board."))
    unmet += [*open_defects(facts), *unexplained_outs(facts)]  # one that works sometimes checks nothing
    advice = "Check the fixtures first, and run the whole set again."
    if first:
        advice = "Check the fixtures first, or say `bootstrap`: the first reference of a design has nothing to be held against."
    if not (bootstrap and first):
        unmet += [
            Unmet("fixture-not-checked", f"No good check of {name} covers the record run.", name, advice) for name in unchecked
        ]
    return tuple(unmet)


def unmet_to_check(facts: BoardFacts, record: Reference | None, run: RunSummary, sound: Iterable[str]) -> tuple[Unmet, ...]:
    """Why a run on this board says nothing about fixtures. `sound` are tests without fixtures that came out in it."""
    if record is None:
        told = f"{facts.serial} is no reference board."
        return (Unmet("no-reference-board", told, facts.serial, "Run the set on a reference board."),)
    doubts = []
    if run.opened_at <= record.at:
        doubts.append("the run was opened before it became one")
    if run.closed_at is None:
        doubts.append("the run is still open")
    if facts.hold is not None or facts.life.defects:
        doubts.append("it is held, or a defect is open")
    if facts.recall is not None:
        doubts.append("its design is recalled")
    if facts.repaired_at is not None and facts.repaired_at > record.at:
        doubts.append("it was repaired since its record was made")
    if set(run.modules) != {facts.module}:
        doubts.append("another module took part in the run, or none was read")
    doubts += [f"{test} is out, and uses no fixture" for test in sound]
    if not doubts:
        return ()
    told = f"Run {run.id} on {facts.serial} decides nothing: {'; '.join(doubts)}."
    return (Unmet("reference-in-doubt", told, run.id, "Settle that, or use another reference board."),)
