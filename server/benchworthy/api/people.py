"""Benches and tokens."""

from typing import Any

from flask_smorest import Blueprint

from benchworthy import house_actions
from benchworthy.api import schemas
from benchworthy.api.access import allowed, holder, services
from benchworthy.keys.access import fingerprint, new_secret
from benchworthy.keys.bench_key import read_public_jwk

blueprint = Blueprint("people", __name__, url_prefix="/api/v1", description="Benches and tokens")


@blueprint.post("/benches")
@allowed("coordinator")
@blueprint.arguments(schemas.NewBench)
@blueprint.response(201, schemas.BenchOut)
def register_bench(body: dict[str, Any]) -> Any:
    """Register a bench by its public Ed25519 key."""
    key = read_public_jwk(body["jwk"])
    public = {"crv": "Ed25519", "kty": "OKP", "x": str(body["jwk"]["x"])}
    return house_actions.register_bench(services(), body["name"], key.thumbprint(), public, holder())


@blueprint.post("/tokens")
@allowed("coordinator")
@blueprint.arguments(schemas.NewToken)
@blueprint.response(201, schemas.TokenOut)
def create_token(body: dict[str, Any]) -> dict[str, Any]:
    """Create a token for a person; the secret is told once."""
    secret = new_secret(services().random)
    named = (fingerprint(secret), body["role"], body["holder"], body["days"])
    access = house_actions.register_token(services(), *named, holder(), body["scope"])
    told = {name: getattr(access, name) for name in ("role", "holder", "scope", "expires_at")}
    return {"secret": secret, **told}
