"""The timer behind a motor pulse, and the measurements that must not miss their moment."""

import time

import machine

from benchworthy_agent.boards import rp2


def arm(board, ports, ms):
    """Have the timer drop the enables `ports` in `ms` from now, whatever the program does; again: a new time."""
    if board.pulse is None:
        board.pulse = _Pulse([board.number(port) for port in ports])
    board.pulse.arm(ms)


def disarm(board):
    """End the motor pulse in hand, whose enables are low by now; whether the timer was faster."""
    pulse, board.pulse = board.pulse, None
    return pulse is not None and pulse.end()


class _Pulse:
    """Enables that an interrupt drives low. All that the interrupt touches is made here: it must not take memory."""

    def __init__(self, numbers):
        self.dropped = False
        self._pins = tuple([machine.Pin(number, machine.Pin.OUT, value=0) for number in numbers])
        self._timer = machine.Timer(-1)
        self._on_time = self._drop

    def arm(self, ms):
        if self.dropped:
            return
        try:
            self._timer.init(mode=machine.Timer.ONE_SHOT, period=ms, callback=self._on_time, hard=True)
        except TypeError:  # this port calls back between two instructions of the program; sleeping lets it through
            self._timer.init(mode=machine.Timer.ONE_SHOT, period=ms, callback=self._on_time)

    def end(self):
        self._timer.deinit()
        return self.dropped

    def _drop(self, timer):
        for pin in self._pins:
            pin.init(machine.Pin.OUT, value=0)  # takes a pin back from fast switching too
        self.dropped = True


def burst_until(board, port, n, every_us, stop):
    """The tally of at most n conversions, and 1 if one at or above the raw code `stop` ended them, with the pulse, or 0."""
    read = board.converter(port).read_u16
    read()
    total = squares = count = greatest = 0
    least = 4095
    due = time.ticks_us()
    while count < n and greatest < stop:
        left = time.ticks_diff(due, time.ticks_us())
        if left > 0:
            time.sleep_us(left)
        due = time.ticks_add(due, every_us)
        code = read() >> 4
        count += 1
        total += code
        squares += code * code
        least, greatest = min(least, code), max(greatest, code)
    return [count, total, squares, least, greatest], int(greatest >= stop)


def window(board, port, n, every_us, above):
    """The tally of the first eight of n conversions, and how many of all lie at or above the raw code `above`."""
    read = board.converter(port).read_u16
    read()
    count = [0]

    def take():
        code = read() >> 4
        if code >= above:
            count[0] += 1
        return code

    start = rp2.tally(take, 8, every_us)
    time.sleep_us(every_us)
    rp2.tally(take, n - 8, every_us)
    return start, count[0]
