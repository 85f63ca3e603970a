"""A coordinator withdraws a certificate: the status list says so at once."""

from benchworthy.acts.certifying import find
from benchworthy.acts.gather import board_of
from benchworthy.acts.lapsing import lapse_these, refuse
from benchworthy.desk import withdrawal
from benchworthy.desk.lapses import WITHDRAWN
from benchworthy.history.records import Certificate
from benchworthy.ports import Services, Work


def withdraw(certificate: str, reason: str, holder: str, work: Work, services: Services) -> Certificate:
    """Raises UnknownCertificate, ActRefused. Only this one lapses; a lapse by the sheet may still be made final by it."""
    find(certificate, work, services)
    found = work.desk.certificate(certificate)
    assert found is not None
    unmet = withdrawal.unmet_conditions(certificate, found.lapse, found.valid_until, services.now())
    refuse("It is not withdrawn.", "withdraw a certificate", unmet)
    board = board_of(found.serial, work, services)
    lapse_these([certificate], board, WITHDRAWN, holder, {}, work, services, reason)
    return find(certificate, work, services)
