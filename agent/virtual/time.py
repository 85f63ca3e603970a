"""The virtual clock: sleeping costs no real time, and only what is measured on a real link counts as real.

It starts at the real ticks plus one hour, because asyncio's task queue, written in C, stamps with the real clock: real
ticks must never overtake these. Reading the clock costs a microsecond or two, or loops that wait for it never end.
Timers and pin interrupts come in when this clock passes their moment. A loop that never asks for the time or a pin
lets none pass, so nothing can interrupt it here.
"""

import os
import sys

import utime as _real

ticks_add = _real.ticks_add
ticks_diff = _real.ticks_diff
ticks_cpu = _real.ticks_cpu
mktime = _real.mktime

# Kept outside this module, so that importing it anew does not turn the clock back.
_KEPT = "benchworthy virtual clock"
_PERIOD_LESS_1 = _real.ticks_add(0, -1)
_HOUR_US = 3600 * 1000 * 1000
_LOOK_US = 200  # pin interrupts are looked for at least this often while the clock is only read

if _KEPT not in sys.modules:
    # [virtual microseconds, the same at start, real nanoseconds since 1970 at start, inside an interrupt,
    #  timers as [due, period, function], function that gives the pin interrupts of a window, looked for up to]
    _start = _real.ticks_ms() * 1000 + _HOUR_US
    sys.modules[_KEPT] = [_start, _start, _real.time_ns(), False, [], None, _start]
_clock = sys.modules[_KEPT]
_PPM = float(os.getenv("BENCHWORTHY_PPM") or 0)


def advance_us(us):
    """Let virtual time pass; for the stand-ins only."""
    target = _clock[0] + us
    if not _clock[3] and (_clock[4] or _clock[5] is not None):
        _interrupt(target)
    if target > _clock[0]:
        _clock[0] = target


def elapsed_us():
    """Virtual microseconds since the start; asking costs none. For the stand-ins only."""
    return _clock[0] - _clock[1]


def next_due_us():
    """Microseconds until the next timer, None without one. For the stand-ins only."""
    return max(0, min([timer[0] for timer in _clock[4]]) - _clock[0]) if _clock[4] else None


def add_timer(due_us, period_us, function):
    """Call a function after `due_us`, then every `period_us` unless that is 0; gives what remove_timer() takes."""
    timer = [_clock[0] + due_us, period_us, function]
    _clock[4].append(timer)
    return timer


def remove_timer(timer):
    if timer in _clock[4]:
        _clock[4].remove(timer)


def watch_pins(function):
    """`function(window_us)` gives [(offset_us, handler)] of the pin interrupts in that much time from now."""
    _clock[5] = function
    _clock[6] = _clock[0]


def _interrupt(target):
    """Let come in what is due up to `target`, in order of time. What an interrupt itself lets pass interrupts nothing."""
    if _clock[5] is not None and (target - _clock[6] >= _LOOK_US):
        end = max(target, _clock[0])
        start, _clock[6] = _clock[6], end
        for offset, handler in _clock[5](start - _clock[1], end - start):
            _fire_timers(start + offset)
            _call(start + offset, handler)
    _fire_timers(target)


def _fire_timers(until):
    while _clock[4]:
        timer = min(_clock[4], key=lambda each: each[0])
        if timer[0] > until:
            return
        due = timer[0]
        if timer[1]:
            timer[0] += timer[1]
        else:
            _clock[4].remove(timer)
        _call(due, timer[2])


def _call(when, function):
    # An interrupt sees the time of its own event, also when it is found a little late.
    now = _clock[0]
    _clock[0] = when
    _clock[3] = True
    try:
        function()
    except Exception as error:
        sys.print_exception(error)
    finally:
        _clock[3] = False
        _clock[0] = max(now, _clock[0])


def sleep(seconds):
    advance_us(max(0, int(seconds * 1000000)))


def sleep_ms(ms):
    advance_us(max(0, int(ms)) * 1000)


def sleep_us(us):
    advance_us(max(0, int(us)))


def ticks_us():
    advance_us(1)
    return _clock[0] & _PERIOD_LESS_1


def ticks_ms():
    advance_us(2)
    return _clock[0] // 1000 & _PERIOD_LESS_1


def time_ns():
    advance_us(1)
    return _clock[2] + (_clock[0] - _clock[1]) * 1000


def time():
    return time_ns() // 1000000000


def gmtime(seconds=None):
    return _real.gmtime(time() if seconds is None else seconds)


localtime = gmtime  # a board knows no time zone


def set_date(seconds):
    """Set the clock to so many seconds after 1970; for the stand-ins only."""
    _clock[2] += seconds * 1000000000 - time_ns()


def world_us():
    """Microseconds of the world around the board, whose crystal may be off; only a virtual board has this."""
    return _clock[1] + int((_clock[0] - _clock[1]) * (1000000 / (1000000 + _PPM)))
