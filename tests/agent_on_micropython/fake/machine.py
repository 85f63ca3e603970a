"""Just enough of `machine` for a whole run of the agent without a circuit; small, because it shares a board's memory."""

import time

_levels = bytearray(30)  # what each pin reads: bit 0; bit 1 says that it is driven
_hook = [None, 0]  # called with (number, level) at every change, if set; and the last width of a pulse


def _set(number, value):
    _levels[number] = value
    if _hook[0]:
        _hook[0](number, value == 3)


class Pin:
    IN, OUT, PULL_UP, PULL_DOWN, IRQ_FALLING, IRQ_RISING = 0, 1, 1, 2, 4, 8

    def __init__(self, number, mode=None, pull=None, value=None):
        self.number = number
        if mode is not None:
            self.init(mode, pull, value)

    def init(self, mode=0, pull=None, value=None):
        _set(self.number, 2 | value if mode else int(pull == 1))

    def value(self):
        return _levels[self.number] & 1

    def irq(self, handler=None, trigger=0, hard=False):
        _hook.append((self, handler))


class ADC:
    def __init__(self, pin):
        self._number = pin if isinstance(pin, int) else pin.number

    def read_u16(self):
        return (1200 + 20 * sum([(_levels[16 + bit] & 1) << bit for bit in range(3)]) + self._number) << 4


class PWM:
    def __init__(self, pin):
        self._number = pin.number

    def freq(self, hertz):
        pass

    def duty_u16(self, duty):
        _set(self._number, 3 if duty else 2)

    def duty_ns(self, ns):
        _hook[1] = ns // 1000

    def deinit(self):
        pass


class I2C:
    def __init__(self, id, scl, sda, freq):
        pass

    def scan(self):
        return [0x57]

    def readfrom_mem(self, address, at, size):
        import binascii

        memory = b"TP4-0007" + bytes(244)
        return (memory + (binascii.crc32(memory) & 0xFFFFFFFF).to_bytes(4, "big"))[at : at + size]


class Timer:
    ONE_SHOT = 0

    def __init__(self, number):
        self._timer = None

    def init(self, mode, period, callback, hard=False):
        self.deinit()
        self._timer = [time.ticks_us() + period * 1000, callback]
        time.timers.append(self._timer)

    def deinit(self):
        if self._timer in time.timers:
            time.timers.remove(self._timer)


def time_pulse_us(pin, level, wait):
    time.sleep_us(20000)
    return _hook[1]


def rise_ns(pin):
    return 3300


def unique_id():
    return b"\xe6\x61\x64\x08\x43\x12\x34\x56"
