"""The site's signature: certificates and status lists as JWS with alg Ed25519 (RFC 8037, RFC 9864)."""

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from joserfc import jws
from joserfc.jwk import OKPKey

from benchworthy.keys.secret import load_or_create_signing_key, load_signing_key

ALGORITHM: Final = "Ed25519"


class SiteSigner:
    """Adapter of ports.Signer over one Ed25519 private key. Only the web process holds one."""

    def __init__(self, key: OKPKey) -> None:
        self._key = key
        self._thumbprint = key.thumbprint()

    @classmethod
    def load(cls, path: Path) -> "SiteSigner":
        """Read the key file. Raises SettingsInvalid."""
        return cls(load_signing_key(path))

    @classmethod
    def load_or_create(cls, path: Path) -> "SiteSigner":
        """Read the key file, or make a key and keep it. Raises SettingsInvalid."""
        return cls(load_or_create_signing_key(path))

    @property
    def thumbprint(self) -> str:
        """RFC 7638 thumbprint of the public key; it is the `kid`."""
        return self._thumbprint

    def sign(self, type_name: str, claims: Mapping[str, Any]) -> str:
        """Return a JWS in compact form. ValueError for NaN and Infinity, TypeError for what is not JSON."""
        # Not escaping to ASCII keeps the token short enough for its QR code.
        payload = json.dumps(dict(claims), separators=(",", ":"), ensure_ascii=False, allow_nan=False)
        return sign_compact(self._key, type_name, self._thumbprint, payload.encode())

    def jwks(self) -> dict[str, Any]:
        """The public key as a JWK Set (RFC 7517)."""
        public = self._key.as_dict(private=False, kid=self._thumbprint, use="sig", alg=ALGORITHM)
        return {"keys": [public]}


def sign_compact(key: OKPKey, type_name: str, kid: str, payload: bytes) -> str:
    """Sign octets as they are; header members in this order: alg, kid, typ."""
    header = {"alg": ALGORITHM, "kid": kid, "typ": type_name}
    return jws.serialize_compact(header, payload, key, algorithms=[ALGORITHM])
