"""A stand-in for MicroPython's `machine` on the virtual board: every access becomes a frame on an inherited pipe.

A frame is 8 bytes, little endian: operation, pin, argument (16 bits), virtual milliseconds (32 bits). Writes are posted;
what reads waits for the answer. The server's side is benchworthy/virtual/board.py.
"""

import os
import struct
import sys
import time

STAND_IN = True

_FRAME = "<BBHI"
_WRITE, _DUTY, _LEVEL, _CODE, _MEMORY, _IDENTITY = 1, 2, 3, 4, 5, 6
_KEPT = "benchworthy pin frames"
_ID_BYTES = 8

if _KEPT not in sys.modules:
    # Opened once for the life of the process: closing a second file object would close the pipe under the first.
    sys.modules[_KEPT] = (
        open(int(os.getenv("BENCHWORTHY_PINS_OUT")), "wb"),
        open(int(os.getenv("BENCHWORTHY_PINS_IN")), "rb"),
    )
_out, _in = sys.modules[_KEPT]


def _post(operation, pin, argument=0):
    _out.write(struct.pack(_FRAME, operation, pin, argument & 0xFFFF, time.now_ms() & 0xFFFFFFFF))


def _ask(operation, pin, argument, size):
    _post(operation, pin, argument)
    answer = b""
    while len(answer) < size:
        octets = _in.read(size - len(answer))
        if not octets:
            raise OSError(5)
        answer += octets
    return answer


class Pin:
    IN = 0
    OUT = 1
    PULL_UP = 1
    PULL_DOWN = 2

    def __init__(self, number, mode=None, pull=None, value=None):
        self._number = number
        self._mode = None
        self._pull = 0
        self._level = 0
        if mode is not None:
            self.init(mode, pull, value=value)

    def init(self, mode=IN, pull=None, value=None):
        self._mode = mode
        self._pull = pull or 0
        if value is not None:
            self._level = 1 if value else 0
        self._write()

    def value(self, level=None):
        if level is None:
            return _ask(_LEVEL, self._number, 0, 1)[0]
        self._level = 1 if level else 0
        if self._mode == Pin.OUT:
            self._write()

    def __call__(self, level=None):
        return self.value(level)

    def on(self):
        self.value(1)

    def off(self):
        self.value(0)

    def _write(self):
        _post(_WRITE, self._number, self._mode | self._pull << 1 | self._level << 3)


class ADC:
    def __init__(self, pin):
        self._number = pin if isinstance(pin, int) else pin._number
        _post(_WRITE, self._number, Pin.IN)

    def read_u16(self):
        time.advance_us(2)
        return struct.unpack("<H", _ask(_CODE, self._number, 1, 2))[0]


class PWM:
    def __init__(self, pin, freq=None, duty_u16=None):
        self._number = pin._number
        self._freq = freq or 0
        self._duty = duty_u16 or 0
        self._write()

    def freq(self, hertz=None):
        if hertz is None:
            return self._freq
        self._freq = hertz

    def duty_u16(self, duty=None):
        if duty is None:
            return self._duty
        self._duty = max(0, min(65535, duty))
        self._write()

    def deinit(self):
        _post(_WRITE, self._number, Pin.IN)

    def _write(self):
        _post(_DUTY, self._number, self._duty)


class I2C:
    def __init__(self, id, *, scl, sda, freq=400000):
        _post(_WRITE, scl._number, Pin.IN)
        _post(_WRITE, sda._number, Pin.IN)

    def readfrom_mem(self, address, memory_address, size):
        answer = _ask(_MEMORY, address, memory_address << 8 | size, size + 1)
        if not answer[0]:
            raise OSError(5)
        return answer[1:]


def unique_id():
    return _ask(_IDENTITY, 0, 0, _ID_BYTES)


def freq():
    return 125000000


def reset_cause():
    return 1
