"""What needs no token: the keys, and whether the service is alive."""

from typing import Any

from flask import Blueprint, jsonify

from benchworthy.api.access import services

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
    """The database answers."""
    core = services()
    with core.storage.reading() as work:
        work.registry.any_access()
    return jsonify({"ready": True, "site": core.site})
