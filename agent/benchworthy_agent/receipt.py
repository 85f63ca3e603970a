"""Reads a receipt: the only thing for which a board drops a report."""

import binascii
import json

from benchworthy_agent import sign

_MAX_TEXT = 1024


def check(text, digest, key):
    """The verdict if the receipt (text or bytes) names `digest` and its mac is right for `key`, or None."""
    fields = _fields(text)
    if fields is None or fields["report"] != digest:
        return None
    verdict = fields["verdict"]
    expected = sign.hmac_sha256(key, ("benchworthy-receipt\n" + digest + "\n" + verdict).encode())
    # Compared as hex bytes: a mac that is no hex needs no case of its own.
    if not sign.equal(binascii.hexlify(expected), fields["mac"].encode()):
        return None
    return verdict


def _fields(text):
    # A receipt is about 150 characters; anything long would only eat the heap.
    if not isinstance(text, (str, bytes)) or len(text) > _MAX_TEXT:
        return None
    try:
        fields = json.loads(text)
    except (ValueError, TypeError, KeyError, IndexError, MemoryError, RuntimeError):
        return None
    if not isinstance(fields, dict) or type(fields.get("v")) is not int or fields["v"] != 1:
        return None
    for name in ("report", "verdict", "mac"):
        if not isinstance(fields.get(name), str):
            return None
    return fields
