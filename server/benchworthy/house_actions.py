"""Whose word counts in the house: tokens, benches, approved software, signing keys; see desk_actions.py."""

from collections.abc import Callable, Sequence
from datetime import datetime
from typing import Any

from benchworthy.acts import (
    enrolling,
    revoking,
    signing_keys,
    software,
    standing_kept,
)
from benchworthy.desk.software import Approved
from benchworthy.history.records import Access, Bench
from benchworthy.ports import Services


def register_bench(services: Services, name: str, thumbprint: str, jwk: dict[str, Any], holder: str) -> Bench:
    with services.storage.writing() as work:
        return enrolling.register_bench(name, thumbprint, jwk, holder, work, services)


def register_token(
    services: Services, fingerprint: str, role: str, code: str, days: int | None, holder: str, scope: str = "all"
) -> Access:
    with services.storage.writing() as work:
        return enrolling.register_token(fingerprint, role, code, days, holder, work, services, scope)


def tokens(services: Services, after: str, limit: int) -> Sequence[Access]:
    with services.storage.reading() as work:
        return work.registry.accesses(services.site, after, limit)


def revoke_token(services: Services, token: str, holder: str) -> Access:
    """From now on it opens nothing."""
    with services.storage.writing() as work:
        return revoking.token(token, holder, work, services)


def benches(services: Services, after: str, limit: int) -> Sequence[Bench]:
    with services.storage.reading() as work:
        return work.registry.benches(services.site, after, limit)


def revoke_bench(services: Services, thumbprint: str, since: datetime, reason: str, holder: str) -> tuple[Bench, Sequence[str]]:
    """Its key vouches for nothing any more; what it vouched for since then lapses."""
    with services.storage.writing() as work:
        revoked = revoking.bench(thumbprint, since, reason, holder, work, standing_kept.of_many(services))
    standing_kept.catch_up(services)
    return revoked


def approve_software(services: Services, kind: str, value: str, reason: str, holder: str) -> Approved:
    """A firmware or an agent is declared compatible."""
    with services.storage.writing() as work:
        return software.approve(kind, value, reason, holder, work, services)


def approved_software(services: Services, after: int, limit: int) -> Sequence[Approved]:
    with services.storage.reading() as work:
        return software.listed(after, limit, work, services)


def revoke_approval(services: Services, number: int, reason: str, holder: str) -> Approved:
    with services.storage.writing() as work:
        return software.revoke(number, reason, holder, work, services)


def rotate_key(services: Services, rotate: Callable[[], tuple[str, str]], holder: str) -> tuple[str, str]:
    """`rotate` changes the key files and names the old key and the new one."""
    with services.storage.writing() as work:
        return signing_keys.rotate(rotate, holder, work, services)


def withdraw_key(services: Services, thumbprint: str, reason: str, holder: str) -> Sequence[str]:
    """What a key signed is worth nothing any more; the certificates that lapse by it."""
    with services.storage.writing() as work:
        lapsed = signing_keys.withdraw(thumbprint, reason, holder, work, standing_kept.of_many(services))
    standing_kept.catch_up(services)
    return lapsed
