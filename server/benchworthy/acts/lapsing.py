"""A board's certificates lapse, and its chain says each of them, by which code, and on what."""

from collections.abc import Mapping, Sequence

from benchworthy.desk.facts import Unmet
from benchworthy.desk.lapses import RENEWABLE, asks_for_full
from benchworthy.errors import ActRefused
from benchworthy.evidence.recording import enter
from benchworthy.history.records import Board
from benchworthy.ports import Services, Work


def lapse(
    board: Board, code: str, holder: str, facts: Mapping[str, object], work: Work, services: Services, text: str | None = None
) -> Sequence[str]:
    """Lapse what is in force of a board; returns the certificates' ids.

    A code that asks for the first set also takes the place of one after which a renewal would do.
    """
    now = services.now()
    ids = [certificate.id for certificate in work.lapses.in_force(board.serial, now)]
    newest = work.desk.newest_certificate(board.serial)
    if newest is not None and newest.id not in ids and asks_for_full(code) and newest.lapse in RENEWABLE:
        ids.append(newest.id)
    lapse_these(ids, board, code, holder, facts, work, services, text)
    return ids


def lapse_these(
    ids: Sequence[str],
    board: Board,
    code: str,
    holder: str,
    facts: Mapping[str, object],
    work: Work,
    services: Services,
    text: str | None = None,
) -> None:
    """One entry for each certificate."""
    work.desk.lapse_each(ids, code, services.now())
    for certificate in ids:
        enter(board, "certificate-lapsed", holder, {"certificate": certificate, "code": code, **facts}, work, services, text)


def refuse(lead: str, act: str, unmet: Sequence[Unmet]) -> None:
    """Raises ActRefused when something is unmet."""
    if unmet:
        told = [{"code": u.code, "what": u.what, "evidence": u.evidence, "next": u.next} for u in unmet]
        raise ActRefused(f"{lead} " + " ".join(u.what for u in unmet), act=act, unmet=told)
