"""What a board in the field is asked to do, as it travels: a JSON object whose code only the board's own key makes."""

import hashlib
import hmac
import json
from typing import Final

FIND: Final = "find"
SELF_TEST: Final = "self-test"
KINDS: Final = (FIND, SELF_TEST)


def message(number: int, do: str, plan: str | None) -> bytes:
    """The bytes that a request's code is computed over; the plan is named by its SHA-256."""
    digest = hashlib.sha256((plan or "").encode()).hexdigest()
    return f"benchworthy-request\n{number}\n{do}\n{digest}".encode()


def payload(number: int, do: str, plan: str | None, key: bytes) -> str:
    """The request as JSON, its code being HMAC-SHA256 under the board's field key."""
    code = hmac.new(key, message(number, do, plan), hashlib.sha256).hexdigest()
    return json.dumps({"v": 1, "n": number, "do": do, "plan": plan, "mac": code}, separators=(",", ":"))
