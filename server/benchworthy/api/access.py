"""Who asks, and may they? Tokens by `Authorization: Bearer`, one role each."""

from collections.abc import Callable, Mapping
from functools import wraps
from typing import Any, Final

from flask import current_app, g, request

from benchworthy.api import failures
from benchworthy.api.once import once
from benchworthy.errors import RoleRefused, ScopeRefused, TokenMissing, TokenRefused
from benchworthy.history.records import Access
from benchworthy.keys.access import fingerprint
from benchworthy.ports import Services

# What a token of this scope may do beside what needs no token, such as handing in a signed report.
_SCOPES: Final[Mapping[str, tuple[frozenset[str], str]]] = {
    "read": (frozenset(), "only reads"),
    "reports": (
        frozenset({"tickets.use", "runs.view", "runs.answer", "runs.draw"}),
        "only delivers reports, answers and the use of tickets",
    ),
}


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
    """Find the token of this request. Raises TokenMissing, TokenRefused, TooManyFailures or ScopeRefused."""
    kind, _, secret = request.headers.get("Authorization", "").partition(" ")
    if kind.lower() != "bearer" or not secret:
        raise TokenMissing("This needs a token.")
    core = services()
    with failures.counted(current_app, request.remote_addr or "", fingerprint(secret.strip()), core.now()):
        g.access = _access(fingerprint(secret.strip()), core)
    _within_scope(g.access)


def _within_scope(access: Access) -> None:
    """Raises ScopeRefused, also for a scope that this version does not know."""
    if access.scope == "all" or (access.scope == "read" and request.method in ("GET", "HEAD")):
        return
    endpoints, told = _SCOPES.get(access.scope, (frozenset(), "does nothing that this version knows"))
    if request.endpoint not in endpoints:
        raise ScopeRefused(f"A token of scope {access.scope!r} {told}.", scope=access.scope)


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
