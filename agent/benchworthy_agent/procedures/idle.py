"""Watches lines that nobody should drive, against the module's own pulls."""

from benchworthy_agent.procedures import sampling


def run(hw, clock, args):
    """args: ports, pull ("up" or "down"), ms in all, every_ms. One step per port: the tally of its levels."""
    ports = args["ports"]
    try:
        for port in ports:
            hw.pull(port, args["pull"])
        seen = [[] for _ in ports]
        for _ in range(args["ms"] // args["every_ms"]):
            clock.sleep_ms(args["every_ms"])
            for levels, port in zip(seen, ports):
                levels.append(hw.level(port))
        return [sampling.tally(levels) for levels in seen]
    finally:
        hw.rest()
