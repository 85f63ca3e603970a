"""May this run carry a certificate of fitness? Every condition is looked at, and all that are unmet are told at once."""

from dataclasses import dataclass
from datetime import datetime, timedelta

from benchworthy.designs.sheet import Policy
from benchworthy.desk.facts import BoardFacts, RunSummary, Unmet
from benchworthy.desk.fitness import life_against, no_bench_evidence
from benchworthy.desk.lapses import asks_for_full
from benchworthy.desk.life import Life
from benchworthy.desk.outs import unexplained_outs
from benchworthy.desk.stages import not_signed, sign_offs
from benchworthy.judging.decision import Verdict
from benchworthy.judging.run import Assessment


@dataclass(frozen=True, slots=True)
class People:
    """Holder codes: who opened the run or answered as operator, who inspected, who asks for the certificate.

    `one_person` is the site's policy: whoever built or tested a board may inspect it too, and the certificate says so.
    """

    tested: frozenset[str]
    inspected: frozenset[str]
    authorised: str = ""
    one_person: bool = False


NOBODY = People(frozenset(), frozenset())


def unmet_conditions(
    facts: BoardFacts,
    run: str | None,
    assessment: Assessment | None,
    policy: Policy,
    people: People,
    now: datetime,
) -> tuple[Unmet, ...]:
    """Conditions that keep `run` from carrying a certificate; empty means it may be issued."""
    summary = next((candidate for candidate in facts.runs if candidate.id == run), None)
    if summary is None or assessment is None:
        return (no_bench_evidence(facts),)
    return (
        *(() if facts.bench_evidence else (no_bench_evidence(facts),)),
        *_set(facts, summary, policy, assessment),
        *_run_itself(summary, policy, now),
        *_before_repair(facts, summary),
        *_incomplete(assessment, summary.id),
        *_not_in_limits(assessment, summary.id),
        *_module(facts, summary),
        *_second_person(facts, summary, people),
        *_whereabouts(facts),
        *not_signed(facts),
        *life_against(facts),
        *(item for item in unexplained_outs(facts) if item.evidence != summary.id),
    )


def _set(facts: BoardFacts, summary: RunSummary, policy: Policy, assessment: Assessment) -> list[Unmet]:
    """The first set always carries a certificate, the renewal set only after another one of the same module."""
    again, run = f"Run the set `{policy.first_set}`.", summary.id
    if summary.test_set == policy.first_set:
        return []
    if summary.test_set != policy.renewal_set:
        return [Unmet("set-does-not-certify", f"The set {summary.test_set} carries no certificate.", run, again)]
    wanting = _no_renewal(facts, assessment)
    return [Unmet("renewal-not-enough", f"A renewal is not enough: {wanting}.", run, again)] if wanting else []


def _no_renewal(facts: BoardFacts, assessment: Assessment | None) -> str:
    """Why a renewal cannot carry the next certificate; empty when it can. None is a run that nobody has made yet."""
    before = facts.certificate
    if before is None:
        return "there is no certificate to renew"
    if asks_for_full(before.lapse):
        return f"the last certificate lapsed by {before.lapse}"
    if facts.repaired_at is not None and facts.repaired_at > before.issued_at:
        return "the board was repaired since"
    if facts.life.remark_waiting:
        return "a borrower's remark waits to be read"
    unseen = [test for test in before.waived if assessment is None or not _in_limits(assessment, test)]
    if unseen:
        return f"the last certificate let {', '.join(unseen)} go, and this run has no evidence in limits of it"
    certified = next((run for run in facts.runs if run.id == before.run), None)
    return "another module was certified" if certified is None or facts.module not in certified.modules else ""


def _in_limits(assessment: Assessment, test: str) -> bool:
    outcome = assessment.outcomes.get(test)
    return outcome is not None and outcome.verdict is Verdict.IN_LIMITS


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


def _second_person(facts: BoardFacts, summary: RunSummary, people: People) -> list[Unmet]:
    if people.one_person:
        return []
    unmet, again = [], "A second person inspects the board in a new run."
    if people.inspected & people.tested:
        told = "The inspector also opened or answered the run."
        unmet.append(Unmet("inspector-not-second-person", told, summary.id, again))
    built = _builders(facts.life)
    if people.inspected & built:
        told = "The inspector also built the board."
        unmet.append(Unmet("inspector-not-second-person", told, summary.id, again))
    if facts.certificate is None and built & (people.tested | {people.authorised}):
        told = "Whoever built the board also tested it, or asks for its first certificate."
        unmet.append(Unmet("builder-tested", told, summary.id, "Somebody who did not build it tests it, and certifies."))
    return unmet


def alone(life: Life, people: People) -> bool:
    """Whether one person did what two should: this is what the certificate then says."""
    built = _builders(life)
    signed = any(sign.builder == sign.inspector for sign in sign_offs(life).values())
    return signed or bool(people.inspected & (people.tested | built) or built & (people.tested | {people.authorised}))


def _builders(life: Life) -> frozenset[str]:
    return frozenset(sign.builder for sign in sign_offs(life).values())


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
    return policy.first_set if _no_renewal(facts, None) else policy.renewal_set
