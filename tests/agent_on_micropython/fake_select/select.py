"""Polling during which the stand-in's timers fire, as a board's interrupts do; of nothing, it costs no real time."""

import time

import uselect

POLLIN, POLLOUT, POLLERR, POLLHUP = uselect.POLLIN, uselect.POLLOUT, uselect.POLLERR, uselect.POLLHUP


class poll:
    def __init__(self):
        self._poll = uselect.poll()
        self._streams = 0

    def register(self, stream, events):
        self._streams += 1
        self._poll.register(stream, events)

    def poll(self, timeout=-1):
        if not self._streams:
            time.sleep_ms(timeout)
            return []
        end = time.ticks_add(time.ticks_ms(), max(timeout, 0))
        while True:
            time.sleep_us(0)
            ready = self._poll.poll(2)
            if ready or time.ticks_diff(end, time.ticks_ms()) <= 0 <= timeout:
                return ready
