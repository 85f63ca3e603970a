"""Polling on the virtual clock: a registered stream is waited for in real time, which then counts as virtual time."""

import time
import uselect as _real
import utime as _real_time

POLLIN = _real.POLLIN
POLLOUT = _real.POLLOUT
POLLERR = _real.POLLERR
POLLHUP = _real.POLLHUP


class _Poll:
    def __init__(self):
        self._poll = _real.poll()
        self._streams = set()

    def register(self, stream, events=POLLIN | POLLOUT):
        self._streams.add(id(stream))
        self._poll.register(stream, events)

    def unregister(self, stream):
        self._streams.discard(id(stream))
        self._poll.unregister(stream)

    def modify(self, stream, events):
        self._poll.modify(stream, events)

    def poll(self, timeout=-1):
        if not self._streams and timeout >= 0:
            time.sleep_ms(timeout)
            return []
        start = _real_time.ticks_us()
        ready = self._poll.poll(timeout)
        time.advance_us(max(1, _real_time.ticks_diff(_real_time.ticks_us(), start)))
        return ready

    def ipoll(self, timeout=-1, flags=0):
        return iter(self.poll(timeout))


def poll():
    return _Poll()
