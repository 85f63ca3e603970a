"""May this run carry a certificate of fitness? Every condition is looked at, and all that are unmet are told at once."""

from datetime import datetime, timedelta

from benchworthy.designs.sheet import Policy
from benchworthy.desk.facts import BoardFacts, RunSummary, Unmet
from benchworthy.desk.fitness import life_against, no_bench_evidence
from benchworthy.desk.outs import unexplained_outs
from benchworthy.judging.decision import Verdict
from benchworthy.judging.run import Assessment

# After these a renewal will do; any other lapse asks for everything.
RENEWABLE = (None, "LAPSE-EXPIRED", "LAPSE-CHECKIN-INCOMPLETE")


def unmet_conditions(
    facts: BoardFacts,
    run: str | None,
    assessment: Assessment | None,
    policy: Policy,
    people: frozenset[str],
    inspectors: frozenset[str],
    now: datetime,
) -> tuple[Unmet, ...]:
    """Conditions that keep `run` from carrying a certificate; empty means it may be issued.

    `people` are the holder codes that opened the run or answered as operator, `inspectors` those that inspected.
    """
    summary = next((candidate for candidate in facts.runs if candidate.id == run), None)
    if summary is None or assessment is None:
        return (no_bench_evidence(facts),)
    return (
        *(() if facts.bench_evidence else (no_bench_evidence(facts),)),
        *_set(facts, summary, policy),
        *_run_itself(summary, policy, now),
        *_before_repair(facts, summary),
        *_incomplete(assessment, summary.id),
        *_not_in_limits(assessment, summary.id),
        *_module(facts, summary),
        *_second_person(summary, people, inspectors),
        *_whereabouts(facts),
        *life_against(facts),
        *(item for item in unexplained_outs(facts) if item.evidence != summary.id),
    )


def _set(facts: BoardFacts, summary: RunSummary, policy: Policy) -> list[Unmet]:
    """The first set always carries a certificate, the renewal set only after another one of the same module."""
    again, run = f"Run the set `{policy.first_set}`.", summary.id
    if summary.test_set == policy.first_set:
        return []
    if summary.test_set != policy.renewal_set:
        return [Unmet("set-does-not-certify", f"The set {summary.test_set} carries no certificate.", run, again)]
    wanting = _no_renewal(facts)
    return [Unmet("renewal-not-enough", f"A renewal is not enough: {wanting}.", run, again)] if wanting else []


def _no_renewal(facts: BoardFacts) -> str:
    """Why a renewal cannot carry the next certificate; empty when it can."""
    before = facts.certificate
    if before is None:
        return "there is no certificate to renew"
    if before.lapse not in RENEWABLE:
        return f"the last certificate lapsed by {before.lapse}"
    if facts.repaired_at is not None and facts.repaired_at > before.issued_at:
        return "the board was repaired since"
    certified = next((run for run in facts.runs if run.id == before.run), None)
    return "another module was certified" if certified is None or facts.module not in certified.modules else ""


def _run_itself(summary: RunSummary, policy: Policy, now: datetime) -> list[Unmet]:
    """Frozen, and not too old."""
    again, run = f"Run the set `{policy.first_set}` again.", summary.id
    unmet = []
    if summary.closed_at is None:
        unmet.append(Unmet("run-open", f"Run {run} is still open.", run, "Close it with POST /api/v1/runs/{run}/close."))
    if now - summary.opened_at > timedelta(days=policy.run_age_days):
        unmet.append(Unmet("run-too-old", f"Run {run} is older than {policy.run_age_days} days.", run, again))
    return unmet


def _before_repair(facts: BoardFacts, summary: RunSummary) -> list[Unmet]:
    """A run says nothing of a board that was repaired after it."""
    if facts.repaired_at is None or summary.opened_at > facts.repaired_at:
        return []
    told = f"{facts.serial} was repaired after run {summary.id} was opened."
    return [Unmet("run-before-repair", told, summary.id, "Run the whole set again.")]


def _second_person(summary: RunSummary, people: frozenset[str], inspectors: frozenset[str]) -> list[Unmet]:
    if not inspectors & people:
        return []
    told = "The inspector also opened or answered the run."
    return [Unmet("inspector-not-second-person", told, summary.id, "A second person inspects the board in a new run.")]


def _whereabouts(facts: BoardFacts) -> list[Unmet]:
    unmet = []
    if facts.hold is not None:
        unmet.append(Unmet("held", facts.hold.reason, facts.hold.code, "Release the hold after the repair is on record."))
    if facts.on_loan:
        unmet.append(Unmet("on-loan", f"{facts.serial} is on loan.", facts.serial, "Take it back and check it in first."))
    return unmet


def _module(facts: BoardFacts, summary: RunSummary) -> list[Unmet]:
    """The certificate names one module: the one bound to the serial number, and no other spoke in the run."""
    if facts.module is None:
        return [
            Unmet(
                "module-unbound",
                "No complete run has bound a module to this serial number.",
                summary.id,
                "Close a complete run whose label was scanned and whose module was read at the bench.",
            )
        ]
    strangers = sorted(set(summary.modules) - {facts.module})
    if not strangers:
        return []
    told = f"Module {', '.join(strangers)} took part in the run; bound is {facts.module}."
    return [Unmet("module-differs", told, summary.id, "Find out whose module this is, then run the set again.")]


def _incomplete(assessment: Assessment, run: str) -> list[Unmet]:
    return [Unmet("run-incomplete", need.what, run, "Deliver it in this run, or run the set again.") for need in assessment.needs]


def _not_in_limits(assessment: Assessment, run: str) -> list[Unmet]:
    codes = {Verdict.OUT: "test-out", Verdict.MARGINAL: "test-marginal"}
    return [
        Unmet(codes[outcome.verdict], outcome.sentence, run, "Mend what is named; after a repair run the set `full`.")
        for outcome in assessment.with_verdict(*codes)
    ]


def set_wanted(facts: BoardFacts, policy: Policy) -> str:
    """The set that carries the board's next certificate."""
    return policy.first_set if _no_renewal(facts) else policy.renewal_set
