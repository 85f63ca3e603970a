"""The virtual clock: sleeping costs no real time, and only what is measured on a real link counts as real.

It starts at the real ticks plus one hour, because asyncio's task queue, written in C, stamps with the real clock: real
ticks must never overtake these. Reading the clock costs a microsecond or two, or loops that wait for it never end.
"""

import sys

import utime as _real

ticks_add = _real.ticks_add
ticks_diff = _real.ticks_diff
ticks_cpu = _real.ticks_cpu
gmtime = _real.gmtime
localtime = _real.localtime
mktime = _real.mktime

# Kept outside this module, so that importing it anew does not turn the clock back.
_KEPT = "benchworthy virtual clock"
_PERIOD_LESS_1 = _real.ticks_add(0, -1)
_HOUR_US = 3600 * 1000 * 1000

if _KEPT not in sys.modules:
    # [virtual microseconds, the same at start, real nanoseconds since 1970 at start]
    _start = _real.ticks_ms() * 1000 + _HOUR_US
    sys.modules[_KEPT] = [_start, _start, _real.time_ns()]
_clock = sys.modules[_KEPT]


def advance_us(us):
    """Let virtual time pass; for the stand-ins only."""
    _clock[0] += us


def now_ms():
    """Virtual milliseconds as sent with a pin frame; reading them costs no virtual time."""
    return _clock[0] // 1000


def sleep(seconds):
    _clock[0] += max(0, int(seconds * 1000000))


def sleep_ms(ms):
    _clock[0] += max(0, int(ms)) * 1000


def sleep_us(us):
    _clock[0] += max(0, int(us))


def ticks_us():
    _clock[0] += 1
    return _clock[0] & _PERIOD_LESS_1


def ticks_ms():
    _clock[0] += 2
    return _clock[0] // 1000 & _PERIOD_LESS_1


def time_ns():
    _clock[0] += 1
    return _clock[2] + (_clock[0] - _clock[1]) * 1000


def time():
    return time_ns() // 1000000000
