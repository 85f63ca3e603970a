"""Who asks, and may they? Tokens by `Authorization: Bearer`, one role each."""

from collections.abc import Callable
from functools import wraps
from typing import Any

from flask import current_app, g, request

from benchworthy.api import failures
from benchworthy.api.once import once
from benchworthy.errors import RoleRefused, TokenMissing, TokenRefused
from benchworthy.history.records import Access
from benchworthy.keys.access import fingerprint
from benchworthy.ports import Services


def services() -> Services:
    """The services this application was built with; in a request made once, over that request's own transaction."""
    found: Services = g.get("services") or current_app.extensions["benchworthy"]
    return found


def holder() -> str:
    """The opaque code of whoever asks."""
    access: Access = g.access
    return access.holder


def role() -> str:
    access: Access = g.access
    return access.role


def authenticate() -> None:
    """Find the token of this request. Raises TokenMissing, TokenRefused or TooManyFailures."""
    kind, _, secret = request.headers.get("Authorization", "").partition(" ")
    if kind.lower() != "bearer" or not secret:
        raise TokenMissing("This needs a token.")
    core = services()
    with failures.counted(current_app, request.remote_addr or "", fingerprint(secret.strip()), core.now()):
        g.access = _access(fingerprint(secret.strip()), core)


def _access(token: str, core: Services) -> Access:
    """Raises TokenRefused."""
    with core.storage.reading() as work:
        access = work.registry.access(token)
    if access is None or access.site != core.site or access.revoked_at is not None:
        raise TokenRefused("The token is not known here.")
    if access.expires_at is not None and access.expires_at <= core.now():
        raise TokenRefused(f"The token ended on {access.expires_at:%Y-%m-%d}.")
    return access


def allowed(*roles: str) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """Let these roles and the coordinator in; without roles, every token. Raises RoleRefused."""

    def wrap(view: Callable[..., Any]) -> Callable[..., Any]:
        @wraps(view)
        def guarded(*args: Any, **kwargs: Any) -> Any:
            authenticate()
            if roles and role() not in (*roles, "coordinator"):
                raise RoleRefused(f"A {role()} may not do this; it takes {' or '.join(roles)}.", role=role(), needed=list(roles))
            return once(services(), g.access.fingerprint, lambda: view(*args, **kwargs))

        return guarded

    return wrap
