"""What goes on paper, gathered from the record, and the address that each printed code leads to. Drawing is done outside."""

from collections.abc import Sequence
from dataclasses import dataclass

from benchworthy.acts.certifying import find
from benchworthy.errors import UnknownSerial
from benchworthy.ports import Services, Work


@dataclass(frozen=True, slots=True)
class LabelText:
    """What one board's label says."""

    serial: str
    design: str
    url: str
    virtual: bool


@dataclass(frozen=True, slots=True)
class CertificateText:
    """The token as issued, its results document byte for byte, the address of its public page."""

    token: str
    results: str
    url: str


def labels(serials: Sequence[str], work: Work, services: Services) -> tuple[LabelText, ...]:
    """In the order asked for. Raises UnknownSerial, which names every board that is not enrolled: nothing is half printed."""
    found = {serial: work.registry.board(serial) for serial in dict.fromkeys(serials)}
    boards = {serial: board for serial, board in found.items() if board is not None and board.site == services.site}
    if missing := [serial for serial in found if serial not in boards]:
        raise UnknownSerial(f"No board {', '.join(missing)} is enrolled; nothing was printed.", serials=missing)
    return tuple(
        LabelText(serial, services.find_sheet(boards[serial].design).title, page(serial, services), boards[serial].virtual)
        for serial in serials
    )


def certificate(certificate_id: str, work: Work, services: Services) -> CertificateText:
    """Raises UnknownCertificate."""
    found = find(certificate_id, work, services)
    return CertificateText(found.token, work.desk.document(found.results) or "", page(found.id, services))


def page(name: str, services: Services) -> str:
    """The public page of a certificate by its id; of a board's certificate of the day by its serial number.

    A label outlives every certificate, so its code names the board.
    """
    return f"{services.public_url}/c/{name}"


def remarks_page(services: Services) -> str:
    """The public page where a slip's code is taken."""
    return f"{services.public_url}/remarks"
