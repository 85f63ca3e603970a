"""A board whose power is cut at one point: power_cut_scenarios.py, options as JSON on stdin.

A point is an operation on the flash, or a packet sent or received: its name, and the how-manieth of that name. The
board dies hard right after the point `cut`. With "" it is not cut, and ends when it has nothing left to do.
"""

import binascii
import json
import os
import sys

import field_scenarios
from benchworthy_agent import field, spool, state
from benchworthy_agent.link import connection

_QUIET_MS = 150
_SENT = {1: "CONNECT", 3: "PUBLISH of", 4: "PUBACK", 8: "SUBSCRIBE", 12: "PINGREQ", 14: "DISCONNECT"}
_GOT = {2: "CONNACK", 3: "PUBLISH of", 4: "PUBACK", 9: "SUBACK", 13: "PINGRESP"}


class Power:
    def __init__(self, cut):
        self.cut = cut
        self.seen = {}

    def point(self, name):
        self.seen[name] = self.seen.get(name, 0) + 1
        name = f"{name} #{self.seen[name]}"
        print("point", name)
        if name == self.cut:
            os.system("kill -9 $PPID")
            while True:
                pass


class File:
    """A file that is written in two halves, as power can be lost in the middle."""

    def __init__(self, power, path, mode):
        self.power, self.path = power, path
        self.file = open(path, mode)  # noqa: PTH123, SIM115
        power.point("open " + path)

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.file.close()

    def write(self, content):
        half = len(content) // 2
        self.file.write(content[:half])
        self.power.point("half written " + self.path)
        self.file.write(content[half:])
        self.power.point("written " + self.path)


class Flash:
    def __init__(self, power):
        self.power = power
        self.listdir, self.mkdir = os.listdir, os.mkdir

    def open(self, path, mode="r"):
        return File(self.power, path, mode) if "w" in mode else open(path, mode)  # noqa: PTH123

    def rename(self, old, new):
        # As FAT does it: what is there goes first.
        try:
            os.remove(new)  # noqa: PTH107
            self.power.point("removed for renaming " + new)
        except OSError:
            pass
        os.rename(old, new)  # noqa: PTH104
        self.power.point("renamed " + new)

    def remove(self, path):
        os.remove(path)  # noqa: PTH107
        self.power.point("removed " + path)


class Hands(field_scenarios.Hands):
    """Makes reports from the payload that it is given."""

    def self_test(self, plan_text, beat, keep):
        self.made += 1
        payload = dict(self.o["payload"])
        payload.update({"serial": self.kept.serial, "boot": self.kept.boot, "seq": self.made})
        keep(field_scenarios.signed(self.kept, payload))
        print("kept", self.kept.boot, self.made)


def leaf(packet):
    """The last level of a PUBLISH's topic, with a space before it."""
    if packet[0] >> 4 != 3:
        return ""
    for name in ("report", "state", "receipt", "request"):
        if b"/" + name.encode() in bytes(packet[:80]):
            return " " + name
    return ""


def packets(power):
    """Have every packet counted: a sent one when it is on its way, a received one before it is looked at."""
    send, handle = connection.Connection.send, connection.Connection._handle

    def sending(self, header, payload=b""):
        send(self, header, payload)
        power.point("sent " + _SENT[header[0] >> 4] + leaf(header))

    def handling(self, first, body):
        power.point("got " + _GOT[first >> 4] + leaf(bytes((first,)) + body))
        handle(self, first, body)

    connection.Connection.send, connection.Connection._handle = sending, handling


class Board(field.Field):
    def _rest_of_the_time(self):
        if not self._post.client.wait(lambda: self._fresh, _QUIET_MS) and not self._spool.waiting():
            raise KeyboardInterrupt


def main(o):
    power = Power(o["cut"])
    flash = Flash(power)
    for module in (state, spool):
        module.os, module.open = flash, flash.open
    packets(power)
    kept = state.load("state.json")
    print("boot", kept.next_boot())
    waiting = spool.Spool("spool", binascii.unhexlify(kept.key))
    board = Board(kept, o["access"], waiting, Hands(kept, o), 50, 3000)
    try:
        board.run()
    except KeyboardInterrupt:
        print("done")


main(json.loads(sys.stdin.read()))
