"""The site's signature: certificates and status lists as JWS with alg Ed25519 (RFC 8037, RFC 9864)."""

import json
import logging
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from joserfc import jws
from joserfc.jwk import OKPKey

from benchworthy.errors import SettingsInvalid
from benchworthy.keys.secret import former_keys, load_or_create_signing_key, load_signing_key

log = logging.getLogger("benchworthy.keys")

ALGORITHM: Final = "Ed25519"

Stamp = tuple[int, int, int] | None


@dataclass(frozen=True, slots=True)
class _Held:
    """What was read at one moment: the key that signs, and the public halves of those before it."""

    stamp: Stamp
    key: OKPKey
    former: tuple[OKPKey, ...]


class SiteSigner:
    """Adapter of ports.Signer over one Ed25519 private key. Only the web process holds one.

    Read from a file, it looks before each use whether the key was renewed or a former one withdrawn: nothing is signed by
    a key that is no longer the site's.
    """

    def __init__(self, key: OKPKey, former: tuple[OKPKey, ...] = (), path: Path | None = None) -> None:
        self._path = path
        self._held = _Held(_stamp(path), key, former)

    @classmethod
    def load(cls, path: Path) -> "SiteSigner":
        """Read the key file and what is kept of the keys before it. Raises SettingsInvalid."""
        return cls(*_read(path, load_signing_key(path)), path)

    @classmethod
    def load_or_create(cls, path: Path) -> "SiteSigner":
        """Read the key file, or make a key and keep it. Raises SettingsInvalid."""
        return cls(*_read(path, load_or_create_signing_key(path)), path)

    @property
    def thumbprint(self) -> str:
        """RFC 7638 thumbprint of the public key; it is the `kid`."""
        return str(self._now().key.thumbprint())

    @property
    def former(self) -> tuple[str, ...]:
        """Thumbprints of the keys before it, what they signed being good still."""
        return tuple(key.thumbprint() for key in self._now().former)

    def sign(self, type_name: str, claims: Mapping[str, Any]) -> str:
        """Return a JWS in compact form. ValueError for NaN and Infinity, TypeError for what is not JSON."""
        # Not escaping to ASCII keeps the token short enough for its QR code.
        payload = json.dumps(dict(claims), separators=(",", ":"), ensure_ascii=False, allow_nan=False)
        key = self._now().key
        return sign_compact(key, type_name, key.thumbprint(), payload.encode())

    def jwks(self) -> dict[str, Any]:
        """The public keys as a JWK Set (RFC 7517); the first one signs."""
        held = self._now()
        return {"keys": [_public(held.key), *(_public(key) for key in held.former)]}

    def _now(self) -> _Held:
        stamp = _stamp(self._path)
        if self._path is not None and stamp is not None and stamp != self._held.stamp:
            try:
                self._held = _Held(stamp, *_read(self._path, load_signing_key(self._path)))
            except SettingsInvalid as fault:  # a copy by hand under way, or another account's file; what was read before signs on
                log.warning("the signing keys changed and cannot be read: %s", fault)
                self._held = _Held(stamp, self._held.key, self._held.former)
        return self._held


def _read(path: Path, key: OKPKey) -> tuple[OKPKey, tuple[OKPKey, ...]]:
    """The key with those before it; a rotation that was cut short has put the present one among them."""
    return key, tuple(one for one in former_keys(path) if one.thumbprint() != key.thumbprint())


def _stamp(path: Path | None) -> Stamp:
    """Another one after a file of the keys was replaced, added or taken away, or has another owner or mode."""
    if path is None:
        return None
    try:
        file, folder = path.stat(), path.parent.stat()
    except OSError:
        return None
    return file.st_ino, file.st_ctime_ns, folder.st_mtime_ns


def _public(key: OKPKey) -> dict[str, Any]:
    public: dict[str, Any] = key.as_dict(private=False, kid=key.thumbprint(), use="sig", alg=ALGORITHM)
    return public


def sign_compact(key: OKPKey, type_name: str, kid: str, payload: bytes) -> str:
    """Sign octets as they are; header members in this order: alg, kid, typ."""
    header = {"alg": ALGORITHM, "kid": kid, "typ": type_name}
    return jws.serialize_compact(header, payload, key, algorithms=[ALGORITHM])
