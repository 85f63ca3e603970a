"""The codes under what a board sends and gets: HMAC-SHA256 (RFC 2104), base64url (RFC 7515), a report's digest."""

import binascii
import hashlib

_BLOCK = 64


def base64url(octets):
    """base64url without padding, as bytes."""
    return binascii.b2a_base64(octets).rstrip(b"=\n").replace(b"+", b"-").replace(b"/", b"_")


def hmac_sha256(key, message):
    """HMAC-SHA256 of `message`, 32 bytes. Written out because boards carry no hmac module."""
    if len(key) > _BLOCK:
        key = hashlib.sha256(key).digest()
    key = key + b"\x00" * (_BLOCK - len(key))
    # Generators, not lists: a list of 64 numbers wants its memory in one piece.
    inner = hashlib.sha256(bytes(octet ^ 0x36 for octet in key))
    inner.update(message)
    outer = hashlib.sha256(bytes(octet ^ 0x5C for octet in key))
    outer.update(inner.digest())
    return outer.digest()


def equal(left, right):
    """Whether two byte strings are the same, in a time that does not depend on where they differ."""
    if len(left) != len(right):
        return False
    differing = 0
    for a, b in zip(left, right):
        differing |= a ^ b
    return differing == 0


def digest(token):
    """A report's identity: the first 16 bytes of SHA-256 over the token, 32 hex characters."""
    return binascii.hexlify(hashlib.sha256(token).digest()[:16]).decode()
