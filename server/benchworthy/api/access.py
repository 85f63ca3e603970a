"""Who asks, and may they? Tokens by `Authorization: Bearer`, one role each."""

from collections.abc import Callable
from functools import wraps
from typing import Any

from flask import current_app, g, request

from benchworthy.errors import RoleRefused, TokenMissing, TokenRefused
from benchworthy.history.records import Access
from benchworthy.keys.access import fingerprint
from benchworthy.ports import Services


def services() -> Services:
    """The services this application was built with."""
    found: Services = current_app.extensions["benchworthy"]
    return found


def holder() -> str:
    """The opaque code of whoever asks."""
    access: Access = g.access
    return access.holder


def role() -> str:
    access: Access = g.access
    return access.role


def authenticate() -> None:
    """Find the token of this request. Raises TokenMissing or TokenRefused."""
    kind, _, secret = request.headers.get("Authorization", "").partition(" ")
    if kind.lower() != "bearer" or not secret:
        raise TokenMissing("This needs a token.")
    core = services()
    with core.storage.reading() as work:
        access = work.registry.access(fingerprint(secret.strip()))
    if access is None or access.site != core.site or access.revoked_at is not None:
        raise TokenRefused("The token is not known here.")
    if access.expires_at is not None and access.expires_at <= core.now():
        raise TokenRefused(f"The token ended on {access.expires_at:%Y-%m-%d}.")
    g.access = access


def allowed(*roles: str) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """Let these roles and the coordinator in; without roles, every token. Raises RoleRefused."""

    def wrap(view: Callable[..., Any]) -> Callable[..., Any]:
        @wraps(view)
        def guarded(*args: Any, **kwargs: Any) -> Any:
            authenticate()
            if roles and role() not in (*roles, "coordinator"):
                raise RoleRefused(f"A {role()} may not do this; it takes {' or '.join(roles)}.", role=role(), needed=list(roles))
            return view(*args, **kwargs)

        return guarded

    return wrap
