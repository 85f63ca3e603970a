"""Builds the payload of a report: what the board is, what it read, in integers and defused text."""

import json

MAX_TOKEN = 4096
_SIGNATURE = 43  # characters of an HMAC-SHA256 in base64url
_LONGEST_KID = "r.r-" + "0" * 40
_KINDS = ("steps", "text", "items", "not_run", "error")
_MAX_TEXT = 64


def header(kid):
    """The protected header (text) under the key id `f.<serial>.<epoch>` or `r.<run id>`."""
    return _dumps({"alg": "HS256", "typ": "benchworthy-report", "kid": kid})


def build(head, readings, kid=_LONGEST_KID):
    """The payload (bytes) of `head` (dict of text, integers, dicts) and `readings` (dicts or JSON text).

    ValueError says which reading is refused (a float, a step that is not five integers), or that the
    token under `kid` would be longer than 4096 bytes: then the readings have to go in more parts.
    """
    if "readings" in head:
        raise ValueError("the head holds no readings")
    _refuse_numbers(head, "head")
    fields = [_dumps(name) + ":" + _dumps(value) for name, value in head.items()]
    fields.append('"readings":[' + ",".join([_reading(reading) for reading in readings]) + "]")
    payload = ("{" + ",".join(fields) + "}").encode()
    length = token_length(kid, len(payload))
    if length > MAX_TOKEN:
        raise ValueError("token of %d bytes, at most %d" % (length, MAX_TOKEN))
    return payload


def token_length(kid, payload_bytes):
    """Bytes of the token that a payload of so many bytes will have under `kid`."""
    return _encoded(len(header(kid).encode())) + 1 + _encoded(payload_bytes) + 1 + _SIGNATURE


def _encoded(octets):
    return (octets * 4 + 2) // 3


def _dumps(value):
    return json.dumps(value, separators=(",", ":"))


def _reading(reading):
    # Text is read and written anew: the board's json.loads forgives what the service's parser refuses.
    if isinstance(reading, str):
        reading = json.loads(reading)
    if not isinstance(reading, dict) or not isinstance(reading.get("test"), str):
        raise ValueError("a reading names its test")
    name = reading["test"]
    kinds = [kind for kind in _KINDS if kind in reading]
    if len(kinds) != 1 or len(reading) != 2:
        raise ValueError(name + ": one of " + " ".join(_KINDS) + " and nothing else")
    content = reading[kinds[0]]
    if kinds[0] == "steps":
        _check_steps(name, content)
    elif kinds[0] == "items":
        _check_items(name, content)
    else:
        _check_text(name, kinds[0], content)
    return '{"test":' + _dumps(name) + "," + _dumps(kinds[0]) + ":" + _dumps(content) + "}"


def _check_steps(name, steps):
    if not isinstance(steps, (list, tuple)):
        raise ValueError(name + ": steps is a list")
    for step in steps:
        if not isinstance(step, (list, tuple)) or len(step) != 5:
            raise ValueError(name + ": a step is n, sum, sum of squares, min, max")
        for number in step:
            # type(), not isinstance(): on CPython a bool is an int.
            if type(number) is not int:
                raise ValueError(name + ": a step holds integers only")


def _check_items(name, items):
    if not isinstance(items, dict):
        raise ValueError(name + ": items is name to text")
    for key, text in items.items():
        if not isinstance(key, str) or not isinstance(text, str):
            raise ValueError(name + ": items is name to text")


def _check_text(name, kind, text):
    if not isinstance(text, str) or (kind == "text" and len(text) > _MAX_TEXT):
        raise ValueError(name + ": " + kind + " is text, and text has at most 64 characters")


def _refuse_numbers(value, name):
    """Floats do not survive a board's 30 bits, and its json.dumps writes a bare nan, which is no JSON."""
    if isinstance(value, float):
        raise ValueError(name + ": floats are refused")
    if isinstance(value, dict):
        for key in value:
            _refuse_numbers(value[key], name + "." + str(key))
    elif isinstance(value, (list, tuple)):
        for item in value:
            _refuse_numbers(item, name)
