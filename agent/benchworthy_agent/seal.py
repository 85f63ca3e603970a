"""Puts head, header and signature around the readings of a report: the token."""

import json

from benchworthy_agent import sign
from benchworthy_agent.report import HEADER_ROOM, MAX_TOKEN, SIGNATURE_ROOM


def seal(draft, head, kid, key):
    """The token (a view of the draft's buffer), see report.Draft.close."""
    _refuse(head)
    draft.put("]," + _dumps(head)[1:])
    buffer, end, rest, _ = draft.state
    end = draft.place(end, sign.base64url(rest))
    header = sign.base64url(_dumps({"alg": "HS256", "typ": "benchworthy-report", "kid": kid}).encode()) + b"."
    start = HEADER_ROOM - len(header)
    if start < 0 or end + SIGNATURE_ROOM - start > MAX_TOKEN:
        raise ValueError("token of more than %d bytes" % MAX_TOKEN)
    draft.place(start, header)
    mac = sign.hmac_sha256(key, memoryview(buffer)[start:end])
    return memoryview(buffer)[start : draft.place(end, b"." + sign.base64url(mac))]


def _dumps(value):
    return json.dumps(value, separators=(",", ":"))


def _refuse(value):
    """Floats do not survive a board's 30 bits, and its json.dumps writes a bare nan, which is no JSON."""
    if isinstance(value, float):
        raise ValueError("floats are refused")
    if isinstance(value, dict):
        for name in value:
            _refuse(value[name])
