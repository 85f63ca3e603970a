"""Reads digital lines against pulls and against each other."""

from benchworthy_agent.procedures.steps import one

_SETTLE_MS = 1


def idle(hw, clock, args):
    """args: ports, pull ("up" or "down"), ms for each, every_ms. One step per port: its levels.

    Watches lines that nobody should drive, against the module's own pulls, one after the other.
    """
    ports, every_ms = args["ports"], args["every_ms"]
    try:
        for port in ports:
            hw.pull(port, args["pull"])
        clock.sleep_ms(every_ms)
        return [hw.levels(port, args["ms"] // every_ms, every_ms * 1000) for port in ports]
    finally:
        hw.rest()


def walk(hw, clock, args):
    """args: ports, off (ports held low all the time). Each step is one mask; bit k is what ports[k] reads.

    Steps: all on pull-up, all on pull-down, then for each port: high with the others pulled down, low with the others
    pulled up. In both a bridge shows, because the pull is weak against whatever drives.
    """
    ports = args["ports"]
    try:
        for port in args["off"]:
            hw.out(port, 0)
        steps = [_all(hw, clock, ports, "up"), _all(hw, clock, ports, "down")]
        for driven in ports:
            steps.append(_one(hw, clock, ports, driven, 1, "down"))
            steps.append(_one(hw, clock, ports, driven, 0, "up"))
        return steps
    finally:
        hw.rest()


def _all(hw, clock, ports, direction):
    for port in ports:
        hw.pull(port, direction)
    return _mask(hw, clock, ports)


def _one(hw, clock, ports, driven, level, direction):
    for port in ports:
        if port != driven:
            hw.pull(port, direction)
    hw.out(driven, level)
    return _mask(hw, clock, ports)


def _mask(hw, clock, ports):
    clock.sleep_ms(_SETTLE_MS)
    mask = 0
    for place, port in enumerate(ports):
        mask |= hw.level(port) << place
    return one(mask)
