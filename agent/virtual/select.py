"""Polling on the virtual clock: a registered stream is waited for in real time, which then counts as virtual time.

What answers within a twentieth of a second counts as one millisecond, so that a busy computer does not change what
the board measures afterwards. Timers that fall due while waiting come in at their moment.
"""

import time
import uselect as _real
import utime as _real_time

POLLIN = _real.POLLIN
POLLOUT = _real.POLLOUT
POLLERR = _real.POLLERR
POLLHUP = _real.POLLHUP

_PROMPT_MS, _PROMPT_US = 50, 1000


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
        left = timeout
        while True:
            due = time.next_due_us()
            wait = left if due is None else min(due // 1000 + 1, left if left >= 0 else due // 1000 + 1)
            start = _real_time.ticks_ms()
            ready = self._poll.poll(wait)
            spent = _real_time.ticks_diff(_real_time.ticks_ms(), start)
            if ready:
                time.advance_us(1 if timeout == 0 else _PROMPT_US if spent < _PROMPT_MS else spent * 1000)
                return ready
            # What was waited for in vain is over in virtual time, even if the real clock has rounded it down.
            time.advance_us(max(1, wait * 1000, spent * 1000))
            if left >= 0:
                left -= max(wait, spent)
                if left <= 0:
                    return []

    def ipoll(self, timeout=-1, flags=0):
        return iter(self.poll(timeout))


def poll():
    return _Poll()
