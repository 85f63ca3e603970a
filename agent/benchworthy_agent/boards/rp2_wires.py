"""The wires of the two-wire bus: a line held low, and the time of rise."""

import time

import machine
from micropython import const

from benchworthy_agent import modules
from benchworthy_agent.boards import NotHere, rp2

_CLOCKS = const(9)
_HALF_CLOCK_US = const(5)


def clear_bus(board, data, clock):
    """Clock a bus until its data line is high, at most nine times, and end with a STOP; the clocks it took, 10 if in vain."""
    board.pull(data, None)
    board.pull(clock, None)
    clocks = 0
    while not board.level(data) and clocks <= _CLOCKS:
        clocks += 1
        if clocks <= _CLOCKS:
            board.out(clock, 0)
            time.sleep_us(_HALF_CLOCK_US)
            board.pull(clock, None)
            time.sleep_us(_HALF_CLOCK_US)
    if 0 < clocks <= _CLOCKS:
        board.out(data, 0)
        time.sleep_us(_HALF_CLOCK_US)
        board.pull(data, None)
    return clocks


def rise(board, port, n):
    """The tally of n times of rise in nanoseconds, after the line was held low and let go."""
    measure = getattr(machine, "rise_ns", None)
    if measure is None:
        try:
            measure = modules.load("boards.rp2_pio").rise_ns
        except ImportError:
            raise NotHere("no pulse timer on this port")
    number = board.number(port)
    try:
        return rp2.tally(lambda: measure(machine.Pin(number)), n)
    finally:
        board.pull(port, None)
