"""What a check-in run makes of a returned board: fit kept, held, or still returned with the next step named."""

from dataclasses import dataclass

from benchworthy.desk.facts import CertificateFacts
from benchworthy.desk.lapses import CHECKIN_INCOMPLETE
from benchworthy.judging.decision import Verdict
from benchworthy.judging.run import Assessment
from benchworthy.judging.tests import Outcome


@dataclass(frozen=True, slots=True)
class CheckIn:
    """`outcome` is "fit kept", "held" or "returned"; `lapse` names the certificate's lapse, if it lapses.

    `moved` says what moved since build, also while in limits. `restored` says that an earlier incomplete check-in is made good.
    """

    outcome: str
    sentence: str
    lapse: str | None
    moved: tuple[str, ...] = ()
    restored: bool = False


@dataclass(frozen=True, slots=True)
class Circumstances:
    """What is known beside the run's readings.

    `whole` means the run is of the first set. `strangers` are modules that took part and are not the bound one. `restorable`
    means that nothing but an incomplete check-in of this return ended the certificate. `held` is the reason of an open hold.
    """

    whole: bool = True
    remark_waiting: bool = False
    module_read: bool = True
    strangers: tuple[str, ...] = ()
    restorable: bool = False
    held: str | None = None


PLAIN = Circumstances()


def check_in(
    certificate: CertificateFacts | None,
    in_force: bool,
    assessment: Assessment,
    closed: bool,
    known: Circumstances = PLAIN,
) -> CheckIn:
    """Decide. An out holds the board; a missing part lapses the certificate until completed; a marginal keeps it returned.

    An out of a test that was let go holds nothing; but a certificate that calls that test in limits ends.
    """
    if bad := _held(assessment, known):
        return bad
    if waiting := _waiting(certificate, assessment, closed, known):
        return waiting
    good = f"All in limits but for {', '.join(sorted(assessment.waived))}, waived" if assessment.waived else "All in limits"
    if known.held is not None:
        return CheckIn("held", f"{good}, and the board stays held: {known.held}", None)
    if certificate is None or not (in_force or known.restorable):
        return CheckIn("returned", f"{good}, but no certificate is in force; run the set `full`.", None)
    if found := _not_named(certificate, assessment, Verdict.OUT):
        told = f"{found[0].sentence} It is waived, but certificate {certificate.id} does not say so."
        return CheckIn("returned", f"{told} Run the set `full` and certify again.", "LAPSE-CHECKIN-FAILED")
    again = "is in force again, as the check-in is complete" if known.restorable else "stays in force"
    return CheckIn("fit kept", f"{good}; certificate {certificate.id} {again}.", None, restored=known.restorable)


def _held(assessment: Assessment, known: Circumstances) -> CheckIn | None:
    """Another module, or an out."""
    outs = assessment.with_verdict(Verdict.OUT)
    if known.strangers:
        also = f" Out besides: {', '.join(o.test for o in outs)}." if outs else ""
        told = f"Module {', '.join(known.strangers)} took part in the run and is not the one on record."
        return CheckIn("held", told + also, "LAPSE-MODULE")
    if outs:
        more = f" Also out: {', '.join(o.test for o in outs[1:])}." if len(outs) > 1 else ""
        return CheckIn("held", outs[0].sentence + more, "LAPSE-CHECKIN-FAILED")
    return None


def _waiting(certificate: CertificateFacts | None, assessment: Assessment, closed: bool, known: Circumstances) -> CheckIn | None:
    """What is not settled, and who or what settles it. A marginal without its witness is no gap: nothing lapses by it."""
    gaps = [need for need in assessment.needs if need.code != "witness"]
    if gaps:
        return CheckIn("returned", f"The check-in is not complete: {gaps[0].what}", CHECKIN_INCOMPLETE if closed else None)
    if assessment.needs:
        again = " Measure it in a new run." if closed else ""
        return CheckIn("returned", f"Not settled: {assessment.needs[0].what}{again}", None)
    marginal = (*assessment.with_verdict(Verdict.MARGINAL), *_not_named(certificate, assessment, Verdict.MARGINAL))
    if marginal:
        return CheckIn("returned", f"Not settled: {marginal[0].sentence}", None)
    if not known.module_read:
        return CheckIn("returned", "The module was read neither at the return nor in the run; run the set again.", None)
    if known.remark_waiting and not known.whole:
        return CheckIn("returned", "All in limits, but a remark is waiting: read it, or run the set `full`.", None)
    return None


def _not_named(certificate: CertificateFacts | None, assessment: Assessment, verdict: Verdict) -> tuple[Outcome, ...]:
    """Waived tests with this verdict that the certificate calls in limits: it no longer tells the truth."""
    named = frozenset(certificate.waived if certificate else ())
    return tuple(o for o in assessment.outcomes.values() if o.test in assessment.waived - named and o.verdict is verdict)
