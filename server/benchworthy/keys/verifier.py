"""Was a report signed by the key it names? The adapter of ports.Verifier over joserfc.

Which algorithm a key admits is a constant here and never read from the token: that closes `alg` none and the
mix-up of a public key with an HMAC secret. A header holds alg, typ and kid; any other (`crit`) is refused.
"""

import hashlib
import hmac
import json
from collections.abc import Mapping
from typing import Final

from joserfc import jws
from joserfc.errors import JoseError
from joserfc.jwa import JWSAlgModel
from joserfc.jwk import Key, OctKey
from joserfc.registry import JWS_HEADER_REGISTRY

from benchworthy.errors import ReportRefused, ReportSignatureBad, RequestInvalid
from benchworthy.keys import derive
from benchworthy.keys.bench_key import read_public_jwk
from benchworthy.keys.secret import SiteSecret
from benchworthy.reports.token import MAX_BYTES, KeyId, KeyKind, split

HMAC_ALGORITHMS: Final = ("HS256",)
BENCH_ALGORITHMS: Final = ("Ed25519",)
SITE_ALGORITHMS: Final = ("Ed25519", "EdDSA")


class StrictRegistry(jws.JWSRegistry):
    """joserfc's rules narrowed to three header members and a constant list of algorithms."""

    def __init__(self, algorithms: tuple[str, ...], most_bytes: int) -> None:
        super().__init__(algorithms=algorithms)
        self.header_registry = {name: JWS_HEADER_REGISTRY[name] for name in ("alg", "typ", "kid")}
        self.max_payload_length = most_bytes

    def get_alg(self, name: str) -> JWSAlgModel:
        """EdDSA is the older name of Ed25519 (RFC 9864); under an Ed25519 key both are the same."""
        if name == "EdDSA" and name in (self.allowed or ()):
            return super().get_alg("Ed25519")
        return super().get_alg(name)


HMAC_RULES: Final = StrictRegistry(HMAC_ALGORITHMS, MAX_BYTES)
BENCH_RULES: Final = StrictRegistry(BENCH_ALGORITHMS, MAX_BYTES)
_RULES: Final = {KeyKind.FIELD: HMAC_RULES, KeyKind.RUN: HMAC_RULES, KeyKind.BENCH: BENCH_RULES}


class KeyRing:
    """Checks reports and makes receipt codes; the derived keys never leave it."""

    def __init__(self, secret: SiteSecret) -> None:
        self._secret = secret

    def verify(self, raw: bytes, key: KeyId, material: Mapping[str, str]) -> None:
        """Raise ReportSignatureBad unless `raw` was signed by `key`; `material` as in ports.Verifier."""
        try:
            named = split(raw).key
        except ReportRefused as fault:
            raise ReportSignatureBad(f"What came is no report token: {fault.detail}") from fault
        if named != key:
            raise ReportSignatureBad(f"The token names the key {named}, not {key}.")
        try:
            jws.deserialize_compact(raw, self._key(key, material), registry=_RULES[key.kind])
        except JoseError as fault:
            raise ReportSignatureBad(f"The signature by {key} does not hold ({fault.error}).") from fault

    def receipt_code(self, key: KeyId, material: Mapping[str, str], message: bytes) -> str:
        """HMAC-SHA256 in hex under the key that signed the report; empty for a bench key."""
        if key.kind is KeyKind.BENCH:
            return ""
        return code(self._shared(key, material), message)

    def _key(self, key: KeyId, material: Mapping[str, str]) -> Key:
        if key.kind is KeyKind.BENCH:
            return _bench_key(key, material)
        shared = self._shared(key, material)
        return OctKey(shared, shared)

    def _shared(self, key: KeyId, material: Mapping[str, str]) -> bytes:
        try:
            if key.kind is KeyKind.FIELD:
                return derive.field_key(self._secret, key.name, key.epoch)
            return derive.run_key(self._secret, key.name, material.get("nonce", ""))
        except ValueError as fault:
            raise ReportSignatureBad(f"The record does not give the key {key}: {fault}") from fault


def code(key: bytes, message: bytes) -> str:
    """A receipt's code: HMAC-SHA256 in hex."""
    return hmac.new(key, message, hashlib.sha256).hexdigest()


def _bench_key(key: KeyId, material: Mapping[str, str]) -> Key:
    """The recorded public key, taken only if its own thumbprint is the one that the token names."""
    try:
        public = read_public_jwk(json.loads(material.get("jwk", "")))
    except (json.JSONDecodeError, RecursionError, RequestInvalid) as fault:
        raise ReportSignatureBad(f"The record holds no usable public key for {key}.") from fault
    if public.thumbprint() != key.name:
        raise ReportSignatureBad(f"The recorded public key is not {key}.")
    return public
