"""What a check-in run makes of a returned board: fit kept, held, or still returned with the next step named."""

from dataclasses import dataclass

from benchworthy.desk.facts import CertificateFacts
from benchworthy.judging.decision import Verdict
from benchworthy.judging.run import Assessment


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
    """Decide. An out holds the board; a missing part lapses the certificate until completed; a marginal keeps it returned."""
    outs = assessment.with_verdict(Verdict.OUT)
    if outs:
        more = f" Also out: {', '.join(o.test for o in outs[1:])}." if len(outs) > 1 else ""
        return CheckIn("held", outs[0].sentence + more, "LAPSE-CHECKIN-FAILED")
    if assessment.needs:
        first = assessment.needs[0]
        lapse = "LAPSE-CHECKIN-INCOMPLETE" if closed else None
        return CheckIn("returned", f"The check-in is not complete: {first.what}", lapse)
    marginal = assessment.with_verdict(Verdict.MARGINAL)
    if marginal:
        return CheckIn("returned", f"Not settled: {marginal[0].sentence}", None)
    if certificate is None or not in_force:
        return CheckIn("returned", "All in limits, but no certificate is in force; run the set `full`.", None)
    return CheckIn("fit kept", f"All in limits; certificate {certificate.id} stays in force.", None)
