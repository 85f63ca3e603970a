"""Is this board fit to lend, and if not, why? Fit is computed from evidence, never set."""

from dataclasses import dataclass
from datetime import datetime

from benchworthy.desk import missing, reserve, stages
from benchworthy.desk.defects import open_defects
from benchworthy.desk.facts import BoardFacts, CertificateFacts, Unmet
from benchworthy.desk.lapses import CHECKIN_INCOMPLETE
from benchworthy.desk.life import WaiverFacts
from benchworthy.desk.outs import outs_let_go, unexplained_outs
from benchworthy.desk.recall import recalled
from benchworthy.desk.reference import reference
from benchworthy.desk.repairs import reopened, used_up
from benchworthy.desk.retirement import retired
from benchworthy.desk.states import State

SETTLE = "settle it with POST /api/v1/boards/{serial}/check-ins."
FAILING = frozenset({"held", "out-unexplained", "defect-open", "repairs-used-up", "retired", "design-recalled"})


@dataclass(frozen=True, slots=True)
class Fitness:
    """The answer of one moment. `answer` is "fit", "fails", "not certified" or "no evidence"; `state` is the board's.

    `doubts` are heard from the field and keep nothing here by themselves. `waivers` are those in force.
    """

    fit: bool
    answer: str
    state: State
    until: datetime | None
    unmet: tuple[Unmet, ...]
    doubts: tuple[Unmet, ...] = ()
    waivers: tuple[WaiverFacts, ...] = ()


def fitness(facts: BoardFacts, now: datetime) -> Fitness:
    """Fit means: a certificate in force, no hold, nothing out since it was issued, and a return that was looked at."""
    unmet = (
        *_certificate(facts, now),
        *_hold(facts),
        *_returned(facts),
        *unexplained_outs(facts),
        *_outs_not_certified(facts),
        *_in_build(facts),
        *life_against(facts),
    )
    fit = not unmet
    until = facts.certificate.valid_until if fit and facts.certificate else None
    return Fitness(fit, _answer(facts, unmet), state(facts, fit, now), until, unmet, facts.doubts, facts.life.waivers)


def state(facts: BoardFacts, fit: bool, now: datetime) -> State:
    """The board's one state, derived from the record."""
    if facts.life.retired is not None:
        return State.RETIRED_FOR_PARTS if facts.life.retired.for_parts else State.RETIRED
    if facts.on_loan:
        return State.ON_LOAN if facts.life.missing_since is None else State.MISSING
    if facts.hold is not None:
        return State.HELD
    if facts.awaits_check_in:
        return State.RETURNED
    if facts.open_stages and facts.certificate is None:
        return State.IN_BUILD if facts.life.sign_offs or facts.bench_evidence else State.KIT
    if reopened(facts.life, facts.certificate.issued_at if facts.certificate else None):
        return State.IN_REPAIR
    if fit:
        return State.RESERVED if reserve.in_force(facts, now) else State.FIT
    if facts.bench_evidence:
        return State.UNDER_TEST
    return State.IN_BUILD if facts.life.sign_offs else State.KIT


def life_against(facts: BoardFacts) -> tuple[Unmet, ...]:
    """What the desk put on record against lending, beside the evidence."""
    worn = used_up(facts.serial, facts.life.repairs)
    return (*retired(facts), *missing.missing(facts), *open_defects(facts), *worn, *recalled(facts), *reference(facts))


def _answer(facts: BoardFacts, unmet: tuple[Unmet, ...]) -> str:
    """Nothing known, known to be bad, and merely not certified are different answers."""
    if not unmet:
        return "fit"
    if any(item.code in FAILING for item in unmet):
        return "fails"
    return "not certified" if facts.bench_evidence else "no evidence"


def _certificate(facts: BoardFacts, now: datetime) -> tuple[Unmet, ...]:
    certificate = facts.certificate
    if certificate is None:
        return (_no_certificate(facts) if facts.bench_evidence else no_bench_evidence(facts),)
    if certificate.lapse == CHECKIN_INCOMPLETE and facts.awaits_check_in:
        told = f"Certificate {certificate.id} has lapsed ({CHECKIN_INCOMPLETE})."
        return (Unmet("certificate-lapsed", told, certificate.id, "Complete the check-in: run its set again and settle it."),)
    if certificate.lapse is not None:
        return (
            Unmet(
                "certificate-lapsed",
                f"Certificate {certificate.id} has lapsed ({certificate.lapse}).{_sheet_says(certificate)}",
                certificate.id,
                "Run the set `full` and certify again.",
            ),
        )
    if certificate.valid_until <= now:
        return (
            Unmet(
                "certificate-lapsed",
                f"Certificate {certificate.id} was valid until {certificate.valid_until:%Y-%m-%d} (LAPSE-EXPIRED).",
                certificate.id,
                "Run the set `full` and certify again.",
            ),
        )
    return ()


def _outs_not_certified(facts: BoardFacts) -> tuple[Unmet, ...]:
    """An out that was let go after the certificate: while it calls the test in limits, it does not carry the board."""
    certificate = facts.certificate
    if certificate is None or certificate.lapse is not None:
        return ()
    return tuple(
        Unmet(
            "waiver-not-certified",
            f"{test} came out in run {run} and is waived, but certificate {certificate.id} does not say so.",
            run,
            "Certify again on a run of the set `full`: the new certificate names the waiver.",
        )
        for test, run in outs_let_go(facts).items()
        if test not in certificate.waived
    )


def _in_build(facts: BoardFacts) -> tuple[Unmet, ...]:
    standing = facts.certificate is not None and facts.certificate.lapse is None
    return () if standing else stages.not_signed(facts)


def _sheet_says(certificate: CertificateFacts) -> str:
    """What a changed sheet finds wanting in the certificate's run."""
    lacking = f" The sheet now asks for tests that its run has no evidence of: {', '.join(certificate.lacking)}."
    worse = f" By the sheet in force these are no longer in limits: {', '.join(certificate.worse)}."
    return (lacking if certificate.lacking else "") + (worse if certificate.worse else "")


def no_bench_evidence(facts: BoardFacts) -> Unmet:
    """Field evidence alone never certifies."""
    told = "Only field evidence has arrived" if facts.any_evidence else "No evidence has arrived"
    return Unmet(
        "no-bench-evidence",
        f"{told} for {facts.serial}; nothing was measured at a bench.",
        facts.serial,
        "Open a run at a bench with the set `full`.",
    )


def _no_certificate(facts: BoardFacts) -> Unmet:
    return Unmet(
        "no-certificate",
        f"{facts.serial} has been tested and no certificate was issued.",
        facts.runs[0].id,
        "Finish the run and certify with POST /api/v1/boards/{serial}/certificates.",
    )


def _hold(facts: BoardFacts) -> tuple[Unmet, ...]:
    if facts.hold is None:
        return ()
    return (Unmet("held", facts.hold.reason, facts.hold.code, "Repair what is named, then run the set `full`."),)


def _returned(facts: BoardFacts) -> tuple[Unmet, ...]:
    if not facts.awaits_check_in or facts.loan is None:
        return ()
    return (
        Unmet(
            "not-checked-in",
            f"{facts.serial} came back and has not been looked at.",
            facts.loan.id,
            f"Run the set `{facts.loan.asked or 'plug'}` and {SETTLE}",
        ),
    )
