"""A doubt reaches many certificates at once: each lapses, and each board whose newest it is is held, wherever it is."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from benchworthy.acts.gather import board_of
from benchworthy.desk.recall import Covered
from benchworthy.evidence.recording import enter
from benchworthy.history.records import Certificate
from benchworthy.ports import Services, Work


@dataclass(frozen=True, slots=True)
class Doubted:
    """The certificates that lapsed, and the boards with where each of them is."""

    lapsed: tuple[str, ...]
    boards: tuple[Covered, ...]


def doubt(
    resting: Sequence[Certificate],
    also: Sequence[str],
    code: str,
    reason: str,
    holder: str,
    at: datetime,
    work: Work,
    services: Services,
) -> Doubted:
    """Lapse the certificates and hold their boards, and those of `also`, whose certificates rest on something else.

    A board certified anew since, on other evidence, keeps its newer certificate and is not held for the older one.
    """
    lapsing = [certificate.id for certificate in resting]
    work.desk.lapse_each(lapsing, code, at)
    places = {place.serial: place for place in work.recalls.where([*(c.serial for c in resting), *also], code)}
    for serial, place in places.items():
        board = board_of(serial, work, services)
        lapsed = [certificate.id for certificate in resting if certificate.serial == serial]
        newest = work.desk.newest_certificate(serial)
        reached = serial in also or (newest is not None and newest.id in lapsed)
        if not reached or place.held:
            for certificate in lapsed:
                enter(board, "certificate-lapsed", holder, {"certificate": certificate, "code": code}, work, services)
            continue
        work.desk.add_hold(serial, code, reason, holder, at)
        places[serial] = replace(place, held=True)
        enter(board, "held", holder, {"code": code, "lapsed": lapsed}, work, services, reason)
    return Doubted(tuple(lapsing), tuple(places.values()))
