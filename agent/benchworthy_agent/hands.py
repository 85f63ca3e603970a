"""What the board on its own does with its hardware; field.py decides when."""

import binascii
import hashlib
import json
import time

from benchworthy_agent import boards, modules, runner
from benchworthy_agent.boards import rp2

_FIND_MS = 30000


class Hands:
    """`kept` is the board's state, `secrets` what stands in secrets.json. Motor enables stay low, whatever is asked."""

    def __init__(self, kept, secrets):
        self._kept = kept
        self._wifi = secrets.get("wifi")
        self._time_server = secrets.get("ntp")

    def connect(self):
        """Join the network, and learn the date if nobody told it. LinkError when there is no network."""
        if self._wifi:
            modules.load("link.radio").join(self._wifi)
        clock = modules.load("clock")
        if self._time_server and not clock.ok():
            clock.set_by_ntp(self._time_server, modules.load("boards.rp2_field").set_clock)

    def radio_off(self):
        if self._wifi:
            modules.load("link.radio").off()

    def reset(self):
        modules.load("boards.rp2_field").restart()

    def rest(self):
        """Enables low: no plan is known here, and no other output can hurt anybody."""
        rp2.low(boards.ENABLES)

    def find(self, beat):
        """Light and sound for a while, calling `beat()` about once a second."""
        arguments = {"lamp": "lamp", "sounder": "sounder", "ms": _FIND_MS}
        try:
            runner.show(rp2.Board(boards.FINDING), runner.Clock(time, beat), {"p": "find", "a": arguments})
        finally:
            runner.forget()

    def self_test(self, plan_text, beat, keep):
        """Carry out every test of a plan, and hand to `keep` a signed report (bytes) for each of its parts."""
        first, lines = plan_text.split("\n", 1)
        plan = json.loads(first)
        # Without the enables no line of any plan can move a motor.
        ports = {name: port for name, port in plan["ports"].items() if port[0] not in boards.ENABLES}
        hw = rp2.Board(ports, self._kept.boot)
        clock = runner.Clock(time, beat)  # without a bench: what would drive a motor says "not run"
        draft, part = modules.load("report").Draft(), None
        hw.rest()
        try:
            for line in lines.split("\n"):
                test = json.loads(line or "{}")
                if draft.count and test.get("part") != part:
                    keep(self._signed(draft, hw, plan["design"], plan_text))
                    draft.clear()
                if test:
                    part = test["part"]
                    draft.add(test["id"], *runner.carry_out(hw, clock, test))
        finally:
            hw.rest()
            runner.forget()

    def _signed(self, draft, hw, design, plan_text):
        kept = self._kept
        plan = binascii.hexlify(hashlib.sha256(plan_text.encode()).digest()).decode()[:32]
        head = modules.load("head").build(hw, kept, kept.serial, design, plan)
        return draft.close(head, "f.%s.%d" % (kept.serial, kept.epoch), binascii.unhexlify(kept.key))
