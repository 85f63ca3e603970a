"""Reads converter ports, each step after setting outputs and the multiplexer as it says."""

from benchworthy_agent.procedures import sampling


def run(hw, clock, args):
    """args: steps [{"read", "n", optional "select", optional "set": {port: level}}]. An output set stays set."""
    try:
        return [_step(hw, clock, step) for step in args["steps"]]
    finally:
        hw.rest()


def _step(hw, clock, step):
    driven = step.get("set", {})
    for port in driven:
        hw.out(port, driven[port])
        clock.sleep_ms(1)
    return sampling.convert(hw, clock, step)
