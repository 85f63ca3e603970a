"""Walks the driver's inputs while its enables stay low: nothing may come out and no current may flow."""

from benchworthy_agent.procedures import sampling

_SETTLE_MS = 10  # ten times the filter of the current reading


def run(hw, clock, args):
    """args: enables, inputs, senses (ports), read (converter port), current, zero, ref (channels), n.

    Steps: zero (a channel at ground, the lamp off), ref, then for no input high and for each input high alone the
    current's codes and the number of senses that read 1.
    """
    inputs = args["inputs"]
    try:
        for port in args["enables"]:
            hw.out(port, 0)
        for port in args["senses"]:
            hw.pull(port, None)
        hw.out("lamp", 0)
        steps = [_codes(hw, clock, args, "zero"), _codes(hw, clock, args, "ref")]
        for high in range(len(inputs) + 1):
            for place, port in enumerate(inputs, 1):
                hw.out(port, int(place == high))
            clock.sleep_ms(_SETTLE_MS)
            steps.append(_codes(hw, clock, args, "current"))
            steps.append(sampling.tally((sum([hw.level(port) for port in args["senses"]]),)))
        return steps
    finally:
        hw.rest()


def _codes(hw, clock, args, channel):
    return sampling.convert(hw, clock, {"select": args[channel], "read": args["read"], "n": args["n"]})
