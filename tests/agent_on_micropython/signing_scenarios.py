"""What a board does in the tests of signing: signing_scenarios.py NAME, options as JSON on stdin."""

import binascii
import json
import os
import sys

from benchworthy_agent import receipt, report, sign, state


def macs(o):
    return [binascii.hexlify(sign.hmac_sha256(binascii.unhexlify(key), binascii.unhexlify(data))).decode() for key, data in o]


def token(o):
    draft = report.Draft()
    for test, kind, content in o["readings"]:
        draft.add(test, kind, content)
    made = draft.close(o["head"], o["kid"], binascii.unhexlify(o["key"]))
    return {"token": bytes(made).decode(), "digest": sign.digest(made)}


def refusals(o):
    """For each Python expression (test, kind, content), what a report says to such a reading, and what it holds then."""
    draft = report.Draft()
    draft.add("good", "steps", [[1, 2, 4, 2, 2]])
    said = []
    for expression in o:
        try:
            draft.add(*eval(expression))
            said.append("taken")
        except (ValueError, TypeError) as error:
            said.append("refused: " + str(error))
    draft.add("last", "not_run", "no jack")
    return [said, bytes(draft.close({"v": 1}, "r.r-0001", b"k")).decode()]


def full(o):
    """Readings of one step each until there is no room, then the head: how many fitted, and the token."""
    draft = report.Draft()
    try:
        while True:
            draft.add("T-" + str(100 + draft.count), "steps", [[16, 65000, 265000000, 4000, 4095]])
    except ValueError as error:
        said = str(error)
    count = draft.count
    made = bytes(draft.close(o["head"], o["kid"], b"k")).decode()
    draft.clear()
    draft.add("again", "not_run", "no jack")
    return [count, said, made, bytes(draft.close({"v": 1}, "r.r-0001", b"k")).decode()]


def receipts(o):
    """For each Python expression, what check() makes of it."""
    key = binascii.unhexlify(o["key"])
    return [receipt.check(eval(expression), o["digest"], key) for expression in o["texts"]]


def boots(o):
    """Load the state, count this boot, and load again."""
    first = state.load(o["path"])
    flag = first.flag
    if o.get("serial"):
        first.serial = o["serial"]
    boot = first.next_boot()
    again = state.load(o["path"])
    found = [again.serial, again.epoch, again.boot, again.flag]
    return {"flag": flag, "boot": boot, "after": first.flag, "again": found}


def saves(o):
    """How often a state that does not change is written."""
    count = []

    class Counting:
        def rename(self, old, new):
            count.append(new)
            os.rename(old, new)  # noqa: PTH104 - MicroPython has no pathlib

    state.os = Counting()
    held = state.load(o["path"])
    held.serial = "A1"
    for _ in range(5):
        held.save()
    return len(count)


print(json.dumps(globals()[sys.argv[1]](json.loads(sys.stdin.read()))))
