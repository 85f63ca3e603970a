"""Reads converter ports."""

from benchworthy_agent.procedures.steps import convert

_SETTLE_MS = 5  # ten times 50k at the 10 nF of a header


def levels(hw, clock, args):
    """args: steps [{"read", "n", optional "select", "every_us", "set" {port: level}, "pull" {port: "up" | "down" | null}}].

    Each step reads a port after setting outputs, pulls and the multiplexer; what is set or pulled stays so to the end.
    """
    try:
        return [_level(hw, clock, step) for step in args["steps"]]
    finally:
        hw.rest()


def _level(hw, clock, step):
    driven, pulled = step.get("set", {}), step.get("pull", {})
    for port in sorted(driven):
        hw.out(port, driven[port])
    for port in sorted(pulled):
        hw.pull(port, pulled[port])
    if driven or pulled:
        clock.sleep_ms(_SETTLE_MS)
    return convert(hw, clock, step)


def ratio(hw, clock, args):
    """args: dac (port), settle_ms, steps [{"duty" in thousandths, "read", "n", optional "select"}].

    Gives the test plug's converter a few levels and reads what the headers make of them.
    """
    given = None
    steps = []
    try:
        for step in args["steps"]:
            if step["duty"] != given:
                given = step["duty"]
                hw.duty(args["dac"], given)
                clock.sleep_ms(args["settle_ms"])
            steps.append(convert(hw, clock, step))
        return steps
    finally:
        hw.rest()
