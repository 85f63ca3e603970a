"""Keys derived from the site secret with HKDF-SHA256 (RFC 5869), so that no board's key need be stored.

info = "benchworthy" NUL purpose NUL name NUL detail, no salt (the site secret is uniformly random). Purposes:

    field   NUL serial NUL epoch    HS256 key written to the board; a new epoch supersedes it
    run     NUL run id NUL nonce    HS256 key of one run, pushed into the board's RAM; nonce as 32 hex digits
    broker  NUL serial NUL epoch    password of the board at the MQTT broker
    loan    NUL loan id NUL slip    the code on a loan's slip
    broker-service NUL name NUL site  password there of what is no board, such as the listener

NUL cannot stand inside a part, so two different triples never give the same info.
"""

import base64
import re

from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF

from benchworthy.keys.secret import SiteSecret

KEY_BYTES = 32
SLIP_LENGTH = 8
SLIP_ALPHABET = "34679ACDEFGHJKMNPQRTUWXY"  # without 0 O, 1 I L, 2 Z, 5 S, 8 B, V: a child copies it by hand from paper
_NONCE = re.compile(r"[0-9a-f]{32}")


def field_key(secret: SiteSecret, serial: str, epoch: int) -> bytes:
    """The 32-byte key with which a board signs field reports. ValueError for a bad serial or epoch."""
    return _derive(secret, "field", serial, _epoch(epoch))


def run_key(secret: SiteSecret, run: str, nonce_hex: str) -> bytes:
    """The 32-byte key of one run. ValueError unless the nonce is 128 bits in lower-case hex."""
    if _NONCE.fullmatch(nonce_hex) is None:
        raise ValueError("A run's nonce is 32 lower-case hex digits.")
    return _derive(secret, "run", run, nonce_hex)


def broker_password(secret: SiteSecret, serial: str, epoch: int) -> str:
    """A password of 43 URL-safe characters (256 bits) for the MQTT user of that name."""
    return base64.urlsafe_b64encode(_derive(secret, "broker", serial, _epoch(epoch))).rstrip(b"=").decode()


def service_password(secret: SiteSecret, name: str, site: str) -> str:
    """The password of the MQTT user `name` that is part of the service and not a board, written as a board's."""
    return base64.urlsafe_b64encode(_derive(secret, "broker-service", name, site)).rstrip(b"=").decode()


def slip_code(secret: SiteSecret, loan: str) -> str:
    """The code on a loan's slip, the same whenever the slip is printed: eight of SLIP_ALPHABET, 36 bits."""
    number = int.from_bytes(_derive(secret, "loan", loan, "slip"))
    letters = []
    for _ in range(SLIP_LENGTH):
        number, place = divmod(number, len(SLIP_ALPHABET))
        letters.append(SLIP_ALPHABET[place])
    return "".join(letters)


def hkdf(octets: bytes, info: bytes, salt: bytes | None = None, length: int = KEY_BYTES) -> bytes:
    """HKDF-SHA256: extract and expand."""
    return HKDF(algorithm=SHA256(), length=length, salt=salt, info=info).derive(octets)


def _derive(secret: SiteSecret, purpose: str, name: str, detail: str) -> bytes:
    if not name or "\0" in name:
        raise ValueError("A derived key needs a name without NUL.")
    return hkdf(secret.octets, "\0".join(("benchworthy", purpose, name, detail)).encode())


def _epoch(epoch: int) -> str:
    if epoch < 1:
        raise ValueError("Epochs count from 1.")
    return str(epoch)
