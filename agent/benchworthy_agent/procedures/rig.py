"""A motor port with the rig on it: held, running down, turning. Whatever drives does so in a pulse, see drive.py.

Ports and channels are named as in motor.py.
"""

from benchworthy_agent import drive
from benchworthy_agent.procedures.steps import channel, one, select

_SETTLE_MS = 10  # ten times the filter of the current reading
_GAP_MS = 700
_TURNS = {"forward": (1, 0), "back": (0, 1)}


def stall(hw, clock, args):
    """args: enable, a, b, read, current, ref, n, every_us, ms (the longest pulse), stop (raw code: a guard, no verdict).

    The current of a motor that is held, watched from the first moment, conversion by conversion: the pulse is over with
    the last of them or at the raw code. Steps: base, peak (the conversions made), ref, stopped (1 if it was the code).
    """
    try:
        with drive.pulse(hw, clock, args, 0, 0):
            hw.out(args["enable"], 1)
            clock.sleep_ms(_SETTLE_MS)
            base = channel(hw, clock, args, args["current"])
        with drive.pulse(hw, clock, args, 1, 0, min(args["ms"], drive.PULSE_MS)):
            select(hw, args["current"])
            hw.out(args["enable"], 1)
            peak, stopped = hw.burst_until(args["read"], args["n"], args["every_us"], args["stop"])
        return [base, peak, channel(hw, clock, args, args["ref"]), one(stopped)]
    finally:
        hw.rest()


def coast(hw, clock, args):
    """args: enable, a, b, ms (running), switch {port: level}, read, above (raw code), n, every_us.

    How a motor runs down once its driver lets go: an open bridge coasts, a shorted one brakes. Steps: start (the first
    eight conversions), above (how many of the n lie at or above the code).
    """
    switch = args["switch"]
    try:
        for port in sorted(switch):
            hw.out(port, switch[port])
        with drive.pulse(hw, clock, args, 1, 0, drive.RIG_MS):
            hw.out(args["enable"], 1)
            clock.sleep_ms(args["ms"])
        start, above = hw.window(args["read"], args["n"], args["every_us"], args["above"])
        return [start, one(above)]
    finally:
        hw.rest()


def turn(hw, clock, args):
    """args: enable, a, b, order (list of "off", "forward", "back"), ms of each.

    Turns the rig's disc for a person to watch; no steps. The lamp is lit during each word of the order, also "off".
    """
    try:
        for word in args["order"]:
            hw.out("lamp", 1)
            _turn(hw, clock, args, word)
            hw.out("lamp", 0)
            clock.sleep_ms(_GAP_MS)
        return []
    finally:
        hw.rest()
        hw.level("lamp")


def _turn(hw, clock, args, word):
    if word == "off":
        clock.sleep_ms(args["ms"])
        return
    a, b = _TURNS[word]
    with drive.pulse(hw, clock, args, a, b, drive.RIG_MS):
        hw.out(args["enable"], 1)
        clock.sleep_ms(args["ms"])
