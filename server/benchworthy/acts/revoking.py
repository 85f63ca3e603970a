"""Tokens and bench keys are taken back."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from typing import Final

from benchworthy.acts.gather import board_of
from benchworthy.errors import AlreadyRevoked, UnknownBench, UnknownToken
from benchworthy.evidence.recording import enter, enter_site
from benchworthy.history.records import Access, Bench
from benchworthy.ports import Services, Work

SHOWN: Final = 12  # characters of a fingerprint that name a token, here and in the ledger
LAPSE: Final = "LAPSE-BENCH"


def token(name: str, holder: str, work: Work, services: Services) -> Access:
    """Revoke a token by the beginning of its fingerprint. Raises UnknownToken, AlreadyRevoked."""
    candidates = work.registry.accesses(services.site, name[:-1], 1000)  # in order, from those that begin like this on
    found = [one for one in candidates if one.fingerprint.startswith(name)]
    if len(found) != 1:
        raise UnknownToken(f"No token {name} is on record.", token=name)
    if found[0].revoked_at is not None:
        raise AlreadyRevoked(f"The token {name} was revoked on {found[0].revoked_at:%Y-%m-%d}.")
    now = services.now()
    work.registry.revoke_access(found[0].fingerprint, now)
    enter_site("token-revoked", holder, {"token": name, "holder": found[0].holder}, work, services)
    return replace(found[0], revoked_at=now)


def bench(
    thumbprint: str, since: datetime, reason: str, holder: str, work: Work, services: Services
) -> tuple[Bench, Sequence[str]]:
    """Revoke a bench's key and lapse every certificate that rests on a run opened there since then; returns their ids.

    Raises UnknownBench, AlreadyRevoked.
    """
    found = work.registry.bench(thumbprint)
    if found is None or found.site != services.site:
        raise UnknownBench(f"No bench {thumbprint} is registered.", thumbprint=thumbprint)
    if found.revoked_at is not None:
        raise AlreadyRevoked(f"The bench {found.name} was revoked on {found.revoked_at:%Y-%m-%d}.")
    now = services.now()
    work.registry.revoke_bench(thumbprint, now)
    resting = work.desk.resting_on(thumbprint, since)
    facts = {"thumbprint": thumbprint, "name": found.name, "since": since.isoformat(), "certificates": [c.id for c in resting]}
    enter_site("bench-revoked", holder, facts, work, services, reason)
    work.desk.lapse_each([certificate.id for certificate in resting], LAPSE, now)
    for certificate in resting:
        board = board_of(certificate.serial, work, services)
        enter(board, "certificate-lapsed", holder, {"certificate": certificate.id, "code": LAPSE}, work, services)
    return replace(found, revoked_at=now), [certificate.id for certificate in resting]
