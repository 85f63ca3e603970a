"""A key's presses, caught by interrupt."""

import array
import time

import machine
from micropython import const

from benchworthy_agent.boards import rp2

_MOST = const(240)  # edges; five presses of a worn key have some hundred
_APART_US = const(30000)  # edges closer than this belong to one movement of the key
_QUIET_MS = const(100)


class _Edges:
    """Times and levels of a pin's edges. All that the interrupt touches is made here: it must not take memory."""

    def __init__(self, pin):
        self.count = 0
        self.times = array.array("I", bytes(4 * _MOST))
        self.levels = bytearray(_MOST)
        self._pin = pin
        self._ticks, self._diff = time.ticks_us, time.ticks_diff
        self._start = time.ticks_us()
        edges = machine.Pin.IRQ_RISING | machine.Pin.IRQ_FALLING
        try:
            pin.irq(handler=self._note, trigger=edges, hard=True)
        except TypeError:
            pin.irq(handler=self._note, trigger=edges)

    def _note(self, pin):
        if self.count < _MOST:
            self.times[self.count] = self._diff(self._ticks(), self._start)
            self.levels[self.count] = self._pin.value()
            self.count += 1

    def end(self):
        self._pin.irq(handler=None)

    def quiet_us(self):
        """Microseconds since the last edge; there must have been one."""
        return self._diff(self._ticks(), self._start) - self.times[self.count - 1]

    def movements(self):
        """(microseconds from first to last edge, level after the last) of each movement of the key."""
        found = []
        first = 0
        for place in range(1, self.count + 1):
            if place == self.count or self.times[place] - self.times[place - 1] > _APART_US:
                found.append((self.times[place - 1] - self.times[first], self.levels[place - 1]))
                first = place
        return found


def presses(board, clock, port, count, ms):
    """The tally of each press's bounce in microseconds (one 0 if none), and the presses: until `count` came and the key
    is at rest again, at most `ms`. A pressed key reads 0.
    """
    end = clock.ticks_add(clock.ticks_ms(), ms)
    edges = _Edges(board.pin(port))
    try:
        while clock.ticks_diff(end, clock.ticks_ms()) > 0 and not _all_done(edges, count):
            clock.sleep_ms(20)
    finally:
        edges.end()
    bounces = [bounce for bounce, level in edges.movements() if level == 0]
    source = iter(bounces or [0])
    return rp2.tally(lambda: next(source), max(1, len(bounces))), len(bounces)


def _all_done(edges, count):
    levels = [level for _, level in edges.movements()]
    return levels.count(0) >= count and levels[-1] == 1 and edges.quiet_us() > _QUIET_MS * 1000
