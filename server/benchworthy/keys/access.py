"""Secrets of API users (`Authorization: Bearer bw_...`): shown once, kept only as a fingerprint."""

import base64
import hashlib
from collections.abc import Callable
from typing import Final

PREFIX: Final = "bw_"
SECRET_BYTES: Final = 32


def new_secret(random: Callable[[int], bytes]) -> str:
    """A secret of 256 bits as text, 46 characters; `random` returns n random bytes (os.urandom)."""
    return PREFIX + base64.urlsafe_b64encode(random(SECRET_BYTES)).rstrip(b"=").decode()


def fingerprint(secret: str) -> str:
    """SHA-256 in hex, what the database keeps and is searched by.

    A slow, salted hash protects secrets that can be guessed. Nobody guesses 256 random bits, so one plain
    SHA-256 hides them as well; and being unsalted it is found by index, with no comparison whose time tells
    how much of a secret was right.
    """
    return hashlib.sha256(secret.encode()).hexdigest()
