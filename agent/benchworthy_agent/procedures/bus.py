"""The two-wire bus. Ports: `data` and `clock`."""

from benchworthy_agent.procedures.steps import one


def bus_clear(hw, clock, args):
    """args: data, clock. Frees a bus whose data line is held low.

    Step: the clocks it took; 0 if the line was high, 10 if nine did not help.
    """
    try:
        return [one(hw.clear_bus(args["data"], args["clock"]))]
    finally:
        hw.rest()


def bus_scan(hw, clock, args):
    """args: data, clock, hertz. Steps: how many addresses answer, the lowest, the highest (0 if none)."""
    try:
        return [one(number) for number in hw.scan(args["data"], args["clock"], args["hertz"])]
    finally:
        hw.rest()


def bus_memory(hw, clock, args):
    """args: data, clock, address, size, times, hertz (list). Steps: errors, one for each speed.

    Reads a memory again and again; its last four bytes are the CRC-32 of those before.
    """
    given = [args[name] for name in ("data", "clock", "address", "size", "times")]
    try:
        return [one(hw.memory_errors(*given, hertz)) for hertz in args["hertz"]]
    finally:
        hw.rest()


def bus_rise(hw, clock, args):
    """args: ports, n. Steps: nanoseconds that each line takes to rise after it is let go."""
    try:
        return [hw.rise(port, args["n"]) for port in args["ports"]]
    finally:
        hw.rest()
