"""What needs no token: the keys, and whether the service is alive."""

from typing import Any

from flask import Blueprint, current_app, jsonify

from benchworthy.api.access import services
from benchworthy.errors import NotReady

blueprint = Blueprint("open", __name__)


@blueprint.get("/.well-known/jwks.json")
def jwks() -> Any:
    """The public keys that certificates and status lists are signed with."""
    signer = services().signer
    return jsonify(signer.jwks() if signer else {"keys": []})


@blueprint.get("/health/live")
def live() -> Any:
    """The process answers."""
    return jsonify({"live": True})


@blueprint.get("/health/ready")
def ready() -> Any:
    """The database answers and every part of the service is up; 503 names the part that is not."""
    core = services()
    with core.storage.reading() as work:
        work.registry.any_access()
    parts = current_app.extensions.get("benchworthy-parts", dict)()
    down = sorted(name for name, part in parts.items() if part["state"] != "up")
    if down:
        raise NotReady(f"Not up: {', '.join(down)}.", parts=parts)
    return jsonify({"ready": True, "site": core.site, "parts": parts})
