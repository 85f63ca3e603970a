"""The one thing that a board waits for, out of what the record says of it; None when it waits for nobody."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from benchworthy.designs.sheet import Policy, Sheet, stage_set
from benchworthy.desk import depth, holds, stages
from benchworthy.desk.certify import set_wanted
from benchworthy.desk.defects import clean_runs
from benchworthy.desk.facts import BoardFacts, RunSummary
from benchworthy.desk.fitness import Fitness
from benchworthy.desk.outs import unexplained_outs
from benchworthy.desk.repairs import used_up
from benchworthy.desk.states import AWAY, GONE, State
from benchworthy.judging.decision import Verdict


class Task(StrEnum):
    """Kinds of acts that a board may wait for."""

    RUN = "run a set"
    FINISH = "finish the run"
    CERTIFY = "certify"
    SIGN = "sign the stage"
    CHECK_IN = "settle the check-in"
    REPAIR = "repair"
    RELEASE = "release the hold"
    RELEASE_BY_COORDINATOR = "release the hold, by a coordinator"
    RETIRE = "retire"
    READ_REMARK = "read the remark"
    REMIND = "remind the borrower"
    COORDINATE = "take the loan up"
    MISS = "record as missing"


@dataclass(frozen=True, slots=True)
class Waiting:
    """The act, why in a sentence, and what it is about: a set to run, a run, a stage, the number of a hold or a remark."""

    task: Task
    what: str
    test_set: str | None = None
    run: str | None = None
    stage: int | None = None
    hold: int | None = None
    remark: int | None = None


def next_act(facts: BoardFacts, current: Fitness, sheet: Sheet, hold: int | None, now: datetime) -> Waiting | None:
    """`hold` is the number of the open hold."""
    state = current.state
    if state in GONE:
        return None
    if facts.life.remark_waiting:
        return Waiting(Task.READ_REMARK, "A borrower left a remark that nobody has read.", remark=facts.life.remark)
    if state in AWAY or facts.reference_since is not None:
        return None
    newest = facts.runs[0] if facts.runs else None
    if newest is not None and newest.closed_at is None:
        return _finish(newest)
    if state in (State.FIT, State.RESERVED):
        return None
    if state is State.HELD:
        return _held(facts, sheet, hold)
    if state is State.RETURNED:
        return _returned(facts, sheet, now)
    if state in (State.KIT, State.IN_BUILD):
        return _build(facts, sheet)
    return _towards_certificate(facts, sheet, now)


def _finish(run: RunSummary) -> Waiting:
    told = f"Run {run.id} of the set `{run.test_set}` is open: bring what it still needs, then close it."
    return Waiting(Task.FINISH, told, run.test_set, run.id)


def _mend(facts: BoardFacts) -> Waiting | None:
    """What only a repair, or retirement, settles."""
    if used_up(facts.serial, facts.life.repairs):
        return Waiting(Task.RETIRE, "It was repaired too often.")
    if facts.life.defects:
        return Waiting(Task.REPAIR, f"Defect {facts.life.defects[0].id} is open: {facts.life.defects[0].seen}")
    outs = unexplained_outs(facts)
    if outs and facts.runs[0].outs:
        return Waiting(Task.REPAIR, outs[0].what)
    return None


def _held(facts: BoardFacts, sheet: Sheet, hold: int | None) -> Waiting:
    assert facts.hold is not None
    full = sheet.policy.first_set
    mend = _mend(facts)
    if mend is not None:
        return mend
    outs = unexplained_outs(facts)
    if outs:
        return Waiting(Task.RUN, f"{outs[0].what} {outs[0].next}", full)
    if facts.hold.code in holds.FULL_SET_FIRST and not clean_runs(facts, full, facts.hold.since):
        return Waiting(Task.RUN, facts.hold.reason, full)
    task = Task.RELEASE_BY_COORDINATOR if facts.hold.code in holds.BY_COORDINATOR else Task.RELEASE
    return Waiting(task, f"It is held: {facts.hold.reason} Nothing else on record stands against it.", hold=hold)


def _returned(facts: BoardFacts, sheet: Sheet, now: datetime) -> Waiting:
    assert facts.loan is not None and facts.loan.returned_at is not None
    wanted = set_wanted(facts, sheet.policy)
    certificate = facts.certificate
    in_force = certificate is not None and certificate.lapse is None and certificate.valid_until > now
    asked = facts.loan.asked or sheet.policy.first_set
    since = [run for run in facts.runs if run.opened_at >= facts.loan.returned_at and _looks(run, asked, sheet.policy)]
    newest = since[0] if since else None
    if newest is not None and (newest.outs or (newest.complete and newest.verdict is Verdict.IN_LIMITS and in_force)):
        return Waiting(Task.CHECK_IN, f"It came back; run {newest.id} settles its check-in.", run=newest.id)
    if newest is not None and _carries(newest, facts, sheet.policy, now):
        return Waiting(Task.CERTIFY, f"It came back; run {newest.id} may carry a new certificate.", run=newest.id)
    if newest is not None and newest.verdict is Verdict.MARGINAL:
        return Waiting(Task.RUN, f"Run {newest.id} left a marginal unsettled.", sheet.policy.first_set)
    if in_force:
        why = f" {facts.loan.reasons[0]}" if facts.loan.reasons else ""
        return Waiting(Task.RUN, f"It came back and has not been looked at.{why}", asked)
    return Waiting(Task.RUN, "It came back, and its certificate is not in force.", wanted)


def _looks(run: RunSummary, asked: str, policy: Policy) -> bool:
    """Whether a check-in may be settled on it: it is as deep as the return asks, or something is out."""
    return run.test_set in depth.ladder(policy) and (bool(run.outs) or depth.deep_enough(run.test_set, asked, policy))


def _build(facts: BoardFacts, sheet: Sheet) -> Waiting:
    """The first stage that is not signed; a board that is not built stage by stage is measured as a whole."""
    if not facts.open_stages:
        return Waiting(Task.RUN, "Nothing was measured of the whole board yet.", sheet.policy.first_set)
    stage = facts.open_stages[0]
    wanting = stages.gates_wanting(facts, stage, sheet)
    if not wanting:
        told = f"The tests of stage {stage} are in limits; a second person looks at it and signs."
        return Waiting(Task.SIGN, told, stage=stage)
    told = f"Stage {stage} is not shown to be in order: {', '.join(wanting[:5])}{' and more' if wanting[5:] else ''}."
    return Waiting(Task.RUN, told, stage_set(stage), stage=stage)


def _towards_certificate(facts: BoardFacts, sheet: Sheet, now: datetime) -> Waiting:
    mend = _mend(facts)
    if mend is not None:
        return mend
    wanted = set_wanted(facts, sheet.policy)
    outs = unexplained_outs(facts)
    if outs:
        return Waiting(Task.RUN, f"{outs[0].what} {outs[0].next}", sheet.policy.first_set)
    if facts.open_stages:
        return _build(facts, sheet)
    newest = next((run for run in facts.runs if run.complete), None)
    if newest is not None and _carries(newest, facts, sheet.policy, now):
        told = f"Run {newest.id} is complete and in limits; no certificate was issued on it."
        return Waiting(Task.CERTIFY, told, run=newest.id)
    return Waiting(Task.RUN, _why_run(facts, now), wanted)


def _why_run(facts: BoardFacts, now: datetime) -> str:
    certificate = facts.certificate
    if facts.repaired_at is not None and (certificate is None or certificate.issued_at <= facts.repaired_at):
        return "It was repaired."
    if certificate is None:
        return "No complete run in limits is on record."
    if certificate.lapse is not None:
        return f"Its certificate has lapsed ({certificate.lapse})."
    return f"Its certificate ended on {certificate.valid_until:%Y-%m-%d}." if certificate.valid_until <= now else "It is not fit."


def _carries(run: RunSummary, facts: BoardFacts, policy: Policy, now: datetime) -> bool:
    """Whether a certificate may well be issued on it; the rules of certifying have the last word."""
    if not run.complete or run.verdict is not Verdict.IN_LIMITS:
        return False
    after_repair = facts.repaired_at is None or run.opened_at > facts.repaired_at
    new = facts.certificate is None or run.opened_at > facts.certificate.issued_at
    young = now < too_old_at(run, policy)
    return run.test_set in (policy.first_set, set_wanted(facts, policy)) and after_repair and new and young


def too_old_at(run: RunSummary, policy: Policy) -> datetime:
    """From when on the run carries no certificate any more."""
    return run.opened_at + timedelta(days=policy.run_age_days)
