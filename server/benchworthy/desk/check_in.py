"""What a check-in run makes of a returned board: fit kept, held, or still returned with the next step named."""

from dataclasses import dataclass

from benchworthy.desk.facts import CertificateFacts
from benchworthy.judging.decision import Verdict
from benchworthy.judging.run import Assessment
from benchworthy.judging.tests import Outcome


@dataclass(frozen=True, slots=True)
class CheckIn:
    """`outcome` is "fit kept", "held" or "returned"; `lapse` names the certificate's lapse, if it lapses.

    `moved` says what moved since build, also while in limits.
    """

    outcome: str
    sentence: str
    lapse: str | None
    moved: tuple[str, ...] = ()


def check_in(certificate: CertificateFacts | None, in_force: bool, assessment: Assessment, closed: bool) -> CheckIn:
    """Decide. An out holds the board; a missing part lapses the certificate until completed; a marginal keeps it returned.

    An out of a test that was let go holds nothing; but a certificate that calls that test in limits ends.
    """
    outs = assessment.with_verdict(Verdict.OUT)
    if outs:
        more = f" Also out: {', '.join(o.test for o in outs[1:])}." if len(outs) > 1 else ""
        return CheckIn("held", outs[0].sentence + more, "LAPSE-CHECKIN-FAILED")
    if assessment.needs:
        first = assessment.needs[0]
        lapse = "LAPSE-CHECKIN-INCOMPLETE" if closed else None
        return CheckIn("returned", f"The check-in is not complete: {first.what}", lapse)
    marginal = (*assessment.with_verdict(Verdict.MARGINAL), *_not_named(certificate, assessment, Verdict.MARGINAL))
    if marginal:
        return CheckIn("returned", f"Not settled: {marginal[0].sentence}", None)
    good = f"All in limits but for {', '.join(sorted(assessment.waived))}, waived" if assessment.waived else "All in limits"
    if certificate is None or not in_force:
        return CheckIn("returned", f"{good}, but no certificate is in force; run the set `full`.", None)
    found = _not_named(certificate, assessment, Verdict.OUT)
    if found:
        told = f"{found[0].sentence} It is waived, but certificate {certificate.id} does not say so."
        return CheckIn("returned", f"{told} Run the set `full` and certify again.", "LAPSE-CHECKIN-FAILED")
    return CheckIn("fit kept", f"{good}; certificate {certificate.id} stays in force.", None)


def _not_named(certificate: CertificateFacts | None, assessment: Assessment, verdict: Verdict) -> tuple[Outcome, ...]:
    """Waived tests with this verdict that the certificate calls in limits: it no longer tells the truth."""
    named = frozenset(certificate.waived if certificate else ())
    return tuple(o for o in assessment.outcomes.values() if o.test in assessment.waived - named and o.verdict is verdict)
