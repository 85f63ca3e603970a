"""The signed form of a report: JWS in compact serialisation (RFC 7515), taken apart without trusting it.

`split` looks only at shape and header; whether the signature is good is asked of `ports.Verifier`.
"""

import base64
import binascii
import hashlib
import json
import re
from dataclasses import dataclass
from enum import StrEnum

from benchworthy.errors import ReportHeaderRefused, ReportNotAToken, ReportTooLarge

MAX_BYTES = 4096
TYPE = "benchworthy-report"
_COMPACT = re.compile(rb"[A-Za-z0-9_-]+\.[A-Za-z0-9_-]+\.[A-Za-z0-9_-]+")
_FIELD = re.compile(r"f\.(?P<serial>[0-9A-Z]{2,24})\.(?P<epoch>[1-9][0-9]{0,8})")
_RUN = re.compile(r"r\.(?P<run>r-[0-9a-z]{4,40})")
_BENCH = re.compile(r"b\.(?P<thumbprint>[A-Za-z0-9_-]{43})")


class KeyKind(StrEnum):
    """Which kind of key signed; each admits exactly one algorithm."""

    FIELD = "field"
    RUN = "run"
    BENCH = "bench"


ALGORITHM = {KeyKind.FIELD: "HS256", KeyKind.RUN: "HS256", KeyKind.BENCH: "Ed25519"}


@dataclass(frozen=True, slots=True)
class KeyId:
    """A parsed `kid`: the kind, and whom it names (serial and epoch, run id, or thumbprint)."""

    kind: KeyKind
    name: str
    epoch: int = 0

    def __str__(self) -> str:
        return {
            KeyKind.FIELD: f"f.{self.name}.{self.epoch}",
            KeyKind.RUN: f"r.{self.name}",
            KeyKind.BENCH: f"b.{self.name}",
        }[self.kind]


@dataclass(frozen=True, slots=True)
class Token:
    """A token taken apart: the bytes as received, the key it claims, the payload still unproven."""

    raw: bytes
    key: KeyId
    payload: bytes

    @property
    def digest(self) -> str:
        return digest(self.raw)


def digest(raw: bytes) -> str:
    """A report's identity: the first 16 bytes of SHA-256 over the token, in hex."""
    return hashlib.sha256(raw).hexdigest()[:32]


def parse_key_id(text: str) -> KeyId:
    """Read a `kid`. Raises ReportHeaderRefused."""
    if match := _FIELD.fullmatch(text):
        return KeyId(KeyKind.FIELD, match["serial"], int(match["epoch"]))
    if match := _RUN.fullmatch(text):
        return KeyId(KeyKind.RUN, match["run"])
    if match := _BENCH.fullmatch(text):
        return KeyId(KeyKind.BENCH, match["thumbprint"])
    raise ReportHeaderRefused("The key id is none of f.<serial>.<epoch>, r.<run id>, b.<thumbprint>.")


def split(raw: bytes) -> Token:
    """Take a compact token apart. Raises ReportTooLarge, ReportNotAToken or ReportHeaderRefused."""
    if len(raw) > MAX_BYTES:
        raise ReportTooLarge(f"The report has {len(raw)} bytes.", bytes=len(raw), limit=MAX_BYTES)
    if _COMPACT.fullmatch(raw) is None:
        raise ReportNotAToken("The body is not three base64url parts joined by dots.")
    head, payload, signature = raw.split(b".")
    _decode(signature)
    return Token(raw, _read_header(_decode(head)), _decode(payload))


def _read_header(octets: bytes) -> KeyId:
    try:
        header = json.loads(octets)
    except (UnicodeDecodeError, json.JSONDecodeError, RecursionError) as fault:
        raise ReportHeaderRefused("The protected header is not JSON.") from fault
    if not isinstance(header, dict) or set(header) != {"alg", "typ", "kid"}:
        raise ReportHeaderRefused("The protected header must hold alg, typ and kid and nothing else.")
    if header["typ"] != TYPE or not isinstance(header["kid"], str):
        raise ReportHeaderRefused(f"typ must be {TYPE} and kid a text.")
    key = parse_key_id(header["kid"])
    if header["alg"] != ALGORITHM[key.kind]:
        raise ReportHeaderRefused(f"A {key.kind} key signs with {ALGORITHM[key.kind]} and nothing else.")
    return key


def _decode(part: bytes) -> bytes:
    """base64url without padding. Trailing bits that mean nothing are refused: one token, one text."""
    try:
        octets = base64.urlsafe_b64decode(part + b"=" * (-len(part) % 4))
    except (binascii.Error, ValueError) as fault:
        raise ReportNotAToken("A part of the token is not base64url.") from fault
    if base64.urlsafe_b64encode(octets).rstrip(b"=") != part:
        raise ReportNotAToken("A part of the token is not in its shortest base64url form.")
    return octets
