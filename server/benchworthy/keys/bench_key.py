"""The key of one bench: it signs what the bench itself saw. The service knows only its public half."""

import binascii
from pathlib import Path
from typing import Any

from joserfc.errors import JoseError
from joserfc.jwk import OKPKey

from benchworthy.errors import RequestInvalid
from benchworthy.keys.secret import load_or_create_signing_key
from benchworthy.keys.signer import sign_compact
from benchworthy.reports.token import TYPE, KeyId, KeyKind


class BenchKey:
    """An Ed25519 private key kept in a file at the bench."""

    def __init__(self, key: OKPKey) -> None:
        self._key = key
        self._thumbprint = key.thumbprint()

    @classmethod
    def load_or_create(cls, path: Path) -> "BenchKey":
        """Read the key file, or make a key and keep it. Raises SettingsInvalid."""
        return cls(load_or_create_signing_key(path))

    @property
    def thumbprint(self) -> str:
        """RFC 7638 thumbprint of the public key."""
        return self._thumbprint

    @property
    def public_jwk(self) -> dict[str, str]:
        """The public key (kty, crv, x), as it is registered with the service."""
        return {name: str(self._key[name]) for name in ("kty", "crv", "x")}

    def sign_report(self, payload: bytes) -> bytes:
        """Sign a report's payload: a compact token whose kid is b.<thumbprint>."""
        kid = str(KeyId(KeyKind.BENCH, self._thumbprint))
        return sign_compact(self._key, TYPE, kid, payload).encode()


def read_public_jwk(jwk: Any) -> OKPKey:
    """An Ed25519 public key from parsed JSON. Raises RequestInvalid, also when the private half came along.

    Only kty, crv and x count; other members (use, alg, kid) are left aside, the thumbprint is computed.
    """
    if not isinstance(jwk, dict) or jwk.get("kty") != "OKP" or jwk.get("crv") != "Ed25519":
        raise RequestInvalid("The key is no Ed25519 public key in JWK form (RFC 8037).")
    if "d" in jwk:
        raise RequestInvalid("The key holds its private half: make a new key and send only kty, crv and x.")
    try:
        return OKPKey.import_key({"kty": "OKP", "crv": "Ed25519", "x": jwk.get("x", "")})
    except (JoseError, ValueError, binascii.Error) as fault:
        raise RequestInvalid("The key's x is not 32 bytes in base64url.") from fault
