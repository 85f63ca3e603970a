"""A stand-in for MicroPython's `machine` on the virtual board: every access becomes a frame on an inherited pipe.

A frame is 20 bytes, little endian: operation, pin, argument (16 bits), a further argument, the number of the reading
(32 bits each), virtual microseconds since the start (64 bits). Writes are posted; what reads waits for an answer: its
length (16 bits), then the octets. Here a Ctrl-C comes in anywhere, also in the middle of an answer; then the next
question first asks for a mark, and reads up to it. The other side is benchworthy/virtual/pins.py.
"""

import os
import struct
import sys
import time

STAND_IN = True
PWRON_RESET, WDT_RESET = 1, 3

_FRAME = "<BBHIIQ"
_WRITE, _DUTY, _LEVEL, _CODE, _MEMORY, _IDENTITY, _SCAN, _PULSE, _EDGES, _RISE, _RADIO, _STILL, _MARK = range(1, 14)
_KEPT = "benchworthy pin frames"
_DIE = 4  # the converter's channel of the die temperature
_MARKED = b"benchworthy mark"
_NO_ANSWER = 0xFFFF  # in place of a length
_BLOCK = 64  # conversions fetched ahead, once two gaps between them were alike

if _KEPT not in sys.modules:
    # Opened once for the life of the process: closing a second file object would close the pipe under the first.
    # After the files: marks so far, readings so far, writes so far, frequency by PWM block,
    # duty by PWM pin, handler and trigger by pin, whether a question is open.
    sys.modules[_KEPT] = [
        open(int(os.getenv("BENCHWORTHY_PINS_OUT")), "wb"),
        open(int(os.getenv("BENCHWORTHY_PINS_IN")), "rb"),
        0,
        0,
        0,
        {},
        {},
        {},
        False,
    ]
_link = sys.modules[_KEPT]
_out, _in = _link[0], _link[1]
_hertz, _duty, _handlers = _link[5], _link[6], _link[7]


def _post(operation, pin, argument=0, more=0, index=0, when=None):
    _out.write(
        struct.pack(_FRAME, operation, pin, argument, more, index, time.elapsed_us() if when is None else when)
    )


def _change(operation, pin, argument=0, more=0):
    _link[4] += 1
    _post(operation, pin, argument, more)


def _ask(operation, pin, argument=0, more=0, index=0, when=None):
    if _link[8]:
        _find_again()
    _link[8] = True
    _post(operation, pin, argument, more, index, when)
    head = _in.read(2)
    if len(head) < 2:
        raise OSError(5)
    size = head[0] | head[1] << 8
    body = b"" if size == _NO_ANSWER else _in.read(size)
    _link[8] = False
    if size == _NO_ANSWER:
        # The circuit, as it is broken, has no answer.
        raise OSError(5)
    return body


def _find_again():
    """A Ctrl-C came in between a question and its answer, of which some may be left: read on to a mark."""
    _link[2] += 1
    _post(_MARK, 0, index=_link[2])
    mark, last = _MARKED + struct.pack("<I", _link[2]), b""
    while last != mark:
        octet = _in.read(1)
        if not octet:
            raise OSError(5)
        last = (last + octet)[-len(mark) :]


class Pin:
    IN = 0
    OUT = 1
    OPEN_DRAIN = 2
    PULL_UP = 1
    PULL_DOWN = 2
    IRQ_FALLING = 4
    IRQ_RISING = 8

    def __init__(self, number, mode=None, pull=None, *, value=None):
        if number not in range(30):
            raise ValueError("unknown named Pin")
        self._number = number
        self._mode = None
        self._pull = 0
        self._level = 0
        if mode is not None:
            self.init(mode, pull, value=value)

    def init(self, mode=IN, pull=None, *, value=None):
        self._mode = mode
        self._pull = pull or 0
        if value is not None:
            self._level = 1 if value else 0
        self._write()

    def value(self, level=None):
        if level is None:
            time.advance_us(1)
            return _ask(_LEVEL, self._number)[0]
        self._level = 1 if level else 0
        if self._mode in (Pin.OUT, Pin.OPEN_DRAIN):
            self._write()

    def __call__(self, level=None):
        return self.value(level)

    def on(self):
        self.value(1)

    def off(self):
        self.value(0)

    def irq(self, handler=None, trigger=IRQ_FALLING | IRQ_RISING, *, hard=False):
        _handlers.pop(self._number, None)
        if handler is not None:
            _handlers[self._number] = (lambda: handler(self), trigger)
        time.watch_pins(_edges if _handlers else None)
        return self

    def _write(self):
        # An open drain that is let go is an input.
        out = self._mode == Pin.OUT or (self._mode == Pin.OPEN_DRAIN and not self._level)
        _duty.pop(self._number, None)
        _change(_WRITE, self._number, out | self._pull << 1 | self._level << 3)


def _edges(start, window):
    """The interrupts of a window of virtual time, in order."""
    found = []
    for number in _handlers:
        handler, trigger = _handlers[number]
        answer = _ask(_EDGES, number, trigger, window, when=start)
        found += [(struct.unpack_from("<I", answer, place)[0], handler) for place in range(0, len(answer), 4)]
    return sorted(found, key=lambda each: each[0])


class ADC:
    CORE_TEMP = _DIE

    def __init__(self, pin):
        self._number = pin if isinstance(pin, int) else pin._number
        # [first time, gap, first reading's number, codes, writes before]; and the last two moments
        self._ahead = None
        self._last = (0, 0, 0, 0)
        if self._number != _DIE:
            _change(_WRITE, self._number, Pin.IN)

    def read_u16(self):
        time.advance_us(2)
        index = _link[3]
        _link[3] = index + 1
        now, writes = time.elapsed_us(), _link[4]
        code = self._from_ahead(now, index, writes)
        if code is None:
            at, number, gap, before = self._last
            new_gap = now - at if number == index - 1 and before == writes else 0
            count = _BLOCK if new_gap and new_gap == gap else 1
            codes = _ask(_CODE, self._number, count, new_gap, index, now)
            self._ahead = (now, new_gap, index, codes, writes)
            self._last = (now, index, new_gap, writes)
            code = codes[0] | codes[1] << 8
        else:
            self._last = (now, index, self._ahead[1], writes)
        return code

    def _from_ahead(self, now, index, writes):
        if self._ahead is None:
            return None
        at, gap, first, codes, before = self._ahead
        place = index - first
        if writes != before or place * 2 >= len(codes) or now != at + place * gap:
            return None
        return codes[2 * place] | codes[2 * place + 1] << 8


class PWM:
    """Two pins share a block and with it the frequency; without a duty nothing comes out."""

    def __init__(self, pin):
        self._number = pin._number
        self._block = self._number // 2 % 8

    def freq(self, hertz=None):
        if hertz is None:
            return _hertz.get(self._block, 0)
        if not 8 <= hertz <= 62500000:
            raise ValueError("freq too small" if hertz < 8 else "freq too large")
        _hertz[self._block] = hertz
        for number in _duty:
            if number // 2 % 8 == self._block:
                _send_duty(number)

    def duty_u16(self, duty=None):
        if duty is None:
            return _duty.get(self._number, (0, 0))[0]
        self._set((max(0, min(65535, duty)), None))

    def duty_ns(self, ns=None):
        if ns is None:
            return _duty.get(self._number, (0, 0))[1] or 0
        self._set((0, ns))

    def deinit(self):
        # As on the chip: the block stops where it is, and the pin keeps the level it happens to have.
        _duty.pop(self._number, None)
        _change(_STILL, self._number)

    def _set(self, duty):
        _duty[self._number] = duty
        _send_duty(self._number)


def _send_duty(number):
    hertz = _hertz.get(number // 2 % 8, 0)
    if not hertz:
        raise ValueError("PWM not inited")
    share, ns = _duty[number]
    period = 1000000000 // hertz
    _change(_DUTY, number, min(hertz, 65535), min(period, period * share // 65535 if ns is None else ns))


class I2C:
    def __init__(self, id, *, scl, sda, freq=400000):
        if id != sda._number // 2 % 2:
            raise ValueError("bad SDA pin")
        self._freq = freq
        self._pins = sda._number | scl._number << 8
        for pin in (scl, sda):
            # The chip's own driver pulls both lines up as well.
            _change(_WRITE, pin._number, Pin.IN | Pin.PULL_UP << 1)

    def scan(self):
        time.advance_us(112 * 10 * 1000000 // self._freq)
        return list(_ask(_SCAN, 0, 0, self._pins << 16, self._freq))

    def readfrom_mem(self, address, memory, size, *, addrsize=8):
        time.advance_us((size + 3) * 9 * 1000000 // self._freq)
        answer = _ask(_MEMORY, address, memory, size | self._pins << 16, self._freq)
        if not answer[0]:
            raise OSError(5)
        return answer[1:]


class Timer:
    ONE_SHOT = 0
    PERIODIC = 1

    def __init__(self, id=-1):
        if id != -1:
            raise ValueError("Timer doesn't exist")
        self._timer = None

    def init(self, *, mode=PERIODIC, period=-1, freq=-1, callback=None, hard=False):
        self.deinit()
        us = int(1000000 / freq) if freq > 0 else period * 1000
        self._timer = time.add_timer(us, us if mode == Timer.PERIODIC else 0, lambda: callback(self))

    def deinit(self):
        time.remove_timer(self._timer)


class RTC:
    def datetime(self, moment=None):
        if moment is None:
            year, month, day, hour, minute, second, weekday = time.gmtime()[:7]
            return (year, month, day, weekday, hour, minute, second, 0)
        year, month, day, weekday, hour, minute, second, _ = moment
        time.set_date(time.mktime((year, month, day, hour, minute, second, weekday, 0)))


def time_pulse_us(pin, level, timeout_us=1000000):
    """As MicroPython's: the length of the pulse; -2 if it does not begin in time, -1 if it does not end in time."""
    length, elapsed = struct.unpack("<iI", _ask(_PULSE, pin._number, level, timeout_us, _link[3]))
    _link[3] += 1
    time.advance_us(elapsed)
    return length


def rise_ns(pin):
    """Nanoseconds from letting the line go until the pin reads high; only a virtual board has this."""
    time.advance_us(20)
    return struct.unpack("<I", _ask(_RISE, pin._number))[0]


def radio_dbm():
    _link[3] += 1
    return struct.unpack("<h", _ask(_RADIO, 0, index=_link[3]))[0]


def unique_id():
    return _ask(_IDENTITY, 0)


def freq():
    return 125000000


def reset_cause():
    return PWRON_RESET


def reset():
    """The module starts anew: its owner sees the process end with this number and starts another."""
    os.system("kill -HUP $PPID")
    sys.exit(3)
