"""The motor ports without a load. Whatever drives does so in a pulse, see drive.py.

Ports: `enable`, `a` and `b` are a port's enable and its two inputs; `read` is the converter port, and `current`, `ref`,
`zero`, `rail` are channels of the multiplexer before it.
"""

from benchworthy_agent import drive
from benchworthy_agent.procedures.steps import channel, one

_SETTLE_MS = 10  # ten times the filter of the current reading


def outputs_off(hw, clock, args):
    """args: enables, inputs, senses (ports), read, current, zero (a channel at ground, the lamp off), ref, n.

    Walks the driver's inputs while its enables stay low: nothing may come out and no current may flow. Steps: zero,
    ref, then for no input high and for each input high alone the current's codes and the number of senses that read 1.
    """
    inputs = args["inputs"]
    try:
        for port in args["enables"]:
            hw.out(port, 0)
        for port in args["senses"]:
            hw.pull(port, None)
        hw.out("lamp", 0)
        steps = [channel(hw, clock, args, args[name]) for name in ("zero", "ref")]
        for high in range(len(inputs) + 1):
            for place, port in enumerate(inputs, 1):
                hw.out(port, int(place == high))
            clock.sleep_ms(_SETTLE_MS)
            steps.append(channel(hw, clock, args, args["current"]))
            steps.append(one(sum([hw.level(port) for port in args["senses"]])))
        return steps
    finally:
        hw.rest()


def follows(hw, clock, args):
    """args: enable, input, others (inputs held low), sense, n, ms (settling).

    Whether a half-bridge does what its input says, without a load. Steps: levels of sense, input low, then high.
    """
    try:
        for port in args["others"]:
            hw.out(port, 0)
        hw.pull(args["sense"], None)
        return [_follow(hw, clock, args, level) for level in (0, 1)]
    finally:
        hw.rest()


def _follow(hw, clock, args, level):
    hw.out(args["input"], level)
    with drive.Pulse(hw, clock, (args["enable"],), drive.PULSE_MS):
        hw.out(args["enable"], 1)
        clock.sleep_ms(args["ms"])
        return hw.levels(args["sense"], args["n"], 0)
