"""Certificates from issue to withdrawal, as one table of contents; see desk_actions.py."""

from collections.abc import Iterator

from benchworthy.acts import (
    certifying,
    printing,
    rejudging,
    withdrawing,
)
from benchworthy.designs.sheet import Sheet
from benchworthy.history.records import Certificate
from benchworthy.ports import Services


def certify(services: Services, serial: str, run: str | None, holder: str) -> Certificate:
    """Issue a certificate, or tell everything that is unmet."""
    with services.storage.writing() as work:
        return certifying.certify(serial, run, holder, work, services)


def certificate(services: Services, certificate_id: str) -> Certificate:
    with services.storage.reading() as work:
        return certifying.find(certificate_id, work, services)


def results(services: Services, certificate_id: str) -> str:
    """The results document, byte for byte as it was hashed."""
    with services.storage.reading() as work:
        return work.desk.document(certifying.find(certificate_id, work, services).results) or ""


def certificate_on_paper(services: Services, certificate_id: str) -> printing.CertificateText:
    """What its PDF is made from."""
    with services.storage.reading() as work:
        return printing.certificate(certificate_id, work, services)


def withdraw(services: Services, certificate_id: str, reason: str, holder: str) -> Certificate:
    """A coordinator takes a certificate back."""
    with services.storage.writing() as work:
        return withdrawing.withdraw(certificate_id, reason, holder, work, services)


def rejudge(services: Services, design: str | None, sheet: Sheet | None, holder: str | None) -> Iterator[rejudging.Rejudged]:
    """Certificates in force by another sheet; with a holder entered for good, each by itself, so it may be begun again."""
    with services.storage.reading() as work:
        waiting = rejudging.in_force(design, work, services)
    for certificate in waiting:
        with services.storage.reading() as work:
            found = rejudging.judge(certificate, sheet, work, services)
        if found is None:
            continue
        if holder is not None:
            with services.storage.writing() as work:
                rejudging.settle(found, holder, work, services)
        yield found


def status_list(services: Services) -> str:
    with services.storage.reading() as work:
        return certifying.status_list(work, services)
