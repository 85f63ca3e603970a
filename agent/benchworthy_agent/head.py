"""The head of a report: which board says so, in which state, by which program."""

import time

import benchworthy_agent
from benchworthy_agent import fingerprint


def build(hw, kept, serial, design, plan, run=None, nonce=None, part=None):
    """The members of a report beside its readings; `kept` is the board's state, `plan` the plan's hash.

    A report outside a run has no run, nonce and part.
    """
    head = {
        "v": 1,
        "serial": serial,
        "module": hw.module_id(),
        "design": design,
        "plan": plan,
        "agent": {"version": benchworthy_agent.__version__, "hash": fingerprint.agent_hash()},
        "firmware": hw.firmware(),
        "epoch": kept.epoch,
        "boot": kept.boot,
        "seq": benchworthy_agent.next_seq(),
        "ms": time.ticks_ms(),
    }
    if run is not None:
        head.update({"run": run, "nonce": nonce, "part": part})
    plug = hw.plug_serial()
    if plug is not None:
        head["seen"] = {"plug": plug}
    return head
