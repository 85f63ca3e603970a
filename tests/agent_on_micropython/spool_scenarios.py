"""What a board does in the tests of its spool and its state: spool_scenarios.py NAME, options as JSON on stdin."""

import binascii
import json
import os
import sys

from benchworthy_agent import sign, spool, state

KEY = binascii.unhexlify("6b" * 32)


def token(n, key=KEY):
    signed = sign.base64url(b'{"alg":"HS256"}') + b"." + sign.base64url(b"report %d" % n)
    return signed + b"." + sign.base64url(sign.hmac_sha256(key, signed))


def receipt(n, key=KEY, verdict="in limits"):
    digest = sign.digest(token(n))
    mac = sign.hmac_sha256(key, ("benchworthy-receipt\n" + digest + "\n" + verdict).encode())
    fields = {"v": 1, "report": digest, "verdict": verdict, "mac": binascii.hexlify(mac).decode()}
    return json.dumps(fields)


class Flash:
    """The flash as the agent's modules see it, with a list of what was done to it."""

    def __init__(self):
        self.done = []
        self.full = False

    def open(self, path, mode="r"):
        if "w" in mode:
            self.done.append("write " + path)
            if self.full:
                raise OSError(28)
        return open(path, mode)  # noqa: PTH123

    def rename(self, old, new):
        self.done.append("rename " + old)
        os.rename(old, new)  # noqa: PTH104 - MicroPython has no pathlib

    def remove(self, path):
        self.done.append("remove " + path)
        os.remove(path)  # noqa: PTH107

    def mkdir(self, path):
        os.mkdir(path)  # noqa: PTH102
        self.done.append("mkdir " + path)

    def listdir(self, path):
        return os.listdir(path)  # noqa: PTH208


flash = Flash()
for module in (spool, state):
    module.os = flash
    module.open = flash.open


def held(o):
    return spool.Spool("spool", binascii.unhexlify(o["key"]) if "key" in o else KEY)


def put(o):
    """Put the reports numbered in `put`, then take the receipts; what each gave, and what waits."""
    kept = held(o)
    flash.full = o.get("flash_full", False)
    went = [kept.put(token(n)) for n in o.get("put", [])]
    verdicts = [kept.receive(eval(text)) for text in o.get("receipts", [])]
    return {
        "put": went,
        "verdicts": verdicts,
        "waiting": [kept.token(name).decode() for name in kept.waiting()],
        "damaged": kept.damaged,
        "full": kept.full(),
        "done": flash.done,
    }


def tokens(o):
    return [token(n).decode() for n in o["numbers"]]


def deliver(o):
    """Deliver with a sender to whom only the reports numbered in `answered` bring a receipt."""
    kept = held(o)
    asked = []

    def send(report, is_settled):
        asked.append(report.decode())
        for n in o["answered"]:
            if report == token(n):
                kept.receive(receipt(n))
                if not is_settled():
                    asked.append("not settled")

    left = kept.deliver(send)
    return {"asked": asked, "left": left, "done": flash.done}


def forget(o):
    kept = held(o)
    return {"forgotten": kept.forget_damaged(), "again": held(o).damaged, "done": flash.done}


def boot(o):
    """Load the state, perhaps change it, count the boot; what is found afterwards."""
    kept = state.load("state.json")
    first = kept.flag
    for name in o.get("set", {}):
        setattr(kept, name, o["set"][name])
    flash.full = o.get("flash_full", False)
    number = kept.next_boot()
    kept.save()
    again = state.load("state.json")
    found = {"serial": again.serial, "epoch": again.epoch, "boot": again.boot, "key": again.key}
    return {"first": first, "boot": number, "flag": kept.flag, "found": found, "done": flash.done}


def look(o):
    kept = state.load("state.json")
    return {"flag": kept.flag, "boot": kept.boot, "key": kept.key, "done": flash.done}


print(json.dumps(globals()[sys.argv[1]](json.loads(sys.stdin.read()))))
