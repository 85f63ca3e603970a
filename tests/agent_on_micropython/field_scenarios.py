"""A board on its own, its hardware played: field_scenarios.py, options as JSON on stdin; it runs until interrupted."""

import binascii
import json
import select
import sys

from benchworthy_agent import field, sign, spool, state


class Hands:
    """Prints what is asked of it."""

    def __init__(self, kept, o):
        self.kept, self.o = kept, o
        self.made = 0

    def connect(self):
        print("connect")

    def radio_off(self):
        print("radio off")

    def reset(self):
        print("reset")
        sys.exit(3)

    def rest(self):
        print("rest")

    def find(self, beat):
        beat()
        print("find")

    def self_test(self, plan_text, beat, keep):
        if plan_text == "a plan that breaks":
            raise ValueError("no such port")
        if plan_text == "a long plan":
            print("long")
            for _ in range(20):
                select.poll().poll(100)
                beat()
        beat()
        self.made += 1
        print("self-test", self.made)
        keep(signed(self.kept, {"v": 1, "serial": self.kept.serial, "boot": self.kept.boot, "seq": self.made}))


def signed(kept, payload):
    """A token as the service takes it apart, under the board's own key."""
    header = {"alg": "HS256", "typ": "benchworthy-report", "kid": f"f.{kept.serial}.{kept.epoch}"}
    token = b".".join([sign.base64url(json.dumps(each).encode()) for each in (header, payload)])
    return token + b"." + sign.base64url(sign.hmac_sha256(binascii.unhexlify(kept.key), token))


def main(o):
    kept = state.load("state.json")
    kept.next_boot()
    if o.get("flag"):
        kept.flag = o["flag"]
    access = {"site": "trial", "host": "127.0.0.1", "port": o["port"], "user": kept.serial, "password": o["password"]}
    waiting = spool.Spool("spool", binascii.unhexlify(kept.key))
    board = field.Field(kept, access, waiting, Hands(kept, o), o.get("pause_ms", 50), o.get("receipt_ms", 10000))
    try:
        board.run()
    except KeyboardInterrupt:
        print("interrupted")


if __name__ == "__main__":
    main(json.loads(sys.stdin.read()))
