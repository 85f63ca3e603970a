"""Receipts as the service makes them, for tests that stand in for it."""

import hashlib
import hmac

from benchworthy.reports.receipt import Receipt, message
from benchworthy.reports.token import digest


def receipt_for(token: bytes, key: bytes, verdict: str = "accepted") -> str:
    """The receipt of a token under a key."""
    mac = hmac.new(key, message(digest(token), verdict), hashlib.sha256).hexdigest()
    return Receipt(digest(token), verdict, mac).to_json()
