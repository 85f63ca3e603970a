"""The motor ports under load. Ports and channels are named as in motor.py."""

from benchworthy_agent import drive
from benchworthy_agent.procedures.steps import channel


def currents(hw, clock, args):
    """args: enable, a, b, read, current, ref, n, every_us, ms. Steps: base, forward, back, ref.

    The current into a load, both ways round. The driver's own current rises when it is enabled, so the base is taken
    enabled, with both inputs alike.
    """
    try:
        steps = [_current(hw, clock, args, a, b) for a, b in ((0, 0), (1, 0), (0, 1))]
        steps.append(channel(hw, clock, args, args["ref"]))
        return steps
    finally:
        hw.rest()


def duties(hw, clock, args):
    """args: as currents, with hertz and permille (list). Steps: base, one for each duty, ref.

    The current into a load when the enable is switched fast.
    """
    try:
        steps = [_current(hw, clock, args, 0, 0)]
        for permille in args["permille"]:
            with drive.pulse(hw, clock, args, 1, 0):
                hw.duty(args["enable"], permille, args["hertz"])
                clock.sleep_ms(args["ms"])
                steps.append(channel(hw, clock, args, args["current"]))
        steps.append(channel(hw, clock, args, args["ref"]))
        return steps
    finally:
        hw.rest()


def droop(hw, clock, args):
    """args: enables, highs, lows (inputs), read, rail, ref, n, ms. Steps: rail, ref idle; rail, ref loaded.

    How far a rail falls when both motor ports take their load at once.
    """
    try:
        steps = [channel(hw, clock, args, args[name]) for name in ("rail", "ref")]
        for port in args["lows"]:
            hw.out(port, 0)
        for port in args["highs"]:
            hw.out(port, 1)
        with drive.Pulse(hw, clock, args["enables"], drive.PULSE_MS):
            for port in args["enables"]:
                hw.out(port, 1)
            clock.sleep_ms(args["ms"])
            steps += [channel(hw, clock, args, args[name]) for name in ("rail", "ref")]
        return steps
    finally:
        hw.rest()


def _current(hw, clock, args, a, b):
    """The codes of the current with the enable high and the inputs at a and b, after `ms`."""
    with drive.pulse(hw, clock, args, a, b):
        hw.out(args["enable"], 1)
        clock.sleep_ms(args["ms"])
        return channel(hw, clock, args, args["current"])
