"""What a board does in the tests of signing: signing_scenarios.py NAME, options as JSON on stdin."""

import binascii
import json
import os
import sys

from benchworthy_agent import receipt, report, sign, state


def macs(o):
    return [
        binascii.hexlify(sign.hmac_sha256(binascii.unhexlify(key), binascii.unhexlify(data))).decode()
        for key, data in o
    ]


def token(o):
    payload = report.build(o["head"], o["readings"], o["kid"])
    made = sign.jws(report.header(o["kid"]), payload, binascii.unhexlify(o["key"]))
    said = report.token_length(o["kid"], len(payload))
    return {"token": made.decode(), "digest": sign.digest(made), "said": said}


def refusals(o):
    """For each Python expression, what build() says to a report with that reading."""
    said = []
    for expression in o:
        try:
            report.build({"v": 1}, [eval(expression)])
            said.append("taken")
        except ValueError as error:
            said.append("refused: " + str(error))
    return said


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
