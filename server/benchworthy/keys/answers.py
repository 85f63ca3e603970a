"""Kept answers are sealed under a key that only the sender's token and Idempotency-Key give (HKDF, RFC 5869; AES-GCM)."""

import hashlib
import hmac
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF

_NONCE: Final = 12  # bytes, as NIST SP 800-38D 5.2.1.1 recommends
_LABEL: Final = b"benchworthy answer\n"


@dataclass(frozen=True, slots=True)
class AnswerKeys:
    """`name` finds the answer and tells nothing; the other two never leave this process."""

    name: str
    _mac: bytes
    _seal: bytes

    def hash_request(self, request: bytes) -> str:
        return hmac.new(self._mac, request, hashlib.sha256).hexdigest()

    def seal(self, answer: bytes, random: Callable[[int], bytes]) -> bytes:
        nonce = random(_NONCE)
        return nonce + AESGCM(self._seal).encrypt(nonce, answer, self.name.encode())

    def open(self, sealed: bytes) -> bytes:
        return AESGCM(self._seal).decrypt(sealed[:_NONCE], sealed[_NONCE:], self.name.encode())


def answer_keys(secret: str, key: str) -> AnswerKeys:
    """The keys of one request: `secret` is the sender's token, `key` the Idempotency-Key it chose."""
    derived = HKDF(SHA256(), 96, None, _LABEL + key.encode()).derive(secret.encode())
    return AnswerKeys(derived[:32].hex(), derived[32:64], derived[64:])
